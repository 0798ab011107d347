package airframe

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"loomproof/checks/design"
)

// A State says what feeds the aircraft and what is switched on.
type State struct {
	Sources []string        `json:"sources"`           // names of the sources connected and on
	Closed  map[string]bool `json:"closed,omitempty"`  // circuits and feeders whose protector is closed
	On      map[string]bool `json:"on,omitempty"`      // circuits and feeders whose switch is on
	Working map[string]bool `json:"working,omitempty"` // loads doing their intermittent work

	Unplugged bool `json:"unplugged,omitempty"` // the units are off their plugs, the looms bare

	// What a bench supply is set to; 0 leaves it to the design.
	SupplyVolts float64 `json:"supply_volts,omitempty"`
	SupplyLimit float64 `json:"supply_limit,omitempty"`
}

// Clone is a copy that can be changed.
func (s State) Clone() State {
	s.Sources = slices.Clone(s.Sources)
	s.Closed, s.On, s.Working = clone(s.Closed), clone(s.On), clone(s.Working)
	return s
}

func clone(m map[string]bool) map[string]bool {
	if m == nil {
		return map[string]bool{}
	}
	return maps.Clone(m)
}

// AllOn is the state with every protector closed, every switch on but those of
// loads that only ever run for moments, and the named sources feeding.
func AllOn(d *design.Design, sources ...string) State {
	s := State{Sources: sources}.Clone()
	for _, k := range d.All() {
		s.Closed[k.Name] = true
		s.On[k.Name] = k.Load == nil || k.Load.Duty == design.Continuous
	}
	return s
}

// stateNames are the states that a person can ask for by name.
var stateNames = []string{"all-on", "essential", "master-only", "asleep", "off"}

// Named is a state by name, with sources feeding:
//
//	all-on       everything but what only ever runs for moments
//	essential    the circuits marked essential, with what feeds their buses
//	master-only  the way to the buses closed, every circuit open
//	asleep       every protector closed, every switch off
//	off          everything open
func Named(d *design.Design, name string, sources ...string) (State, error) {
	for _, s := range sources {
		if d.Source(s) == nil {
			var have []string
			for _, x := range d.Sources {
				have = append(have, x.Name)
			}
			return State{}, fmt.Errorf("there is no source %q; the design has: %s", s, strings.Join(have, ", "))
		}
	}
	s := AllOn(d, sources...)
	switch name {
	case "all-on":
	case "essential", "master-only":
		for _, k := range d.Circuits {
			on := name == "essential" && k.Essential
			s.Closed[k.Name] = on
			s.On[k.Name] = s.On[k.Name] && on
		}
	case "asleep":
		clear(s.On)
	case "off":
		s = State{Sources: sources}.Clone()
	default:
		return s, fmt.Errorf("there is no state %q; there are: %s", name, strings.Join(stateNames, ", "))
	}
	return s, nil
}
