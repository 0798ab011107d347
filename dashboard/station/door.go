package station

import (
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"

	"loomproof/dashboard/access"
)

// A Door is how the pages are reached: addresses that are taken, so that nobody
// else can take them any more. Take one before anything is opened or written, and
// close it, or open a station's pages at it.
type Door struct {
	Local       string // for this machine, where devices are paired; as http://127.0.0.1:8470/
	Address     string // for phones, as https://192.0.2.7:8471/; "" where only this machine is let in
	Fingerprint string // of the certificate, for comparing
	Guard       *access.Guard

	inside, outside net.Listener
	hosts           []string
	certificate     tls.Certificate
}

// Text says how devices are paired. Drawn shows the codes as pictures too, for
// a terminal that can.
func (d *Door) Text(w io.Writer, drawn bool) error {
	fmt.Fprintf(w, "For phones on the hangar's network: %s\n", d.Address)
	fmt.Fprintf(w, "Certificate, SHA-256: %s\n  The phone warns of it: compare this fingerprint with what it shows.\n", d.Fingerprint)
	for _, right := range []access.Right{access.MayAnswer, access.MayWatch} {
		code := d.Guard.Offer(right)
		fmt.Fprintf(w, "\nCode for one device that may %s, for ten minutes: %s\n", right, access.Grouped(code))
		if !drawn {
			continue
		}
		picture, err := access.Letters(access.PairingURL(d.Address, code))
		if err != nil {
			return err
		}
		if _, err := io.WriteString(w, picture); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(w, "\nMore codes, and withdrawing: %sdevices\n", d.Local)
	return err
}

// TakeLocal takes an address of this machine, which must be on the loopback; port 0
// takes a free one.
func TakeLocal(address string) (*Door, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("address %q: write it like 127.0.0.1:8470", address)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("address %q: this one is for this machine only, as 127.0.0.1:8470; --lan opens the dashboard to the network", address)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("the dashboard cannot listen on %s: %w; choose another with --listen", address, err)
	}
	return &Door{Local: "http://" + l.Addr().String() + "/", inside: l}, nil
}

// TakeShared takes an address of this machine as [TakeLocal] does, and one over TLS
// for the devices of the network that are paired. Passes, certificate and key are
// kept in the folder; cert and key name files of one's own instead.
func TakeShared(local, network, dir, cert, key string) (*Door, error) {
	hosts, err := access.Hosts()
	if err != nil {
		return nil, err
	}
	guard, err := access.Open(dir)
	if err != nil {
		return nil, err
	}
	var c tls.Certificate
	if cert != "" || key != "" {
		c, err = tls.LoadX509KeyPair(cert, key)
	} else {
		c, err = access.Certificate(dir, hosts, time.Now())
	}
	if err != nil {
		return nil, err
	}
	d, err := TakeLocal(local)
	if err != nil {
		return nil, err
	}
	if d.outside, err = net.Listen("tcp", network); err != nil {
		d.Close()
		return nil, fmt.Errorf("the dashboard cannot listen on %s: %w; choose another with --lan-listen", network, err)
	}
	_, port, _ := net.SplitHostPort(d.outside.Addr().String())
	d.Address = "https://" + net.JoinHostPort(hosts[0], port) + "/"
	d.Guard, d.hosts, d.certificate, d.Fingerprint = guard, hosts, c, access.Fingerprint(c)
	return d, nil
}

// Close gives the addresses back. It may be called twice, and of no door.
func (d *Door) Close() {
	if d == nil {
		return
	}
	_ = d.inside.Close()
	if d.outside != nil {
		_ = d.outside.Close()
	}
}

// Open serves the pages and the metrics at the door until the context ends, which
// closes it.
func (s *Station) Open(ctx context.Context, d *Door) error {
	var devices http.Handler
	if d.Guard != nil {
		devices = d.Guard.Devices(d.Address)
	}
	pages, err := s.pages(devices)
	if err != nil {
		return err
	}
	s.serve(ctx, d.inside, access.Local(pages))
	if d.outside != nil {
		over := &tls.Config{Certificates: []tls.Certificate{d.certificate}, MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}}
		s.serve(ctx, tls.NewListener(d.outside, over), d.Guard.Paired(d.hosts, pages))
	}
	return nil
}
