package sources

import (
	"fmt"
	"strings"

	"loomproof/probe/layout"
	"loomproof/probe/lcdframe"
	"loomproof/probe/node"
	"loomproof/probe/port"
)

// A Kind is one kind of source.
type Kind struct {
	Name   string    // as the file has it
	About  string    // what it is, in a line
	Mode   port.Mode // how its line is usually set
	NoPort bool      // it has no port: a person types

	fresh func() entry
}

// kinds are all there are; see the package comment for how to add one.
var kinds = []Kind{
	{Name: "scpi meter", About: "bench meter that speaks SCPI (IEEE 488.2) over a serial line", Mode: port.Mode{Baud: 9600}, fresh: func() entry { return &scpiMeter{} }},
	{Name: "scpi supply", About: "programmable supply that speaks SCPI", Mode: port.Mode{Baud: 9600}, fresh: func() entry { return &scpiSupply{} }},
	{Name: "node", About: "our own board: eight inputs, a cut-out", Mode: node.Line, fresh: func() entry { return &nodeBoard{} }},
	{Name: "handheld meter", About: "handheld meter that sends its display: frames of 14 bytes at 2400 baud", Mode: lcdframe.Line, fresh: func() entry { return &handheld{} }},
	{Name: "modbus meter", About: "panel or shunt meter on Modbus RTU, described by a map file", Mode: modbusMode, fresh: func() entry { return &modbusMeter{} }},
	{Name: "keyboard", About: "meter without a lead: a person types what it shows", NoPort: true, fresh: func() entry { return &typedMeter{} }},
}

// Kinds lists the kinds of source.
func Kinds() []Kind { return append([]Kind(nil), kinds...) }

// KindNamed finds a kind by its name in the file.
func KindNamed(name string) (Kind, error) {
	names := make([]string, len(kinds))
	for i, k := range kinds {
		if k.Name == name {
			return k, nil
		}
		names[i] = k.Name
	}
	return Kind{}, fmt.Errorf("there is no kind %q%s; the kinds are: %s", name, layout.DidYouMean(layout.Nearest(name, names)), strings.Join(names, ", "))
}
