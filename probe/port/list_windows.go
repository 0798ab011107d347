package port

import (
	"fmt"

	"go.bug.st/serial/enumerator"
)

func list() ([]Info, error) {
	details, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, fmt.Errorf("list of serial ports: %w", err)
	}
	ports := make([]Info, len(details))
	for i, d := range details {
		ports[i] = Info{Name: d.Name, Vendor: d.VID, Product: d.PID, Serial: d.SerialNumber, Text: d.Product}
	}
	return ports, nil
}
