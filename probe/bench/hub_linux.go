package bench

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"loomproof/probe/port"
)

// A Hub stands for the USB sockets of a computer, for tests: it keeps a folder
// that looks like what the kernel and udev show of plugged-in adapters, so that
// package port finds emulated instruments by their USB ids, as it finds real ones.
//
//	hub, err := bench.NewHub(t.TempDir())
//	defer port.UseTree(hub.Tree())()
//	err = hub.Plug("ttyUSB0", bench.Adapter{Vendor: "16c0", Product: "05dc", Serial: "MH0042"}, cable)
type Hub struct{ dir string }

// An Adapter is a USB adapter as it describes itself.
type Adapter struct {
	Vendor, Product, Serial, Maker, Text, Driver string
	Socket                                       string // which socket of the computer: "1-2"
}

// NewHub makes a hub with nothing plugged in; dir is an empty folder.
func NewHub(dir string) (*Hub, error) {
	for _, sub := range []string{"sys", "dev/serial/by-id", "dev/serial/by-path", "devices", "drivers"} {
		if err := os.MkdirAll(filepath.Join(dir, sub), 0o755); err != nil {
			return nil, fmt.Errorf("hub: %w", err)
		}
	}
	return &Hub{dir}, nil
}

// Tree is where the hub is to be looked at.
func (h *Hub) Tree() port.Tree {
	return port.Tree{Sys: filepath.Join(h.dir, "sys"), Dev: filepath.Join(h.dir, "dev"), Proc: filepath.Join(h.dir, "proc")}
}

// Hold makes a program hold the port of a node. Without it nobody seems to: that
// the emulation itself has the pseudo-terminal open does not show.
func (h *Hub) Hold(node string, process int, program string) error {
	target, err := filepath.EvalSymlinks(h.Path(node))
	if err != nil {
		return fmt.Errorf("hub: %w", err)
	}
	folder := filepath.Join(h.dir, "proc", fmt.Sprint(process))
	if err := os.MkdirAll(filepath.Join(folder, "fd"), 0o755); err != nil {
		return fmt.Errorf("hub: %w", err)
	}
	if err := os.WriteFile(filepath.Join(folder, "comm"), []byte(program+"\n"), 0o644); err != nil {
		return fmt.Errorf("hub: %w", err)
	}
	return os.Symlink(target, filepath.Join(folder, "fd", "3"))
}

// Path is what the port of a node is called.
func (h *Hub) Path(node string) string { return filepath.Join(h.dir, "dev", node) }

// Plug plugs an adapter in, with a cable to an instrument behind it, as the node
// that the kernel happens to give it: ttyUSB0.
func (h *Hub) Plug(node string, a Adapter, cable *Cable) error {
	if a.Socket == "" {
		a.Socket = "1-1"
	}
	device := filepath.Join(h.dir, "devices", a.Socket)
	face := filepath.Join(device, a.Socket+":1.0")
	tty := filepath.Join(face, node)
	steps := []error{
		os.RemoveAll(device), os.MkdirAll(tty, 0o755), os.MkdirAll(filepath.Join(h.dir, "sys", node), 0o755),
		os.WriteFile(filepath.Join(face, "bInterfaceNumber"), []byte("00\n"), 0o644),
	}
	for name, text := range map[string]string{"idVendor": a.Vendor, "idProduct": a.Product, "serial": a.Serial, "manufacturer": a.Maker, "product": a.Text} {
		if text != "" {
			steps = append(steps, os.WriteFile(filepath.Join(device, name), []byte(text+"\n"), 0o644))
		}
	}
	if a.Driver != "" {
		steps = append(steps, os.Symlink(filepath.Join(h.dir, "drivers", a.Driver), filepath.Join(tty, "driver")))
	}
	steps = append(steps, os.Symlink(tty, filepath.Join(h.dir, "sys", node, "device")))
	link := func(folder, name string) {
		path := filepath.Join(h.dir, "dev", "serial", folder, name)
		os.Remove(path)
		steps = append(steps, os.Symlink("../../"+node, path))
	}
	if a.Serial != "" {
		link("by-id", strings.ReplaceAll(fmt.Sprintf("usb-%s_%s_%s-if00", a.Maker, a.Text, a.Serial), " ", "_"))
	}
	link("by-path", "platform-usb-"+a.Socket+":1.0")
	steps = append(steps, os.Symlink(cable.Name(), h.Path(node))) // the node comes last, as udev makes it
	for _, err := range steps {
		if err != nil {
			return fmt.Errorf("hub: plugging in %s: %w", node, err)
		}
	}
	return nil
}

// Pull pulls the adapter of a node; the cable behind it is gone.
func (h *Hub) Pull(node string, cable *Cable) error {
	cable.Unplug()
	for _, path := range []string{h.Path(node), filepath.Join(h.dir, "sys", node)} {
		if err := os.RemoveAll(path); err != nil {
			return fmt.Errorf("hub: pulling %s: %w", node, err)
		}
	}
	return nil
}
