package port

import (
	"sort"
	"strings"
)

// Info is what is known of a port without opening it.
type Info struct {
	Name      string `json:"name"`                // for [Open]
	Lasting   string `json:"lasting,omitempty"`   // a name that stays the same when the cable is plugged in elsewhere
	Socket    string `json:"socket,omitempty"`    // a name that stays with the socket, whatever is plugged in
	Vendor    string `json:"vendor,omitempty"`    // USB vendor id, four hex digits
	Product   string `json:"product,omitempty"`   // USB product id, four hex digits
	Serial    string `json:"serial,omitempty"`    // USB serial number
	Interface string `json:"interface,omitempty"` // which of the ports of one USB device
	Text      string `json:"text,omitempty"`      // what the device calls itself
	Driver    string `json:"driver,omitempty"`    // the kernel's driver for it
	Problem   string `json:"problem,omitempty"`   // why it can't be opened now, as far as can be known
}

// A Tree is where the system keeps what it knows of its ports. Only Linux has one.
type Tree struct{ Sys, Dev, Proc string }

var tree = Tree{Sys: "/sys/class/tty", Dev: "/dev", Proc: "/proc"}

// UseTree looks for ports in another tree, for tests: pseudo-terminals can then
// stand for USB adapters that are plugged in and pulled. It returns the way back.
// Nothing else may use this package meanwhile.
func UseTree(t Tree) (back func()) {
	was := tree
	tree = t
	return func() { tree = was }
}

func (i Info) String() string {
	s := i.Name
	if i.Text != "" {
		s += " (" + i.Text + ")"
	}
	return s
}

// List says which serial ports there are, in the order of their names. It
// opens none: opening resets some boards, and would disturb a port in use.
//
// USB ids are known on Linux and Windows, Socket and Driver on Linux. Problem is
// known on unix; who holds a port is known on Linux, as far as this user may see.
func List() ([]Info, error) {
	ports, err := list()
	if err != nil {
		return nil, err
	}
	for i := range ports {
		ports[i].Problem = problem(ports[i].Name)
	}
	sort.Slice(ports, func(i, j int) bool { return lessNatural(ports[i].Name, ports[j].Name) })
	return ports, nil
}

// lessNatural puts COM9 before COM10.
func lessNatural(a, b string) bool {
	stemA, stemB := strings.TrimRight(a, "0123456789"), strings.TrimRight(b, "0123456789")
	if stemA != stemB || len(a) == len(b) {
		return a < b
	}
	return len(a) < len(b)
}
