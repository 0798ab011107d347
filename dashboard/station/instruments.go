package station

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"loomproof/checks/design"
	"loomproof/checks/procedure"
	"loomproof/checks/rehearsal"
	"loomproof/probe"
	"loomproof/probe/sources"
)

// Instruments are the sources that a person has named, and which of them is moved
// by hand.
type Instruments struct {
	File   *sources.File
	ByHand string // name of a source; may be empty where only one could be it
}

// Opened are the instruments on the bench.
type Opened struct {
	Bench    *procedure.Bench
	Sources  []*sources.Source
	Warnings []string // of calibrations that are due, or cannot be used
}

// Close gives all instruments up.
func (o *Opened) Close() {
	for _, s := range o.Sources {
		_ = s.Close()
	}
}

// Open opens all sources and finds what each is on the bench: a supply feeds, a
// node is clipped to a bus of the design, a meter is moved by hand.
func (i Instruments) Open(ctx context.Context, d *design.Design) (*Opened, error) {
	all, err := i.File.Sources()
	if err != nil {
		return nil, err
	}
	o := &Opened{Bench: &procedure.Bench{}}
	for _, s := range all {
		o.Sources = append(o.Sources, sources.Of(s))
	}
	if err := o.place(all, i.ByHand, d); err != nil {
		return nil, err
	}
	for _, s := range o.Sources {
		if err := s.Open(ctx); err != nil {
			o.Close()
			return nil, err
		}
	}
	o.warn(all)
	return o, nil
}

// place gives each source its part.
func (o *Opened) place(all []probe.Source, byHand string, d *design.Design) error {
	var meters []string
	for _, s := range all {
		kept := sources.Of(s)
		switch s := s.(type) {
		case sources.Supply:
			if o.Bench.Supply != nil {
				return fmt.Errorf("%s and %s are both supplies; a procedure uses one: leave the other out", o.Bench.Supply.Identity().Name, kept.Name())
			}
			if err := needAccuracy(kept, "voltage", "current"); err != nil {
				return err
			}
			o.Bench.Supply = s
		case sources.Node:
			if err := o.clip(s, d); err != nil {
				return err
			}
		default:
			if byHand == "" || byHand == kept.Name() {
				meters = append(meters, kept.Name())
				o.Bench.Meter = s
			}
		}
	}
	switch {
	case len(meters) > 1:
		return fmt.Errorf("any of %s could be the meter that is moved by hand; say which with --by-hand", strings.Join(meters, ", "))
	case len(meters) == 0 && byHand != "":
		return fmt.Errorf("--by-hand %q: no meter of that name is among the sources", byHand)
	case len(meters) == 1:
		kept := sources.Of(o.Bench.Meter)
		if !slices.ContainsFunc(kept.Listed(), func(c probe.Channel) bool { return c.Name == string(probe.Voltage) }) {
			return fmt.Errorf("source %q is the meter that is moved by hand and has nothing named voltage; a worksheet reads it by the names voltage, resistance and current: name its scales or channels so", kept.Name())
		}
		for _, c := range kept.Listed() {
			if q := probe.Quantity(c.Name); q.Unit() != "" && q != c.Quantity {
				return fmt.Errorf("source %q: its channel named %s gives %s, and a worksheet reads it by its name; give it another name, or quantity: %s", kept.Name(), c.Name, c.Quantity, c.Name)
			}
		}
		if kept.HasAccuracy("current") {
			o.Bench.MeterAmperes = procedure.SeriesAmperes
		}
		return needAccuracy(kept, "voltage")
	}
	return nil
}

// needAccuracy refuses a source whose readings could not be judged.
func needAccuracy(s *sources.Source, channels ...string) error {
	for _, c := range channels {
		if !s.HasAccuracy(c) {
			return fmt.Errorf("source %q: its accuracy on %s is not stated, so that no verdict can rest on it; add it from its manual, as accuracy: {%s: 0.05 %% + 3 digits}", s.Name(), c, c)
		}
	}
	return nil
}

