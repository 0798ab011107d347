package push

import (
	"bufio"
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync/atomic"
	"time"
)

// Access says how the server is reached. All may be empty.
type Access struct {
	Token   string // file with a bearer token, read anew for each request
	Headers string // file with more headers, one a line: X-Scope: hangar
	CA      string // file with certificates in PEM to trust, besides the system's
}

// timeout is how long an answer is waited for.
const timeout = 30 * time.Second

// Check says what is wrong with the address of a server that is reached so, before
// anything is opened.
func (a Access) Check(server string) error {
	u, err := url.Parse(server)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return fmt.Errorf("%q is no address to push to; write it like https://metrics.example/api/v1/write", server)
	}
	if u.User != nil {
		return errors.New("a password in the address stands in the list of processes: put it into a file, as a header, with --push-headers")
	}
	if u.Scheme == "http" && (a.Token != "" || a.Headers != "") && !loopback(u.Hostname()) {
		return fmt.Errorf("%s: over http everybody on the way could read the token: use https", server)
	}
	return nil
}

// client makes the client for a server.
func (a Access) client(server string) (*http.Client, *lastStatus, error) {
	if err := a.Check(server); err != nil {
		return nil, nil, err
	}
	tr := http.DefaultTransport.(*http.Transport).Clone()
	if a.CA != "" {
		pool, err := x509.SystemCertPool()
		if err != nil {
			pool = x509.NewCertPool()
		}
		text, err := os.ReadFile(a.CA)
		if err != nil {
			return nil, nil, fmt.Errorf("certificates to trust: %w", err)
		}
		if !pool.AppendCertsFromPEM(text) {
			return nil, nil, fmt.Errorf("%s holds no certificate in PEM form", a.CA)
		}
		tr.TLSClientConfig = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	}
	s := &lastStatus{access: a, next: tr}
	if _, err := a.headers(); err != nil {
		return nil, nil, err
	}
	return &http.Client{
		Transport: s, Timeout: timeout,
		// What is secret goes to the server that was named, and no further.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}, s, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// headers reads the files.
func (a Access) headers() (http.Header, error) {
	h := http.Header{}
	if a.Headers != "" {
		text, err := os.ReadFile(a.Headers)
		if err != nil {
			return nil, fmt.Errorf("headers to push with: %w", err)
		}
		lines := bufio.NewScanner(bytes.NewReader(text))
		for n := 1; lines.Scan(); n++ {
			line := strings.TrimSpace(lines.Text())
			if line == "" || strings.HasPrefix(line, "#") {
				continue
			}
			name, value, ok := strings.Cut(line, ":")
			if !ok || strings.TrimSpace(name) == "" || strings.ContainsAny(strings.TrimSpace(name), " \t") {
				return nil, fmt.Errorf("%s:%d: that is no header; write it like X-Scope: hangar", a.Headers, n)
			}
			h.Add(strings.TrimSpace(name), strings.TrimSpace(value))
		}
	}
	if a.Token != "" {
		text, err := os.ReadFile(a.Token)
		if err != nil {
			return nil, fmt.Errorf("token to push with: %w", err)
		}
		token := strings.TrimSpace(string(text))
		if token == "" || strings.ContainsAny(token, " \t\r\n") {
			return nil, fmt.Errorf("%s is to hold one token and nothing else", a.Token)
		}
		h.Set("Authorization", "Bearer "+token)
	}
	return h, nil
}

// A lastStatus adds the headers, and keeps the status of the last answer: the
// library tells it in words only.
type lastStatus struct {
	access Access
	next   http.RoundTripper
	code   atomic.Int32
}

// RoundTrip sends one request.
func (s *lastStatus) RoundTrip(r *http.Request) (*http.Response, error) {
	s.code.Store(0)
	more, err := s.access.headers()
	if err != nil {
		return nil, err
	}
	r = r.Clone(r.Context())
	for name, values := range more {
		r.Header[name] = values
	}
	answer, err := s.next.RoundTrip(r)
	if err == nil {
		s.code.Store(int32(answer.StatusCode)) //nolint:gosec // three digits
	}
	return answer, err
}

func (s *lastStatus) clear() { s.code.Store(0) }

// refused tells whether the server refuses what was sent, and not the sender: a
// 4xx answer that blames neither address, token nor rate.
func (s *lastStatus) refused() bool {
	switch code := s.code.Load(); code {
	case http.StatusUnauthorized, http.StatusForbidden, http.StatusNotFound, http.StatusProxyAuthRequired, http.StatusRequestTimeout, http.StatusTooManyRequests:
		return false
	default:
		return code/100 == 4
	}
}
