package port

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// list reads the kernel's own list. The serial library's list opens and sets
// every built-in port to see whether it is real, which as root changes the
// speed of one in use.
func list() ([]Info, error) { return scan("/sys/class/tty", "/dev") }

func scan(sys, dev string) ([]Info, error) {
	entries, err := os.ReadDir(sys)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("list of serial ports: %w", err)
	}
	lasting := lastingNames(filepath.Join(dev, "serial", "by-id"))
	var ports []Info
	for _, e := range entries {
		class := filepath.Join(sys, e.Name())
		device, err := filepath.EvalSymlinks(filepath.Join(class, "device"))
		if err != nil || attribute(class, "type") == "0" {
			continue // no hardware: a console, or a place kept for a chip that is not there
		}
		node := filepath.Join(dev, e.Name())
		if _, err := os.Stat(node); err != nil {
			continue
		}
		info := Info{Name: node, Lasting: lasting[node]}
		info.readUSB(device)
		ports = append(ports, info)
	}
	return ports, nil
}

// readUSB looks upwards from the port's device for the USB device it is part of.
func (i *Info) readUSB(device string) {
	for range 4 {
		if vendor := attribute(device, "idVendor"); vendor != "" {
			i.Vendor = strings.ToUpper(vendor)
			i.Product = strings.ToUpper(attribute(device, "idProduct"))
			i.Serial = attribute(device, "serial")
			i.Text = strings.TrimSpace(attribute(device, "manufacturer") + " " + attribute(device, "product"))
			return
		}
		device = filepath.Dir(device)
	}
}

func attribute(dir, name string) string {
	text, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(text))
}

// lastingNames maps nodes to the links that udev names after the device.
func lastingNames(dir string) map[string]string {
	names := map[string]string{}
	links, err := os.ReadDir(dir)
	if err != nil {
		return names // no udev, no such names
	}
	for _, l := range links {
		link := filepath.Join(dir, l.Name())
		if node, err := filepath.EvalSymlinks(link); err == nil {
			names[node] = link
		}
	}
	return names
}

// holders lists the programs that have the port open, as far as this user may see.
func holders(name string) []string {
	node, err := filepath.EvalSymlinks(name)
	if err != nil {
		return nil
	}
	files, err := filepath.Glob("/proc/[0-9]*/fd/*")
	if err != nil {
		return nil
	}
	var who []string
	last := ""
	for _, f := range files {
		process := filepath.Dir(filepath.Dir(f))
		if process == last {
			continue
		}
		if target, err := os.Readlink(f); err != nil || target != node {
			continue
		}
		last = process
		who = append(who, nameOfProcess(process))
	}
	return who
}

func nameOfProcess(dir string) string {
	pid := filepath.Base(dir)
	if pid == strconv.Itoa(os.Getpid()) {
		return "this program"
	}
	if name := attribute(dir, "comm"); name != "" {
		return fmt.Sprintf("%s (process %s)", name, pid)
	}
	return "process " + pid
}
