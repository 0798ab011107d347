package main

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe/bench"
)

// On a terminal the digits are large, the space bar marks, q ends, and the
// terminal is put back with what was seen left on it.
func TestWatchOnATerminal(t *testing.T) {
	dir := t.TempDir()
	hub, err := bench.NewHub(dir)
	require.NoError(t, err)
	cable, err := bench.NewCable()
	require.NoError(t, err)
	defer cable.Close()
	meter := bench.NewMeter(func() (float64, bool) { return 13.75, true }, bench.MeterOptions{})
	go meter.Serve(cable.Device())
	require.NoError(t, hub.Plug("ttyUSB0", bench.Adapter{Vendor: "16c0", Product: "05dc", Serial: "MH0042"}, cable))

	cmd := exec.Command(os.Args[0], "watch", "--source", "bench meter: {kind: scpi meter, port: usb 16C0:05DC}")
	cmd.Env = append(os.Environ(), asProgram+"=1", testsTree+"="+dir, "NO_COLOR=1", "TERM=xterm")
	cmd.Dir = filepath.Clean(dir)
	terminal, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 24, Cols: 80})
	require.NoError(t, err)
	defer terminal.Close()
	seen := until(t, terminal, "readings/s")
	assert.Contains(t, seen, "██  ██") // of the digits
	assert.NotContains(t, seen, "\x1b[1;31m")
	_, err = terminal.WriteString(" ")
	require.NoError(t, err)
	until(t, terminal, "mark 1")
	_, err = terminal.WriteString("q")
	require.NoError(t, err)
	rest, _ := io.ReadAll(terminal) // ends with an error of a terminal that is gone
	require.NoError(t, cmd.Wait())
	_, left, _ := strings.Cut(string(rest), "\x1b[?1049l")
	assert.Contains(t, left, "bench meter  voltage: last 13.7500 V, least 13.7500")
	assert.Contains(t, left, "mark 1")
}

// until reads a terminal until a text has come.
func until(t *testing.T, terminal io.Reader, text string) string {
	t.Helper()
	var seen strings.Builder
	chunk := make([]byte, 4096)
	for !strings.Contains(seen.String(), text) {
		n, err := terminal.Read(chunk)
		require.NoError(t, err, "%q was not seen in %q", text, seen.String())
		seen.Write(chunk[:n])
	}
	return seen.String()
}
