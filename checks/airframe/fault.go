package airframe

import (
	"fmt"

	"loomproof/checks/design"
	"loomproof/checks/units"
	"loomproof/checks/wire"
)

// A Fault is one thing wrong with an aircraft.
type Fault struct {
	Kind FaultKind `json:"kind"`

	// Where: a run, a connector contact, a ground point, a circuit or a
	// terminal, as the kind asks for.
	At string `json:"at"`
	// Other is the second circuit of a swap.
	Other string `json:"other,omitempty"`
	// Size: extra ohms of a joint or a ground, ohms of a short, amperes of a
	// parasitic load, amperes of a wrong breaker.
	Size float64 `json:"size,omitempty"`
	// Gauge is the wire that was fitted instead.
	Gauge wire.Gauge `json:"gauge,omitzero"`
}

// FaultKind says what kind of fault it is.
type FaultKind string

// The kinds of fault.
const (
	HighResistanceJoint FaultKind = "high-resistance-joint"
	BadGround           FaultKind = "bad-ground"
	WrongGauge          FaultKind = "wrong-gauge"
	OversizedBreaker    FaultKind = "oversized-breaker"
	SwappedCircuits     FaultKind = "swapped-circuits"
	ShortToAirframe     FaultKind = "short-to-airframe"
	OpenCircuit         FaultKind = "open-circuit"
	ParasiticLoad       FaultKind = "parasitic-load"
)

func (f Fault) String() string {
	switch f.Kind {
	case HighResistanceJoint:
		return fmt.Sprintf("corroded joint, %s more, in %s", units.Ohms(f.Size), f.At)
	case BadGround:
		return fmt.Sprintf("ground point %s loose, %s more", f.At, units.Ohms(f.Size))
	case WrongGauge:
		return fmt.Sprintf("%s fitted in run %s", f.Gauge, f.At)
	case OversizedBreaker:
		return fmt.Sprintf("breaker of %s fitted in circuit %s", units.Amperes(f.Size), f.At)
	case SwappedCircuits:
		return fmt.Sprintf("wires of %s and %s swapped at their breakers", f.At, f.Other)
	case ShortToAirframe:
		return fmt.Sprintf("%s chafed through to the airframe", f.At)
	case OpenCircuit:
		return fmt.Sprintf("run %s broken", f.At)
	case ParasiticLoad:
		return fmt.Sprintf("something draws %s from %s", units.Amperes(f.Size), f.At)
	}
	return string(f.Kind)
}

// open is the resistance of a broken wire, in ohms: what insulation leaves.
const open = 1e9

// Break puts a fault into the aircraft. The model is then no longer the design.
func (m *Model) Break(f Fault) error {
	m.last = nil
	switch f.Kind {
	case HighResistanceJoint, OpenCircuit, WrongGauge:
		p := m.runOrContact(f.At)
		if p == nil {
			return fmt.Errorf("%s: there is no run or contact %q", f.Kind, f.At)
		}
		switch f.Kind {
		case HighResistanceJoint:
			p.value += f.Size
		case OpenCircuit:
			p.value = open
		case WrongGauge:
			if p.Run == nil {
				return fmt.Errorf("%s: %q is no wire", f.Kind, f.At)
			}
			other := *p.Run
			other.Gauge = f.Gauge
			p.value = m.runSpread(&other).Usual
		}
	case BadGround:
		p := m.Part(Bond, f.At)
		if p == nil {
			return fmt.Errorf("%s: there is no ground point %q", f.Kind, f.At)
		}
		p.value += f.Size
	case OversizedBreaker:
		p := m.Part(Protector, f.At)
		if p == nil {
			return fmt.Errorf("%s: circuit %q has no breaker", f.Kind, f.At)
		}
		s, _ := wire.Breaker(f.Size)
		p.value = s.Usual
	case SwappedCircuits:
		return m.swap(f)
	case ShortToAirframe, ParasiticLoad:
		if _, ok := m.node[f.At]; !ok {
			return fmt.Errorf("%s: there is no terminal %q", f.Kind, f.At)
		}
		ohms := f.Size
		if f.Kind == ParasiticLoad {
			ohms = float64(m.Design.Aircraft.Nominal) / f.Size
		}
		m.add(&Part{Kind: Leak, Name: f.At, From: f.At, Ohms: wire.Spread{Least: ohms, Usual: ohms, Most: ohms}})
	default:
		return fmt.Errorf("there is no fault %q", f.Kind)
	}
	if m.set {
		m.put()
	}
	return nil
}

func (m *Model) runOrContact(name string) *Part {
	if p := m.Part(WireRun, name); p != nil {
		return p
	}
	return m.Part(Contact, name)
}

// swap exchanges the ends that the first runs of two circuits have at their
// breakers.
func (m *Model) swap(f Fault) error {
	var ends [2]*Part
	for i, name := range []string{f.At, f.Other} {
		for _, p := range m.parts {
			if p.Kind == WireRun && p.Circuit.Name == name && (p.From == name+".breaker" || p.To == name+".breaker") {
				ends[i] = p
			}
		}
		if ends[i] == nil {
			return fmt.Errorf("%s: circuit %q has no run at its breaker", f.Kind, name)
		}
	}
	for i, p := range ends {
		other := ends[1-i].Circuit.Name + ".breaker"
		if p.From == p.Circuit.Name+".breaker" {
			p.From = other
		} else {
			p.To = other
		}
		m.net.Rewire(p.part, m.node[p.From], m.node[p.To])
	}
	return nil
}

// Vary gives every part and load a value of its own inside its span, as two
// aircraft of one design differ: from the usual value towards either end by
// the share that pick returns, from -1 to 1.
func (m *Model) Vary(pick func() float64) {
	for _, p := range m.parts {
		share := pick()
		if p.value != p.Ohms.Usual {
			continue // a fault stays as it was put in
		}
		if share < 0 {
			p.value += -share * (p.Ohms.Least - p.Ohms.Usual)
		} else {
			p.value += share * (p.Ohms.Most - p.Ohms.Usual)
		}
	}
	for _, l := range m.loads {
		if !l.extra {
			l.factor = 1 + pick()*float64(l.circuit.Load.Tolerance)
		}
	}
	if m.set {
		m.put()
	}
}

// Marked is the rating in amperes that is marked on a circuit's protector, as
// fitted: what a person would read there.
func (m *Model) Marked(circuit string, faults []Fault) float64 {
	for _, f := range faults {
		if f.Kind == OversizedBreaker && f.At == circuit {
			return f.Size
		}
	}
	if k := m.Design.Circuit(circuit); k != nil && k.Protector() != nil {
		return float64(k.Protector().Rating)
	}
	return 0
}

// Starved names the loads that have less voltage than they work with in the
// present state.
func (m *Model) Starved() ([]*design.Circuit, error) {
	s, err := m.solve()
	if err != nil {
		return nil, err
	}
	var out []*design.Circuit
	for _, l := range m.loads {
		a, b := m.net.Ends(l.part)
		if v := s.Volts(a) - s.Volts(b); m.net.Load(l.part).Starved(v) && v > 0.05 {
			out = append(out, l.circuit)
		}
	}
	return out, nil
}
