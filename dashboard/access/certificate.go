package access

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// certificateLife is how long a certificate of our own lasts. Browsers of
// phones refuse one of more than 825 days.
const certificateLife = 820 * 24 * time.Hour

// Certificate gives the certificate that devices reach the pages by: the one
// that stands in the folder if it covers all hosts and lasts another month,
// else a new one, signed by itself, of a new key. Nobody vouches for it: the
// person compares its [Fingerprint] with what the program printed.
func Certificate(dir string, hosts []string, now time.Time) (tls.Certificate, error) {
	certPath, keyPath := filepath.Join(dir, "dashboard-cert.pem"), filepath.Join(dir, "dashboard-key.pem")
	c, err := tls.LoadX509KeyPair(certPath, keyPath)
	switch {
	case err == nil && covers(c.Leaf, hosts, now):
		return c, nil
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return c, fmt.Errorf("certificate: %s: %w; remove it and %s to have new ones made", certPath, err, keyPath)
	}
	cert, key, err := make509(hosts, now)
	if err != nil {
		return c, fmt.Errorf("certificate: %w", err)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return c, fmt.Errorf("certificate: %w", err)
	}
	if err := errors.Join(replaceFile(keyPath, key), replaceFile(certPath, cert)); err != nil {
		return c, fmt.Errorf("certificate: %w", err)
	}
	return tls.X509KeyPair(cert, key)
}

func covers(leaf *x509.Certificate, hosts []string, now time.Time) bool {
	if now.Before(leaf.NotBefore) || now.AddDate(0, 1, 0).After(leaf.NotAfter) {
		return false
	}
	return !slices.ContainsFunc(hosts, func(h string) bool { return leaf.VerifyHostname(h) != nil })
}

func make509(hosts []string, now time.Time) (cert, key []byte, err error) {
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return nil, nil, err
	}
	t := x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "Loomproof dashboard"},
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(certificateLife),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true,
	}
	for _, h := range hosts {
		if ip := net.ParseIP(h); ip != nil {
			t.IPAddresses = append(t.IPAddresses, ip)
		} else {
			t.DNSNames = append(t.DNSNames, h)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, &t, &t, &private.PublicKey, private)
	if err != nil {
		return nil, nil, err
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		return nil, nil, err
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), nil
}

// Fingerprint is the SHA-256 of a certificate as browsers show it.
func Fingerprint(c tls.Certificate) string {
	sum := sha256.Sum256(c.Certificate[0])
	return strings.ReplaceAll(fmt.Sprintf("% X", sum), " ", ":")
}

// Hosts are the names and addresses that this machine has on its networks, best
// first: what a phone can reach.
func Hosts() ([]string, error) {
	addresses, err := net.InterfaceAddrs()
	if err != nil {
		return nil, fmt.Errorf("this machine's addresses: %w", err)
	}
	var four, six []string
	for _, a := range addresses {
		n, ok := a.(*net.IPNet)
		if !ok || !n.IP.IsGlobalUnicast() {
			continue
		}
		if n.IP.To4() != nil {
			four = append(four, n.IP.String())
		} else {
			six = append(six, n.IP.String())
		}
	}
	hosts := append(four, six...)
	if len(hosts) == 0 {
		return nil, errors.New("this machine is on no network; join the hangar's first")
	}
	if name, err := os.Hostname(); err == nil && name != "" && net.ParseIP(name) == nil {
		hosts = append(hosts, name)
	}
	return hosts, nil
}
