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
	// Other is the second circuit or pin of a swap, the second terminal of a
	// bridge; for worn contacts, whether they are those of the breaker or of the
	// switch.
	Other string `json:"other,omitempty"`
	// Size: extra ohms of a joint, a ground, worn contacts or a battery, ohms of a
	// short or a bridge, amperes of a parasitic load or of a wrong breaker, metres
	// of a wrong length, volts that a source is off, the factor that a load or a
	// sender is off.
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
	SwappedPins         FaultKind = "swapped-pins"  // wires of two contacts of a connector
	Bridge              FaultKind = "bridge"        // two terminals that nothing should join
	StuckClosed         FaultKind = "stuck-closed"  // a switch that does not open
	StuckOpen           FaultKind = "stuck-open"    // a switch that does not close
	WeakBattery         FaultKind = "weak-battery"  // more resistance inside
	WrongVoltage        FaultKind = "wrong-voltage" // a source, such as a regulator, that is off
	WrongDraw           FaultKind = "wrong-draw"    // a load, also at its intermittent work
	WrongSender         FaultKind = "wrong-sender"  // a sender of another curve
	WornContacts        FaultKind = "worn-contacts" // of a breaker or a switch
	WrongLength         FaultKind = "wrong-length"  // of a run
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
		if f.Size > 1000 {
			return fmt.Sprintf("%s leaks to the airframe over %s", f.At, units.Ohms(f.Size))
		}
		return fmt.Sprintf("%s chafed through to the airframe", f.At)
	case OpenCircuit:
		return fmt.Sprintf("run %s broken", f.At)
	case ParasiticLoad:
		return fmt.Sprintf("something draws %s from %s", units.Amperes(f.Size), f.At)
	case SwappedPins:
		return fmt.Sprintf("wires of contacts %s and %s swapped", f.At, f.Other)
	case Bridge:
		return fmt.Sprintf("%s and %s touch", f.At, f.Other)
	case StuckClosed:
		return fmt.Sprintf("the switch of %s does not open", f.At)
	case StuckOpen:
		return fmt.Sprintf("the switch of %s does not close", f.At)
	case WeakBattery:
		return fmt.Sprintf("%s has %s more resistance inside", f.At, units.Ohms(f.Size))
	case WrongVoltage:
		return fmt.Sprintf("%s is off by %s", f.At, units.Volts(f.Size))
	case WrongDraw:
		return fmt.Sprintf("%s draws %.0f %% of what it should", f.At, 100*f.Size)
	case WrongSender:
		return fmt.Sprintf("%s shows %.0f %% of the resistance that it should", f.At, 100*f.Size)
	case WornContacts:
		return fmt.Sprintf("contacts of the %s of %s worn, %s more", f.Other, f.At, units.Ohms(f.Size))
	case WrongLength:
		return fmt.Sprintf("run %s is %s long", f.At, units.Metres(f.Size))
	}
	return string(f.Kind)
}

// open is the resistance of a broken wire, in ohms: what insulation leaves.
const open = 1e9

