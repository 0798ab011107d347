package port

import (
	"fmt"
	"io/fs"
	"path/filepath"
	"regexp"
	"strings"
)

// A Finder opens one port time and again, wherever its cable is plugged in. Not
// for several goroutines.
type Finder struct {
	name  string
	usb   Info // vendor, product and serial number to look for; empty for a path
	known Info // what was opened last
}

// usbName is how a USB device is named: its ids as lsusb and this package list
// them, and its serial number where it has one.
var usbName = regexp.MustCompile(`^usb ([0-9A-Fa-f]{4}):([0-9A-Fa-f]{4})(?: (\S+))?$`)

// NewFinder takes the name of a port as a person writes it: a path, COM5, or
// "usb 16C0:05DC MH0042": vendor and product id and, where there are several, the
// serial number.
func NewFinder(name string) (*Finder, error) {
	f := &Finder{name: name}
	if strings.HasPrefix(strings.ToLower(name), "usb") {
		m := usbName.FindStringSubmatch("usb" + name[3:])
		if m == nil {
			return nil, fmt.Errorf("port %q: write it like usb 16C0:05DC MH0042: vendor and product id and, if it has one, the serial number; loomproof ports lists them", name)
		}
		f.usb = Info{Vendor: strings.ToUpper(m[1]), Product: strings.ToUpper(m[2]), Serial: m[3]}
	}
	if strings.TrimSpace(name) == "" {
		return nil, fmt.Errorf("the port has no name; loomproof ports lists what is plugged in")
	}
	return f, nil
}

// Name is the port's name as the person wrote it.
func (f *Finder) Name() string { return f.name }

// Open finds the port and opens it. A device that was opened once is found under
// another name as well, if it can be told from all others: by its serial number,
// or as the only one of its ids.
//
// Errors are those of [Open]; a device that is not there wraps fs.ErrNotExist.
func (f *Finder) Open(mode Mode) (Conn, error) {
	path, err := f.find()
	if err != nil {
		return nil, err
	}
	conn, err := Open(path, mode)
	if err != nil {
		return nil, err
	}
	f.known = infoOf(path)
	return conn, nil
}

// find is the port's path now.
func (f *Finder) find() (string, error) {
	wanted := f.usb
	if wanted.Vendor == "" {
		if f.known.Vendor == "" || strings.Contains(filepath.ToSlash(f.name), "/serial/by-path/") {
			return f.name, nil // a socket is meant, whatever is in it
		}
		wanted = f.known
	} else if f.known.Interface != "" {
		wanted.Interface = f.known.Interface
	}
	ports, err := List()
	if err != nil {
		return "", err
	}
	var found []Info
	for _, p := range ports {
		if wanted.is(p) {
			found = append(found, p)
		}
	}
	switch len(found) {
	case 0:
		return "", fmt.Errorf("port %s: %w: %s is not plugged in; %s", f.name, fs.ErrNotExist, wanted.USB(), whatIsThere())
	case 1:
		return found[0].Name, nil
	}
	names := make([]string, len(found))
	for i, p := range found {
		names[i] = p.Name
		if p.Name == f.name {
			return f.name, nil
		}
		if p.Serial != "" && wanted.Serial == "" {
			names[i] += " (" + p.USB() + ")"
		}
	}
	return "", fmt.Errorf("port %s: %d are plugged in that this names: %s; name one by its serial number, or by its path below /dev/serial",
		f.name, len(found), strings.Join(names, ", "))
}

// is tells whether a port is the device that is wanted, as far as that is said.
func (i Info) is(p Info) bool {
	return p.Vendor == i.Vendor && p.Product == i.Product &&
		(i.Serial == "" || p.Serial == i.Serial) && (i.Interface == "" || p.Interface == i.Interface)
}

// USB is the name that [NewFinder] finds the device by; empty where there is none.
func (i Info) USB() string {
	if i.Vendor == "" {
		return ""
	}
	return strings.TrimSpace("usb " + i.Vendor + ":" + i.Product + " " + i.Serial)
}

// infoOf is what is known of the port at a path.
func infoOf(path string) Info {
	ports, err := list()
	if err != nil {
		return Info{}
	}
	for _, p := range ports {
		if p.Name == path || p.Lasting == path || p.Socket == path || sameFile(p.Name, path) {
			return p
		}
	}
	return Info{}
}

func sameFile(a, b string) bool {
	x, errA := filepath.EvalSymlinks(a)
	y, errB := filepath.EvalSymlinks(b)
	return errA == nil && errB == nil && x == y
}
