package main

import (
	"bytes"
	"net"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/scripts"
)

// An address that somebody else has, and what else is found wrong before there is
// anything to write, leaves no empty logbook behind and no port open.
func TestATakenAddressLeavesNoLogbook(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", filepath.Join(dir, "config"))
	t.Setenv("HOME", dir)
	text, _ := scripts.Design("marsh-hen")
	hen, book := filepath.Join(dir, "marsh-hen.yaml"), filepath.Join(dir, "logbook.db")
	require.NoError(t, os.WriteFile(hen, text, 0o600))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	taken := l.Addr().String()
	for _, c := range []struct {
		arguments []string
		code      int
		says      string
	}{
		{[]string{"serve", hen, "--procedure", "locator", "--listen", taken}, 3, "choose another with --listen"},
		{[]string{"serve", hen, "--procedure", "locator", "--listen", "127.0.0.1:0", "--lan", "--lan-listen", taken}, 3, "choose another with --lan-listen"},
		{[]string{"serve", hen, "--procedure", "locator", "--listen", "127.0.0.1:0", "--lan", "--lan-listen", "127.0.0.1:0", "--tls-cert", "no.pem", "--tls-key", "no.pem"}, 3, "no.pem"},
		{[]string{"serve", hen, "--procedure", "locator", "--listen", "192.0.2.7:8470"}, 3, "--lan opens the dashboard to the network"},
		{[]string{"serve", hen, "--procedure", "locator", "--listen", "127.0.0.1:0", "--push", "http://192.0.2.7/write", "--push-every", "0s"}, 64, "--push-every"},
		{[]string{"perform", "locator", hen, "--listen", taken}, 3, "choose another with --listen"},
		{[]string{"demo", "--listen", taken}, 3, "choose another with --listen"},
	} {
		var out, errOut bytes.Buffer
		code := run(append(c.arguments, "--logbook", book), nothing{}, &out, &errOut)
		assert.Equal(t, c.code, code, "%v: %s", c.arguments, &errOut)
		assert.Contains(t, errOut.String(), c.says, c.arguments)
		assert.NotContains(t, out.String(), "Dashboard", "nothing is announced that is not there")
		left, err := filepath.Glob(book + "*")
		require.NoError(t, err)
		assert.Empty(t, left, c.arguments)
	}
}
