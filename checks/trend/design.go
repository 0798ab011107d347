package trend

import (
	"fmt"
	"slices"

	"loomproof/checks/design"
)

// A DesignChange is one thing that two designs have differently.
type DesignChange struct {
	Circuit string `json:"circuit,omitempty"`
	What    string `json:"what"`
	Before  string `json:"before"` // "" for what is new
	After   string `json:"after"`  // "" for what is gone
}

// DesignChanges lists what differs between two designs: sources, grounds,
// connectors, and for each circuit its protector, switch, load and runs.
func DesignChanges(a, b *design.Design) []DesignChange {
	was, is := facts(a), facts(b)
	out := []DesignChange{}
	for _, f := range was.order {
		if now := is.say[f]; now != was.say[f] {
			out = append(out, DesignChange{f.circuit, f.what, was.say[f], now})
		}
	}
	for _, f := range is.order {
		if _, had := was.say[f]; !had {
			out = append(out, DesignChange{f.circuit, f.what, "", is.say[f]})
		}
	}
	return out
}

type fact struct{ circuit, what string }

type factList struct {
	order []fact
	say   map[fact]string
}

func (l *factList) add(circuit, what, say string) {
	f := fact{circuit, what}
	if _, had := l.say[f]; !had {
		l.order = append(l.order, f)
	}
	l.say[f] = say
}

func facts(d *design.Design) factList {
	l := factList{say: map[fact]string{}}
	for _, s := range d.Sources {
		l.add("", "source "+s.Name, fmt.Sprintf("%s, %s, %s", s.Kind, s.Volts, s.Resistance))
	}
	for _, b := range d.Buses {
		l.add("", "bus "+b.Name, "there")
	}
	for _, g := range d.Grounds {
		l.add("", "ground point "+g.Name, "there")
	}
	for _, k := range d.Connectors {
		l.add("", "connector "+k.Name, fmt.Sprintf("%d pins, plug %s", k.Pins, k.Plug))
	}
	for _, k := range d.All() {
		l.add(k.Name, "circuit", "there, bus "+k.Bus)
		if p := k.Protector(); p != nil {
			l.add(k.Name, "protector", p.Rating.String())
		}
		if k.Load != nil {
			l.add(k.Name, "load", fmt.Sprintf("%s, %s", k.Load.Kind, k.Load.Draw))
		}
		runs := slices.Clone(k.Runs)
		for _, r := range runs {
			l.add(k.Name, "run "+r.Name, fmt.Sprintf("%s to %s, %s, %s, bundle %s", r.From, r.To, r.Gauge, r.Length, r.Bundle))
		}
	}
	return l
}
