package airframe

import (
	"maps"
	"slices"

	"loomproof/checks/design"
)

// A State says what feeds the aircraft and what is switched on.
type State struct {
	Sources []string        `json:"sources"`           // names of the sources connected and on
	Closed  map[string]bool `json:"closed,omitempty"`  // circuits and feeders whose protector is closed
	On      map[string]bool `json:"on,omitempty"`      // circuits and feeders whose switch is on
	Working map[string]bool `json:"working,omitempty"` // loads doing their intermittent work

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
