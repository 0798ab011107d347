package main

import (
	"errors"
	"fmt"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/rehearsal"
	"loomproof/dashboard/station"
	"loomproof/probe"
	"loomproof/probe/layout"
	"loomproof/probe/sources"
	"loomproof/scripts"
)

// named are the flags that name sources.
type named struct {
	Sources string   `type:"path" placeholder:"FILE" help:"Source file: the instruments, their ports and accuracies; loomproof new --sources writes one."`
	Source  []string `sep:"none" placeholder:"LINE" help:"One more source, as a line of a source file: 'meter: {kind: scpi meter, port: /dev/ttyUSB0}'. May be given several times."`
}

// file reads the source file and adds the flags.
func (n named) file() (*sources.File, error) {
	f := &sources.File{}
	if n.Sources != "" {
		var err error
		if f, err = sources.Read(n.Sources); err != nil {
			return nil, err
		}
	}
	for _, line := range n.Source {
		if err := f.Add("--source", line); err != nil {
			return nil, usage{err}
		}
	}
	return f, nil
}

// instruments are the flags that say what is on the bench.
type instruments struct {
	named
	ByHand         string  `placeholder:"NAME" help:"Which source is the meter that is moved from point to point, where several could be."`
	Meter          string  `placeholder:"PORT" help:"Without a source file: meter that speaks SCPI, its port and, behind a comma, its mode: /dev/ttyUSB0,9600-8N1."`
	MeterAccuracy  string  `default:"0.5% + 3 digits" help:"Its accuracy line on DC volts, from its manual: part of reading, digits, part of range."`
	Supply         string  `placeholder:"PORT" help:"Without a source file: programmable supply that speaks SCPI, like --meter."`
	SupplyAccuracy string  `default:"0.5% + 3 digits" help:"The supply's read-back accuracy."`
	Node           string  `placeholder:"PORT" help:"Without a source file: our own board, its pin 0 on the first bus of the design through a divider."`
	NodeDivider    float64 `default:"4" help:"Volts on the bus for each volt at the node's pin."`
	NodeAccuracy   string  `default:"1%" help:"Accuracy of the node with its divider."`
}

// station gathers the sources of the file and of the flags.
func (i instruments) station(d *design.Design) (station.Instruments, error) {
	f, err := i.file()
	if err != nil {
		return station.Instruments{}, err
	}
	for _, short := range []struct{ flag, port, line string }{
		{"meter", i.Meter, fmt.Sprintf("accuracy: {voltage: %q}", i.MeterAccuracy)},
		{"supply", i.Supply, fmt.Sprintf("accuracy: {voltage: %q, current: %q}", i.SupplyAccuracy, i.SupplyAccuracy)},
		{"node", i.Node, fmt.Sprintf("channels: {bus: {scale: %g, accuracy: %q, clipped-to: %q}}", i.NodeDivider, i.NodeAccuracy, d.Buses[0].Name)},
	} {
		if short.port == "" {
			continue
		}
		if err := addShort(f, short.flag, short.port, short.line); err != nil {
			return station.Instruments{}, err
		}
	}
	return station.Instruments{File: f, ByHand: i.ByHand}, nil
}

// addShort adds the source of a short flag, named after it.
func addShort(f *sources.File, flag, port, line string) error {
	kind := map[string]string{"meter": "scpi meter", "supply": "scpi supply", "node": "node"}[flag]
	name, mode, hasMode := strings.Cut(port, ",")
	if hasMode {
		line = fmt.Sprintf("mode: %q, %s", mode, line)
	}
	err := f.Add("--"+flag, fmt.Sprintf("%s: {kind: %s, port: %q, %s}", flag, kind, name, line))
	var errs layout.Errors
	if errors.As(err, &errs) {
		return fmt.Errorf("--%s: %s", flag, errs[0].Text) // where it stands in the line says nothing here
	}
	return err
}

// check tells what is wrong before anything is opened.
func (i instruments) check(procedure string) error {
	name, text, err := scripts.Load(procedure)
	if err != nil {
		return err
	}
	if needs := scripts.Needs(text); len(needs) > 0 && i.Sources == "" && len(i.Source) == 0 && i.Meter == "" && i.Supply == "" && i.Node == "" {
		return fmt.Errorf("no instruments, and %s needs a %s; name them with --sources FILE, or with --meter PORT, --supply PORT, --node PORT", name, strings.Join(needs, " and a "))
	}
	return nil
}

// kit is the instruments for a rehearsal: those named, or a meter and a supply if
// there is none. No port is opened.
func (i instruments) kit(d *design.Design) (k rehearsal.Kit, err error) {
	if i.Sources != "" || len(i.Source) > 0 || i.Meter != "" || i.Supply != "" || i.Node != "" {
		named, err := i.station(d)
		if err != nil {
			return k, err
		}
		return named.Kit(d)
	}
	for _, x := range []struct {
		flag, accuracy string
		to             **rehearsal.Instrument
	}{{"meter", i.MeterAccuracy, &k.Meter}, {"supply", i.SupplyAccuracy, &k.Supply}} {
		a, err := probe.ParseAccuracy(x.accuracy)
		if err != nil {
			return k, usage{fmt.Errorf("--%s-accuracy: %w", x.flag, err)}
		}
		*x.to = rehearsal.Rated(x.flag, a)
	}
	return k, nil
}
