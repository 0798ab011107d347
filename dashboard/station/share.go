package station

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"loomproof/dashboard/access"
)

// A Network is how the pages are reached over the hangar's network.
type Network struct {
	Address     string // for phones, as https://192.0.2.7:8471/
	Local       string // for this machine, where devices are paired
	Fingerprint string // of the certificate, for comparing
	Guard       *access.Guard
}

// Text says how devices are paired. Drawn shows the codes as pictures too, for
// a terminal that can.
func (n Network) Text(w io.Writer, drawn bool) error {
	fmt.Fprintf(w, "For phones on the hangar's network: %s\n", n.Address)
	fmt.Fprintf(w, "Certificate, SHA-256: %s\n  The phone warns of it: compare this fingerprint with what it shows.\n", n.Fingerprint)
	for _, right := range []access.Right{access.MayAnswer, access.MayWatch} {
		code := n.Guard.Offer(right)
		fmt.Fprintf(w, "\nCode for one device that may %s, for ten minutes: %s\n", right, access.Grouped(code))
		if !drawn {
			continue
		}
		picture, err := access.Letters(access.PairingURL(n.Address, code))
		if err != nil {
			return err
		}
		if _, err := io.WriteString(w, picture); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(w, "\nMore codes, and withdrawing: %sdevices\n", n.Local)
	return err
}

// Share serves the pages on this machine as [Station.Listen] does, and over TLS
// to the devices of the network that are paired. Passes, certificate and key
// are kept in the folder; cert and key name files of one's own instead.
func (s *Station) Share(ctx context.Context, local, network, dir, cert, key string) (n Network, err error) {
	hosts, err := access.Hosts()
	if err != nil {
		return n, err
	}
	if n.Guard, err = access.Open(dir); err != nil {
		return n, err
	}
	var c tls.Certificate
	if cert != "" || key != "" {
		c, err = tls.LoadX509KeyPair(cert, key)
	} else {
		c, err = access.Certificate(dir, hosts, time.Now())
	}
	if err != nil {
		return n, err
	}
	n.Fingerprint = access.Fingerprint(c)
	outside, err := net.Listen("tcp", network)
	if err != nil {
		return n, fmt.Errorf("the dashboard cannot listen on %s: %w; choose another with --lan-listen", network, err)
	}
	_, port, _ := net.SplitHostPort(outside.Addr().String())
	n.Address = "https://" + net.JoinHostPort(hosts[0], port) + "/"
	inside, url, err := listenLocal(local)
	if err != nil {
		outside.Close()
		return n, err
	}
	n.Local = url
	pages, err := s.pages(n.Guard.Devices(n.Address))
	if err != nil {
		return n, errors.Join(err, inside.Close(), outside.Close())
	}
	s.serve(ctx, inside, access.Local(pages))
	s.serve(ctx, tls.NewListener(outside, &tls.Config{Certificates: []tls.Certificate{c}, MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}}), n.Guard.Paired(hosts, pages))
	return n, nil
}
