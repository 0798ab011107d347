// Package plan says how to find out what a procedure wants to know with what is
// on the bench: which instrument gives what, in which order the probes go, and
// what cannot be proven.
//
//	p := plan.For(wants, plan.Bench{Meter: true, Supply: true, Reference: "battery-"})
//	p.Order    // where the probes go, with the fewest moves
//	p.Moves    // how many that are; p.Listed: going down the list instead
//	p.Cannot   // what nothing on the bench can prove, why, and what cheap addition would
//
// It is pure: it knows names of points and circuits, no design and no instrument.
//
// # How a current is found
//
// By a node with a shunt in the circuit, if there is one. Else by a supply in the
// battery's place: the rise of its own reading as the circuit's breaker closes.
// Else by a meter: in series, where the wire can come off its terminal, or as an
// estimate from the drop over a breaker or a wire whose resistance the design
// knows. An estimate is no proof, and is told as such.
package plan

import "fmt"

// ProvesCurrent is what proves a current cheaply.
const ProvesCurrent = "a DC clamp or a shunt in the battery lead, or a programmable supply in its place"

// A Kind is what is wanted.
type Kind string

// The kinds.
const (
	Voltage Kind = "voltage" // between From and To
	Drop    Kind = "drop"    // lost from From to To, both against the reference
	Current Kind = "current" // into Circuit; From and To are the ends of its breaker or of a known wire
	Dip     Kind = "dip"     // the least voltage between From and To in a pulse
	Ohms    Kind = "ohms"    // between From and To, power off
)

// A Want is one thing to find out.
type Want struct {
	Kind     Kind
	Circuit  string
	From, To string // terminals
	Opens    bool   // of a current: the wire can come off its terminal, so that a meter goes in series
}

func (w Want) String() string {
	if w.From == "" {
		return fmt.Sprintf("%s of %s", w.Kind, w.Circuit)
	}
	return fmt.Sprintf("%s of %s from %s to %s", w.Kind, w.Circuit, w.From, w.To)
}

// A Bench is what there is.
type Bench struct {
	Meter     bool
	Supply    bool            // in the battery's place
	Bus       string          // the bus that a node reads; "" without one
	Shunts    map[string]bool // circuits that a node reads the current of
	Reference string          // where the black probe rests
}

// A Way is how something is found out.
type Way string

// The ways.
const (
	ByNode       Way = "the node reads it"
	BySupply     Way = "the rise of the supply's own reading as the breaker closes"
	ByMeter      Way = "the meter between two points"
	ByDifference Way = "the difference of two readings of the meter"
	InSeries     Way = "the meter in series, with the wire off its terminal"
	ByKnownOhms  Way = "the drop over a known resistance: an estimate"
)

// A Reading is where the probes are for one reading.
type Reading struct{ Red, Black string }

// An Item is how one thing is found out.
type Item struct {
	Want
	Way      Way
	Readings []Reading // that it rests on; none where no probe is needed
}

// A Gap is what cannot be proven.
type Gap struct {
	Want
	Why      string
	Addition string // what cheap thing would prove it
}

// A Plan is how to find out everything that can be.
type Plan struct {
	Items  []Item
	Order  []Reading
	Moves  int // of probes, along Order
	Listed int // of probes, going down the wants one by one
	Cannot []Gap
}

// For plans what is wanted on one state of the aircraft.
func For(wants []Want, b Bench) Plan {
	var p Plan
	var listed []Reading
	seen := map[Reading]bool{}
	var all []Reading
	for _, w := range wants {
		item, gap := b.way(w)
		if gap != nil {
			p.Cannot = append(p.Cannot, *gap)
		}
		if item == nil {
			continue
		}
		p.Items = append(p.Items, *item)
		for _, r := range item.Readings {
			listed = append(listed, r)
			if !seen[r] {
				seen[r] = true
				all = append(all, r)
			}
		}
	}
	p.Order = Order(all, b.Reference)
	p.Moves, p.Listed = Moves(p.Order, b.Reference), Moves(listed, b.Reference)
	return p
}

// way is how one thing is found out with what there is, and what stays open.
func (b Bench) way(w Want) (*Item, *Gap) {
	switch w.Kind {
	case Current:
		return b.current(w)
	case Dip:
		return b.dip(w)
	}
	if w.Kind == Voltage && w.From == b.Bus && w.To == b.Reference && b.Bus != "" {
		return &Item{w, ByNode, nil}, nil
	}
	if !b.Meter {
		return nil, &Gap{w, "nothing on the bench reads between two points that a hand chooses", "any handheld meter that sends its readings, or whose display is typed"}
	}
	if w.Kind == Drop {
		return &Item{w, ByDifference, []Reading{{w.From, b.Reference}, {w.To, b.Reference}}}, nil
	}
	return &Item{w, ByMeter, []Reading{{w.From, w.To}}}, nil
}

func (b Bench) current(w Want) (*Item, *Gap) {
	switch {
	case b.Shunts[w.Circuit]:
		return &Item{w, ByNode, nil}, nil
	case b.Supply:
		return &Item{w, BySupply, nil}, nil
	case b.Meter && w.Opens:
		return &Item{w, InSeries, []Reading{{w.From, w.To}}}, nil
	case b.Meter && w.From != "":
		return &Item{w, ByKnownOhms, []Reading{{w.From, b.Reference}, {w.To, b.Reference}}},
			&Gap{w, "the drop over a breaker or wire tells its current only as well as its resistance is known", ProvesCurrent}
	}
	return nil, &Gap{w, "nothing on the bench reads a current there", ProvesCurrent}
}

// dip needs a source that is quicker than the pulse.
func (b Bench) dip(w Want) (*Item, *Gap) {
	switch {
	case w.From == b.Bus && w.To == b.Reference && b.Bus != "":
		return &Item{w, ByNode, nil}, nil
	case b.Meter:
		return &Item{w, ByMeter, []Reading{{w.From, w.To}}},
			&Gap{w, "a meter reads a few times a second: a dip between two readings is not seen", "the node on that bus, or a meter that holds the least reading"}
	}
	return nil, &Gap{w, "nothing on the bench reads that bus", "the node on that bus"}
}