// Break puts a fault into the aircraft. The model is then no longer the design.
func (m *Model) Break(f Fault) error {
	m.last = nil
	switch f.Kind {
	case HighResistanceJoint, OpenCircuit, WrongGauge, WrongLength:
		p := m.find(f.At, WireRun, Contact, Coax, Sender)
		if p == nil {
			return fmt.Errorf("%s: there is no run, contact, coax or sender %q", f.Kind, f.At)
		}
		switch f.Kind {
		case HighResistanceJoint:
			p.value += f.Size
		case OpenCircuit:
			p.value = open
		default:
			if p.Run == nil {
				return fmt.Errorf("%s: %q is no wire", f.Kind, f.At)
			}
			other := *p.Run
			if f.Kind == WrongGauge {
				other.Gauge = f.Gauge
			} else {
				other.Length = units.Metres(f.Size)
			}
			p.value = m.runSpread(&other).Usual
		}
	case WornContacts:
		kind := Protector
		if f.Other == "switch" {
			kind = Switch
		}
		p := m.Part(kind, f.At)
		if p == nil {
			return fmt.Errorf("%s: circuit %q has no %s", f.Kind, f.At, kind)
		}
		p.value += f.Size
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
		return m.swap(f, f.At+".breaker", f.Other+".breaker")
	case SwappedPins:
		return m.swap(f, f.At, f.Other)
	case Bridge:
		return m.bridge(f)
	case StuckClosed, StuckOpen:
		p := m.Part(Switch, f.At)
		if p == nil {
			return fmt.Errorf("%s: circuit %q has no switch", f.Kind, f.At)
		}
		p.stuck = map[FaultKind]stuck{StuckClosed: stuckClosed, StuckOpen: stuckOpen}[f.Kind]
	case WeakBattery, WrongVoltage:
		return m.breakSource(f)
	case WrongDraw:
		return m.breakLoad(f)
	case WrongSender:
		p := m.Part(Sender, f.At)
		if p == nil {
			return fmt.Errorf("%s: there is no sender %q", f.Kind, f.At)
		}
		p.value *= f.Size
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

// find finds a part by name, of the first kind that has one.
func (m *Model) find(name string, kinds ...PartKind) *Part {
	for _, kind := range kinds {
		if p := m.Part(kind, name); p != nil {
			return p
		}
	}
	return nil
}

// swap exchanges the ends that two runs have at two terminals.
func (m *Model) swap(f Fault, one, other string) error {
	at := [2]string{one, other}
	var ends [2]*Part
	for i, terminal := range at {
		for _, p := range m.parts {
			if p.Kind == WireRun && (p.From == terminal || p.To == terminal) {
				ends[i] = p
			}
		}
		if ends[i] == nil {
			return fmt.Errorf("%s: no run ends at %q", f.Kind, terminal)
		}
	}
	for i, p := range ends {
		if p.From == at[i] {
			p.From = at[1-i]
		} else {
			p.To = at[1-i]
		}
		m.net.Rewire(p.part, m.node[p.From], m.node[p.To])
	}
	return nil
}

// bridge joins two terminals that nothing should join.
func (m *Model) bridge(f Fault) error {
	known := func(t string) bool { return m.Design.Terminal(t) != nil }
	if !known(f.At) || !known(f.Other) {
		return fmt.Errorf("%s: there are no two terminals %q and %q", f.Kind, f.At, f.Other)
	}
	p := &Part{Kind: Leak, Name: f.At + " to " + f.Other, From: f.At, To: f.Other, Ohms: wire.Spread{Least: f.Size, Usual: f.Size, Most: f.Size}}
	if m.node[f.At] == 0 || m.node[f.Other] == 0 { // coax and senders are not in the power network
		m.addToQuiet(p)
		return nil
	}
	m.add(p)
	if m.set {
		m.put()
	}
	return nil
}

func (m *Model) breakSource(f Fault) error {
	for _, s := range m.sources {
		if s.source.Name != f.At {
			continue
		}
		if f.Kind == WeakBattery {
			s.extra += f.Size
		} else {
			s.offset += f.Size
		}
		if m.set {
			m.put()
		}
		return nil
	}
	return fmt.Errorf("%s: there is no source %q", f.Kind, f.At)
}

func (m *Model) breakLoad(f Fault) error {
	for _, l := range m.loads {
		if l.circuit.Name == f.At && !l.extra {
			l.factor *= f.Size
			if m.set {
				m.put()
			}
			return nil
		}
	}
	return fmt.Errorf("%s: circuit %q has no load", f.Kind, f.At)
}

// Mend takes out what [Model.Break] and [Model.Vary] have done to values: parts,
// loads and sources are the design's again. Moved wires and what was added stay:
// see [Model.Mendable].
func (m *Model) Mend() {
	m.last = nil
	for _, p := range m.parts {
		p.value, p.stuck = p.Ohms.Usual, free
	}
	for _, l := range m.loads {
		l.factor = 1
	}
	for _, s := range m.sources {
		s.offset, s.extra = 0, 0
	}
	if m.set {
		m.put()
	}
}

// Mendable tells whether a kind of fault changes values only, so that
// [Model.Mend] takes it out.
func (k FaultKind) Mendable() bool {
	switch k {
	case SwappedCircuits, SwappedPins, Bridge, ShortToAirframe, ParasiticLoad:
		return false
	}
	return true
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
			l.factor *= 1 + pick()*float64(l.circuit.Load.Tolerance)
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
