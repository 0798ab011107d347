package main

import (
	"bufio"
	"context"
	"crypto/tls"
	"io"
	"net/http"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The demo with --lan shows its pages on this machine, and to the network only
// the page that pairs.
func TestDemoForAPhone(t *testing.T) {
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	t.Setenv("HOME", t.TempDir())
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	read, write := io.Pipe()
	ended := make(chan error, 1)
	go func() {
		err := demoCommand{
			Procedure: "locator", Bench: "all", Fault: "none", Seed: 1, Listen: "127.0.0.1:0",
			lan: lan{LAN: true, LANListen: ":0"},
		}.Run(&world{ctx: ctx, in: nothing{}, out: write, err: io.Discard})
		write.Close()
		ended <- err
	}()
	found := map[string]string{}
	lines := bufio.NewScanner(read)
	for len(found) < 3 && lines.Scan() {
		for _, name := range []string{"Dashboard", "network", "may answer, for ten minutes"} {
			if m := regexp.MustCompile(name + `: (\S+)$`).FindStringSubmatch(lines.Text()); m != nil {
				found[name] = m[1]
			}
		}
	}
	go func() { _, _ = io.Copy(io.Discard, read) }()
	require.Len(t, found, 3, "both addresses and a code are told")

	client := http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}} //nolint:gosec // a person compares the fingerprint
	for address, says := range map[string]string{found["Dashboard"]: `data-right="answer"`, found["network"]: "Pair this device"} {
		r, err := client.Get(address)
		require.NoError(t, err)
		page, err := io.ReadAll(r.Body)
		r.Body.Close()
		require.NoError(t, err)
		assert.Contains(t, string(page), says, address)
	}
	client.CloseIdleConnections()
	stop()
	assert.Error(t, <-ended)
}

// nothing is a keyboard that nobody is at.
type nothing struct{}

func (nothing) Read([]byte) (int, error) { return 0, io.EOF }
