package port_test

import (
	"io/fs"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe/bench"
	"loomproof/probe/port"
)

var lead = bench.Adapter{Vendor: "16c0", Product: "05dc", Serial: "MH0042", Maker: "Reedbed", Text: "Serial lead", Driver: "ftdi_sio"}

func hub(t *testing.T) *bench.Hub {
	t.Helper()
	h, err := bench.NewHub(t.TempDir())
	require.NoError(t, err)
	t.Cleanup(port.UseTree(h.Tree()))
	return h
}

func cable(t *testing.T) *bench.Cable {
	t.Helper()
	c, err := bench.NewCable()
	require.NoError(t, err)
	t.Cleanup(func() { c.Close() })
	return c
}

func TestListSaysWhatTheSystemKnows(t *testing.T) {
	h := hub(t)
	require.NoError(t, h.Plug("ttyUSB0", lead, cable(t)))
	ports, err := port.List()
	require.NoError(t, err)
	require.Len(t, ports, 1)
	assert.Equal(t, port.Info{
		Name: h.Path("ttyUSB0"), Lasting: h.Path("serial/by-id/usb-Reedbed_Serial_lead_MH0042-if00"),
		Socket: h.Path("serial/by-path/platform-usb-1-1:1.0"),
		Vendor: "16C0", Product: "05DC", Serial: "MH0042", Interface: "00", Text: "Reedbed Serial lead", Driver: "ftdi_sio",
	}, ports[0])
	assert.Equal(t, "usb 16C0:05DC MH0042", ports[0].USB())

	require.NoError(t, h.Hold("ttyUSB0", 4242, "logger"))
	ports, err = port.List()
	require.NoError(t, err)
	assert.Equal(t, "busy: logger (process 4242) holds it", ports[0].Problem)
}

// A lead is found again however it was named, under whatever node it comes back.
func TestFoundAgain(t *testing.T) {
	for how, name := range map[string]func(h *bench.Hub) string{
		"by its path":          func(h *bench.Hub) string { return h.Path("ttyUSB0") },
		"by its ids":           func(*bench.Hub) string { return "usb 16c0:05DC" },
		"by its serial number": func(*bench.Hub) string { return "USB 16C0:05dc MH0042" },
		"by its lasting name":  func(h *bench.Hub) string { return h.Path("serial/by-id/usb-Reedbed_Serial_lead_MH0042-if00") },
		"by its socket":        func(h *bench.Hub) string { return h.Path("serial/by-path/platform-usb-1-1:1.0") },
	} {
		t.Run(how, func(t *testing.T) {
			h, first := hub(t), cable(t)
			require.NoError(t, h.Plug("ttyUSB0", lead, first))
			f, err := port.NewFinder(name(h))
			require.NoError(t, err)
			conn, err := f.Open(port.Mode{})
			require.NoError(t, err)
			conn.Close()

			require.NoError(t, h.Pull("ttyUSB0", first))
			_, err = f.Open(port.Mode{})
			assert.ErrorIs(t, err, fs.ErrNotExist)

			require.NoError(t, h.Plug("ttyUSB1", lead, cable(t)))
			conn, err = f.Open(port.Mode{})
			require.NoError(t, err)
			conn.Close()
		})
	}
}

// Another lead under the old node is not taken for the one that was pulled.
func TestAnotherLeadIsNotTaken(t *testing.T) {
	h, first := hub(t), cable(t)
	require.NoError(t, h.Plug("ttyUSB0", lead, first))
	f, err := port.NewFinder(h.Path("ttyUSB0"))
	require.NoError(t, err)
	conn, err := f.Open(port.Mode{})
	require.NoError(t, err)
	conn.Close()
	require.NoError(t, h.Pull("ttyUSB0", first))
	other := lead
	other.Serial = "MH0043"
	require.NoError(t, h.Plug("ttyUSB0", other, cable(t)))
	_, err = f.Open(port.Mode{})
	assert.ErrorIs(t, err, fs.ErrNotExist)
	assert.ErrorContains(t, err, "usb 16C0:05DC MH0042 is not plugged in")
}

func TestTwoAlikeAreToldApart(t *testing.T) {
	h := hub(t)
	second := lead
	second.Serial, second.Socket = "MH0043", "1-2"
	require.NoError(t, h.Plug("ttyUSB0", lead, cable(t)))
	require.NoError(t, h.Plug("ttyUSB1", second, cable(t)))
	f, err := port.NewFinder("usb 16C0:05DC")
	require.NoError(t, err)
	_, err = f.Open(port.Mode{})
	assert.ErrorContains(t, err, "2 are plugged in that this names")
	assert.ErrorContains(t, err, "(usb 16C0:05DC MH0043)")
	f, err = port.NewFinder("usb 16C0:05DC MH0043")
	require.NoError(t, err)
	conn, err := f.Open(port.Mode{})
	require.NoError(t, err)
	conn.Close()
}

func TestNamesThatAreNone(t *testing.T) {
	for _, name := range []string{"usb", "usb 16C0", "usb 16C0:05D", "usb 16C0:05DC A B", "usb16C0:05DC", " "} {
		_, err := port.NewFinder(name)
		assert.ErrorContains(t, err, "loomproof ports lists", name)
	}
}
