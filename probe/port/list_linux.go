package port

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// list reads the kernel's own list. The serial library's list opens and sets
// every built-in port to see whether it is real, which as root changes the
// speed of one in use.
func list() ([]Info, error) { return scan(tree.Sys, tree.Dev) }

func scan(sys, dev string) ([]Info, error) {
	entries, err := os.ReadDir(sys)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("list of serial ports: %w", err)
	}
	lasting, sockets := linksTo(filepath.Join(dev, "serial", "by-id")), linksTo(filepath.Join(dev, "serial", "by-path"))
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
		info := Info{Name: node, Lasting: lasting[node], Socket: sockets[node], Driver: driver(device)}
		info.readUSB(device)
		ports = append(ports, info)
	}
	return ports, nil
}

// readUSB looks upwards from the port's device for the USB device it is part of.
func (i *Info) readUSB(device string) {
	for range 4 {
		if i.Interface == "" {
			i.Interface = attribute(device, "bInterfaceNumber")
		}
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

// driver is the name of the kernel's driver for a device.
func driver(device string) string {
	target, err := os.Readlink(filepath.Join(device, "driver"))
	if err != nil {
		return ""
	}
	return filepath.Base(target)
}

// linksTo maps nodes to the links in a folder that udev made to them.
func linksTo(dir string) map[string]string {
	names := map[string]string{}
	links, err := os.ReadDir(dir)
	if err != nil {
		return names // no udev, no such names
	}
	for _, l := range links {
		link := filepath.Join(dir, l.Name())
		if target, err := os.Readlink(link); err == nil {
			if !filepath.IsAbs(target) {
				target = filepath.Join(dir, target)
			}
			names[target] = link
		}
	}
	return names
}