// clip finds which bus a node reads.
func (o *Opened) clip(n sources.Node, d *design.Design) error {
	if o.Bench.Node != nil {
		return fmt.Errorf("%s and %s are both nodes; a procedure uses one: leave the other out", o.Bench.Node.Identity().Name, n.Name())
	}
	buses := make([]string, len(d.Buses))
	for i, b := range d.Buses {
		buses[i] = b.Name
	}
	clipped := n.Clipped()
	for channel, terminal := range clipped {
		if d.Terminal(terminal) == nil {
			return fmt.Errorf("source %q: channel %q is clipped to %q, which is no terminal of the design; its buses are: %s", n.Name(), channel, terminal, strings.Join(buses, ", "))
		}
		if slices.Contains(buses, terminal) && (o.Bench.NodeVolts == "" || channel < o.Bench.NodeVolts) {
			o.Bench.Node, o.Bench.NodeVolts, o.Bench.NodeBus = n, channel, terminal
		}
	}
	o.Bench.NodeShunts = shunts(n, d)
	if o.Bench.Node == nil {
		return fmt.Errorf("source %q: no channel says which bus it is clipped to; add clipped-to to one, as clipped-to: %s", n.Name(), buses[0])
	}
	return nil
}

// shunts finds which circuits' currents a node reads: by channels of current that
// are clipped to the shunt of one.
func shunts(n sources.Node, d *design.Design) map[string]string {
	out := map[string]string{}
	clipped := n.Clipped()
	for _, c := range n.Listed() {
		k := d.Terminal(clipped[c.Name])
		if c.Quantity == probe.Current && k != nil && k.Circuit != nil && k.Circuit.Shunt != nil {
			out[k.Circuit.Name] = c.Name
		}
	}
	return out
}

// Kit is the same instruments for a rehearsal: no port is opened.
func (i Instruments) Kit(d *design.Design) (k rehearsal.Kit, err error) {
	all, err := i.File.Sources()
	if err != nil {
		return k, err
	}
	o := &Opened{Bench: &procedure.Bench{}}
	if err := o.place(all, i.ByHand, d); err != nil {
		return k, err
	}
	k.Meter, k.Supply = rehearsed(o.Bench.Meter), rehearsed(o.Bench.Supply)
	if o.Bench.Node != nil {
		k.Node, k.NodeBus = rehearsed(o.Bench.Node), o.Bench.NodeBus
		k.NodeShunts = slices.Sorted(maps.Keys(o.Bench.NodeShunts))
	}
	return k, nil
}

// rehearsed is how a source will read, by what its file says; nil for none.
func rehearsed(s probe.Source) *rehearsal.Instrument {
	if s == nil {
		return nil
	}
	kept := sources.Of(s)
	channel := map[probe.Quantity]string{}
	for _, c := range kept.Listed() {
		if channel[c.Quantity] == "" {
			channel[c.Quantity] = c.Name
		}
	}
	says := kept.Name()
	if a, ok := kept.Accuracy(channel[probe.Voltage], 0); ok {
		says += " " + a.String() + " on volts"
	}
	return &rehearsal.Instrument{Says: says, Accuracy: func(q probe.Quantity, full float64) (probe.Accuracy, bool) {
		return kept.Accuracy(channel[q], full)
	}, Reads: func(q probe.Quantity) bool { return channel[q] != "" }}
}

// warn gathers what the person should know before relying on the instruments.
func (o *Opened) warn(all []probe.Source) {
	for _, s := range all {
		if w := sources.DueWarning(s.Identity(), time.Now()); w != "" {
			o.Warnings = append(o.Warnings, w)
		}
		if n, ok := s.(sources.Node); ok {
			o.Warnings = append(o.Warnings, n.Warnings()...)
		}
	}
}
