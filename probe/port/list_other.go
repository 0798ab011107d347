//go:build !linux && !windows

package port

import (
	"fmt"

	"go.bug.st/serial"
)

// list has names only: USB ids need cgo on macOS, and are not there elsewhere.
func list() ([]Info, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("list of serial ports: %w", err)
	}
	ports := make([]Info, len(names))
	for i, name := range names {
		ports[i] = Info{Name: name}
	}
	return ports, nil
}

func holders(string) []string { return nil }
