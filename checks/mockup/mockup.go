// Package mockup is an aircraft that is not there: the model of a design, with
// faults put in, for emulated instruments to stand on and for emulated hands to
// work in.
//
//	m, err := mockup.New(design, faults, seed)
//	meter := bench.NewMeter(m.MeterVolts, ...)   // what the probes touch
//	supply := bench.NewSupply(m, ...)            // what the supply feeds
//	go m.Hands(ctx, desk, mockup.Pace{})         // who closes breakers and moves probes
//
// The demo and the tests run on it. It answers only what physics would answer:
// instruments add their own errors, procedures never look inside.
package mockup

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/probe"
)

// A Mockup is an emulated aircraft. It is for several goroutines.
type Mockup struct {
	design  *design.Design
	faults  []airframe.Fault
	supply  string // the design's bench supply
	battery string // and its battery

	mu     sync.Mutex
	model  *airframe.Model
	state  airframe.State
	probes probes
	asked  bool // whether somebody asked whether they are on
	quirks []Quirk
	dial   func(probe.Quantity) // turns the meter; nil for one without a dial

	throttle string // the engine speed that the pilot was asked for last
}

// probes is where the probes are; joined are the terminals that are clipped
// together with black.
type probes struct {
	down       bool
	red, black string
	joined     []string
}

// spreadShare is how far the parts of a mock-up differ from the usual ones, as
// a part of what sound parts may differ.
const spreadShare = 0.25

// New makes an aircraft with faults. Two seeds differ as two aircraft of one
// design do; seed 0 has every part at its usual value.
func New(d *design.Design, faults []airframe.Fault, seed uint64) (*Mockup, error) {
	m := &Mockup{design: d, faults: faults, model: airframe.New(d), state: airframe.State{}.Clone()}
	for _, f := range faults {
		if err := m.model.Break(f); err != nil {
			return nil, err
		}
	}
	if seed != 0 {
		r := rand.New(rand.NewPCG(seed, 0x10031))
		m.model.Vary(func() float64 { return spreadShare * (2*r.Float64() - 1) })
	}
	if s := d.SourceOf(design.BenchSupply); s != nil {
		m.supply = s.Name
	}
	if s := d.SourceOf(design.Battery); s != nil {
		m.battery = s.Name
	}
	m.model.Set(m.state)
	return m, nil
}

// change alters the state of the aircraft.
func (m *Mockup) change(f func(*airframe.State)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	f(&m.state)
	m.model.Set(m.state)
	m.model.Settle(m.battery, m.charging())
}

// charging is the alternator that runs; "" for none.
func (m *Mockup) charging() string {
	for _, name := range m.state.Sources {
		if m.design.Source(name).Kind == design.Alternator {
			return name
		}
	}
	return ""
}

// Place puts the probes on two terminals. The terminals in joined are clipped
// together with black; "" is the airframe.
func (m *Mockup) Place(red, black string, joined ...string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.probes = probes{true, red, black, joined}
}

// Lift takes the probes off.
func (m *Mockup) Lift() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.probes = probes{}
}

// MeterVolts is the voltage between the probes; touching is false when they are
// lifted.
func (m *Mockup) MeterVolts() (volts float64, touching bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.probes.down {
		return 0, false
	}
	volts, err := m.model.Volts(m.probes.red, m.probes.black)
	return volts, err == nil
}

// MeterOhms is the resistance between the probes; touching is false when they
// are lifted or nothing joins the two points. With a source connected an
// ohmmeter shows nonsense: it sees the voltage.
func (m *Mockup) MeterOhms() (ohms float64, touching bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.probes.down || len(m.state.Sources) > 0 {
		return 0, false
	}
	ohms, err := m.model.Ohms(m.state, m.probes.red, m.probes.black, m.probes.joined...)
	return ohms, err == nil && !math.IsInf(ohms, 1)
}

// MeterAmperes is the current through a meter in series, over the open protector
// of a circuit; touching is false where no such meter is.
func (m *Mockup) MeterAmperes() (amperes float64, touching bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	t := m.design.Terminal(m.probes.black)
	if !m.probes.down || t == nil || t.Circuit == nil || m.probes.red != t.Circuit.Bus || m.state.Closed[t.Circuit.Name] {
		return 0, false
	}
	with := m.state.Clone()
	with.Closed[t.Circuit.Name] = true
	m.model.Set(with)
	defer m.model.Set(m.state)
	amperes, err := m.model.Value(airframe.Into(t.Circuit.Name))
	return amperes, err == nil
}

// Volts is the voltage between two terminals, for instruments that are wired
// to them.
func (m *Mockup) Volts(from, to string) float64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	v, err := m.model.Volts(from, to)
	if err != nil {
		return 0
	}
	return v
}

// Amperes is the current into a circuit, for instruments that are wired to its
// shunt.
func (m *Mockup) Amperes(circuit string) float64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	amperes, err := m.model.Value(airframe.Into(circuit))
	if err != nil {
		return 0
	}
	return amperes
}

// Drive sets the bench supply that feeds the aircraft.
func (m *Mockup) Drive(volts, limit float64, on bool) {
	m.change(func(s *airframe.State) {
		s.Sources = nil
		if on {
			s.Sources = []string{m.supply}
		}
		s.SupplyVolts, s.SupplyLimit = volts, limit
	})
}

// Output is what stands at the supply's own terminals.
func (m *Mockup) Output() (volts, amperes float64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.state.Sources) == 0 {
		return 0, 0
	}
	volts, err := m.model.Volts(m.supply+"+", m.supply+"-")
	if err != nil {
		return 0, 0
	}
	amperes, err = m.model.Value(airframe.OutOf(m.supply))
	if err != nil {
		return 0, 0
	}
	return volts, amperes
}

// Move does what a hand does: close or open a circuit's protector, switch it on
// or off, both at once (in, out), key it or release it, feed the aircraft from a source or take that off,
// unplug or plug the units.
func (m *Mockup) Move(action, name string) {
	m.change(func(s *airframe.State) {
		switch action {
		case "close", "open":
			s.Closed[name] = action == "close"
		case "on", "off":
			s.On[name] = action == "on"
		case "in", "out":
			s.Closed[name] = action == "in"
			if m.design.Circuit(name).Switch != nil {
				s.On[name] = action == "in"
			}
		case "key", "release":
			s.Working[name] = action == "key"
		case "feed":
			s.Sources = append(s.Sources, name)
		case "unfeed":
			s.Sources = slices.DeleteFunc(s.Sources, func(x string) bool { return x == name })
		case "unplug", "plug":
			s.Unplugged = action == "unplug"
		}
	})
}

// Marked is the rating that a person reads on a circuit's breaker.
func (m *Mockup) Marked(circuit string) float64 { return m.model.Marked(circuit, m.faults) }

// Faults says in words what was put in.
func (m *Mockup) Faults() string {
	var said []string
	for _, f := range m.faults {
		said = append(said, f.String())
	}
	for _, q := range m.quirks {
		said = append(said, q.String())
	}
	if len(said) == 0 {
		return "nothing"
	}
	return strings.Join(said, "; ")
}
