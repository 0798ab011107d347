package port

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A copy of the shape of the kernel's tree: a USB adapter (its tty hangs two
// levels below the USB device), a board (one level), a built-in port, a place
// kept for a built-in port, a console, and one whose node is missing.
func TestScan(t *testing.T) {
	root := t.TempDir()
	sys, dev := filepath.Join(root, "class"), filepath.Join(root, "dev")
	write := func(path, text string) {
		path = filepath.Join(root, path)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
	}
	link := func(to, from string) {
		from = filepath.Join(root, from)
		require.NoError(t, os.MkdirAll(filepath.Dir(from), 0o755))
		require.NoError(t, os.Symlink(filepath.Join(root, to), from))
	}
	for _, name := range []string{"ttyUSB0", "ttyACM10", "ttyACM9", "ttyS0", "ttyS1", "tty1"} {
		write("dev/"+name, "")
	}
	write("bus/1-1/idVendor", "16c0\n")
	write("bus/1-1/idProduct", "05dc\n")
	write("bus/1-1/serial", "MH0042\n")
	write("bus/1-1/manufacturer", "Reedbed\n")
	write("bus/1-1/product", "Serial lead\n")
	write("bus/1-1/1-1:1.0/ttyUSB0/port_number", "0\n")
	write("bus/1-2/idVendor", "16c0\n")
	write("bus/1-2/1-2:1.0/x", "")
	write("bus/serial8250/x", "")
	link("bus/1-1/1-1:1.0/ttyUSB0", "class/ttyUSB0/device")
	link("bus/1-2/1-2:1.0", "class/ttyACM9/device")
	link("bus/1-2/1-2:1.0", "class/ttyACM10/device")
	link("bus/1-2/1-2:1.0", "class/ttyACM7/device") // no node
	link("bus/serial8250", "class/ttyS0/device")
	write("class/ttyS0/type", "4\n")
	link("bus/serial8250", "class/ttyS1/device")
	write("class/ttyS1/type", "0\n")
	write("class/tty1/dev", "4:1\n")
	link("dev/ttyUSB0", "dev/serial/by-id/usb-Reedbed_Serial_lead_MH0042-if00")

	ports, err := scan(sys, dev)
	require.NoError(t, err)
	byName := map[string]Info{}
	for _, p := range ports {
		byName[filepath.Base(p.Name)] = p
	}
	assert.Len(t, byName, 4)
	assert.Equal(t, Info{
		Name:    filepath.Join(dev, "ttyUSB0"),
		Lasting: filepath.Join(dev, "serial/by-id/usb-Reedbed_Serial_lead_MH0042-if00"),
		Vendor:  "16C0", Product: "05DC", Serial: "MH0042", Text: "Reedbed Serial lead",
	}, byName["ttyUSB0"])
	assert.Equal(t, "16C0", byName["ttyACM9"].Vendor)
	assert.Contains(t, byName, "ttyS0")

	none, err := scan(filepath.Join(root, "none"), dev)
	assert.NoError(t, err)
	assert.Empty(t, none)
}

func TestPortsSortAsPeopleCount(t *testing.T) {
	assert.True(t, lessNatural("COM9", "COM10"))
	assert.False(t, lessNatural("COM10", "COM9"))
	assert.True(t, lessNatural("/dev/ttyACM10", "/dev/ttyUSB1"))
}

// The kernel's list of locks names a program of another user, whose open files
// this user may not see.
func TestWhoHoldsALock(t *testing.T) {
	root := t.TempDir()
	node := filepath.Join(root, "ttyX")
	require.NoError(t, os.WriteFile(node, nil, 0o600))
	lock, err := lockNode(node)
	require.NoError(t, err)
	defer lock.Close()
	assert.Equal(t, []string{"this program"}, holders(node))

	real, err := os.ReadFile("/proc/locks")
	require.NoError(t, err)
	pid := strconv.Itoa(os.Getpid())
	require.NoError(t, os.MkdirAll(filepath.Join(root, "proc", "4242"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(root, "proc", "4242", "comm"), []byte("logger\n"), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(root, "proc", "locks"), []byte(strings.ReplaceAll(string(real), " "+pid+" ", " 4242 ")), 0o644))
	defer UseTree(Tree{Proc: filepath.Join(root, "proc")})()
	assert.Equal(t, []string{"logger (process 4242)"}, holders(node))
	assert.Equal(t, "busy: logger (process 4242) holds it", problem(node))
}
