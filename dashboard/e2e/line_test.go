package e2e

import (
	"io"
	"net"
	"net/url"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// A line stands between the browser and the program, and can be cut.
type line struct {
	url      string
	listener net.Listener
	program  string // host and port

	mu    sync.Mutex
	cut   bool
	open  map[net.Conn]bool
	ended sync.WaitGroup
}

func newLine(t *testing.T, address string) *line {
	t.Helper()
	u, err := url.Parse(address)
	require.NoError(t, err)
	l := &line{program: u.Host, open: map[net.Conn]bool{}}
	l.listener, err = net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	l.url = "http://" + l.listener.Addr().String() + "/"
	l.ended.Go(l.accept)
	t.Cleanup(func() {
		l.listener.Close()
		l.set(true)
		l.ended.Wait()
	})
	return l
}

func (l *line) accept() {
	for {
		near, err := l.listener.Accept()
		if err != nil {
			return
		}
		far, err := net.Dial("tcp", l.program)
		if err != nil {
			near.Close()
			continue
		}
		if !l.keep(near, far) {
			continue
		}
		for _, way := range [][2]net.Conn{{near, far}, {far, near}} {
			l.ended.Go(func() {
				_, _ = io.Copy(way[0], way[1])
				near.Close()
				far.Close()
			})
		}
	}
}

// keep remembers both ends, so that a cut finds them; false while cut.
func (l *line) keep(ends ...net.Conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, e := range ends {
		if l.cut {
			e.Close()
			continue
		}
		l.open[e] = true
	}
	return !l.cut
}

// set cuts the line, every connection on it at once, or mends it.
func (l *line) set(cut bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cut = cut
	if cut {
		for e := range l.open {
			e.Close()
		}
		clear(l.open)
	}
}
