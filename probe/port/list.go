package port

import (
	"sort"
	"strings"
)

// Info is what is known of a port without opening it.
type Info struct {
	Name    string `json:"name"`              // for [Open]
	Lasting string `json:"lasting,omitempty"` // a name that stays the same when the cable is plugged in elsewhere
	Vendor  string `json:"vendor,omitempty"`  // USB vendor id, four hex digits
	Product string `json:"product,omitempty"` // USB product id, four hex digits
	Serial  string `json:"serial,omitempty"`  // USB serial number
	Text    string `json:"text,omitempty"`    // what the device calls itself
	Problem string `json:"problem,omitempty"` // why it can't be opened now, as far as can be known
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
// USB ids are known on Linux and Windows. Problem is known on unix; who holds
// a port is known on Linux, as far as this user may see.
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
