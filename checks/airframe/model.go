package airframe

import (
	"fmt"
	"math"

	"loomproof/checks/design"
	"loomproof/checks/network"
	"loomproof/checks/wire"
)

// A Model is a design as a network. It is not for several goroutines.
type Model struct {
	Design *design.Design

	net     *network.Network
	node    map[string]int // by terminal
	parts   []*Part
	quiet   []*Part // what never carries power: senders and coax
	named   map[partName]*Part
	loads   []*loadPart
	sources []*sourcePart
	state   State
	set     bool // state has been put into the network
	last    *network.Solution
}

// partName is how parts are found.
type partName struct {
	kind PartKind
	name string
}

// PartKind says what a resistance of the model is.
type PartKind string

// The kinds of part.
const (
	WireRun   PartKind = "wire run"
	Contact   PartKind = "contact"
	Protector PartKind = "protector"
	Switch    PartKind = "switch"
	Shunt     PartKind = "shunt"
	Bond      PartKind = "ground bond"
	Clip      PartKind = "clip"
	Sender    PartKind = "sender"
	Coax      PartKind = "coax"
	Leak      PartKind = "leak" // a fault: current where none should be
)

// A Part is one resistance of the model.
type Part struct {
	Kind    PartKind
	Name    string          // radio/1, J1.3, G2, or the circuit's name
	Circuit *design.Circuit // nil for what belongs to none
	Run     *design.Run     // for a wire run
	From    string          // terminals; "" is the airframe
	To      string
	Ohms    wire.Spread
	Source  wire.Citation // where Ohms comes from

	value float64 // in use
	stuck stuck   // a fault of a switch or protector
	part  network.Part
}

// stuck says what a switch or protector does whatever a hand does.
type stuck int

const (
	free stuck = iota
	stuckClosed
	stuckOpen
)

type loadPart struct {
	circuit *design.Circuit
	factor  float64 // 1 is the design's draw
	extra   bool    // a coil: on when the switch is
	part    network.Part
}

type sourcePart struct {
	source  *design.Source
	offset  float64 // volts above the design's
	extra   float64 // ohms inside above the design's
	settled float64 // volts above rest, of a battery under charge
	part    network.Part
}

// New makes the model of a design.
func New(d *design.Design) *Model {
	m := &Model{Design: d, net: network.New(1), node: map[string]int{"": 0}, named: map[partName]*Part{}}
	quiet := quietTerminals(d)
	for _, t := range d.Terminals() {
		if !quiet[t.Name] {
			m.node[t.Name] = m.net.AddNode()
		}
	}
	for _, g := range d.Grounds {
		s := wire.GroundPoint
		if g.Bond != nil {
			s = spread(float64(*g.Bond), s)
		}
		m.add(&Part{Kind: Bond, Name: g.Name, From: g.Name, Ohms: s, Source: wire.BondingRule})
	}
	for _, k := range d.Connectors {
		m.addConnector(k)
	}
	for _, s := range d.Sources {
		m.addSource(s)
	}
	for _, k := range d.All() {
		m.addCircuit(k)
	}
	m.addQuiet()
	return m
}

// spread puts a stated usual value in place of a default one, keeping the
// default's proportions.
func spread(usual float64, of wire.Spread) wire.Spread {
	return of.Scale(usual / of.Usual)
}

var practice = wire.Citation{Text: "usual for such a part", Status: wire.CommonPractice}

func (m *Model) add(p *Part) *Part {
	p.value = p.Ohms.Usual
	p.part = m.net.AddResistor(m.node[p.From], m.node[p.To], p.value)
	m.parts = append(m.parts, p)
	m.name(p)
	return p
}

func (m *Model) name(p *Part) {
	if name := (partName{p.Kind, p.Name}); m.named[name] == nil {
		m.named[name] = p
	}
}

func (m *Model) addConnector(k *design.Connector) {
	s := wire.Contact
	if k.Contact != nil {
		s = spread(float64(*k.Contact), s)
	}
	for i := 1; i <= k.Pins; i++ {
		from, to := fmt.Sprintf("%s.%d", k.Name, i), fmt.Sprintf("%s.%d", k.Plug, i)
		if len(m.Design.Terminal(from).Runs)+len(m.Design.Terminal(to).Runs) == 0 {
			continue // an empty contact
		}
		m.add(&Part{Kind: Contact, Name: from, From: from, To: to, Ohms: s, Source: practice})
	}
}

func (m *Model) addSource(s *design.Source) {
	part := m.net.AddSource(m.node[s.Name+"+"], m.node[s.Name+"-"], network.Source{Volts: 1, Ohms: 1})
	m.sources = append(m.sources, &sourcePart{source: s, part: part})
	// Where a source is clipped on, its own terminals are the clips.
	clip := wire.Spread{Least: 1e-6, Usual: 2e-6, Most: 4e-6}
	for _, c := range []struct{ own, at string }{{s.Name + "+", s.Plus}, {s.Name + "-", s.Minus}} {
		if c.at != "" {
			m.add(&Part{Kind: Clip, Name: c.own, From: c.own, To: c.at, Ohms: clip, Source: practice})
		}
	}
}

func (m *Model) addCircuit(k *design.Circuit) {
	own := func(local string) string { return k.Name + "." + local }
	if p := k.Protector(); p != nil {
		from := k.Bus
		if from == "" {
			from = own("breaker.in")
		}
		s, cite := protector(k)
		m.add(&Part{Kind: Protector, Name: k.Name, Circuit: k, From: from, To: own("breaker"), Ohms: s, Source: cite})
	}
	if k.Shunt != nil {
		r := k.Shunt.Ohms()
		s := wire.Spread{Least: 0.99 * r, Usual: r, Most: 1.01 * r}
		m.add(&Part{Kind: Shunt, Name: k.Name, Circuit: k, From: own("shunt.in"), To: own("shunt.out"), Ohms: s, Source: practice})
	}
	if w := k.Switch; w != nil {
		s := wire.Toggle
		if w.Kind == design.Contactor {
			s = wire.Contactor
		}
		if w.Resistance != nil {
			s = spread(float64(*w.Resistance), s)
		}
		m.add(&Part{Kind: Switch, Name: k.Name, Circuit: k, From: own("switch.in"), To: own("switch.out"), Ohms: s, Source: practice})
		if w.Coil > 0 {
			part := m.net.AddLoad(m.node[own("switch.in")], 0, network.Load{At: 1})
			m.loads = append(m.loads, &loadPart{circuit: k, factor: 1, extra: true, part: part})
		}
	}
	if k.Load != nil {
		part := m.net.AddLoad(m.node[own("load+")], m.node[own("load-")], network.Load{At: 1})
		m.loads = append(m.loads, &loadPart{circuit: k, factor: 1, part: part})
	}
	for _, r := range k.Runs {
		m.add(&Part{
			Kind: WireRun, Name: r.Name, Circuit: k, Run: r, From: r.From, To: r.To,
			Ohms: m.runSpread(r), Source: r.Gauge.ResistanceSource(),
		})
	}
}

func protector(k *design.Circuit) (wire.Spread, wire.Citation) {
	p := k.Protector()
	of := wire.Breaker
	if k.Breaker == nil {
		of = wire.Fuse
	}
	s, cite := of(float64(p.Rating))
	if p.Resistance != nil {
		return spread(float64(*p.Resistance), s), wire.Citation{Text: "the design's own figure", Status: wire.OfDesign}
	}
	return s, cite
}

// lengthTolerance is how far an installed length may differ from the drawn
// one. Common practice; no published source.
const lengthTolerance = 0.05

func (m *Model) runSpread(r *design.Run) wire.Spread {
	a := &m.Design.Aircraft
	joint := wire.Joint(r.Gauge)
	if a.Joint != nil {
		joint.Most = float64(*a.Joint)
	}
	most := r.Gauge.MaxResistance(float64(*a.Ambient)) * float64(r.Length)
	w := wire.Spread{
		Least: most * wire.Least * (1 - lengthTolerance),
		Usual: most * wire.Nominal,
		Most:  most * (1 + lengthTolerance),
	}
	return w.Add(joint.Scale(2))
}

// Parts lists the resistances of the model.
func (m *Model) Parts() []*Part { return m.parts }

// Part finds a part by kind and name; nil if there is none.
func (m *Model) Part(kind PartKind, name string) *Part { return m.named[partName{kind, name}] }

// Set puts the aircraft into a state.
func (m *Model) Set(s State) {
	m.state = s.Clone()
	m.set = true
	m.put()
}

// Close closes or opens the protector of one circuit and leaves the rest of the
// state as it is. It is quicker than to set the whole state again.
func (m *Model) Close(circuit string, closed bool) {
	if !m.set {
		m.Set(State{})
	}
	m.state.Closed[circuit] = closed
	if p := m.Part(Protector, circuit); p != nil {
		m.last = nil
		m.putPart(p)
	}
}

// put writes the present state and values into the network.
func (m *Model) put() {
	m.last = nil
	for _, p := range m.parts {
		m.putPart(p)
	}
	for _, l := range m.loads {
		m.net.SetLoad(l.part, m.loadNow(l))
	}
	for _, s := range m.sources {
		m.net.SetSource(s.part, m.sourceNow(s))
	}
}

// putPart writes one resistance.
func (m *Model) putPart(p *Part) { m.net.SetOhms(p.part, p.in(m.state)) }

// in is the part's resistance in a state: none where its protector or switch is
// open.
func (p *Part) in(s State) float64 {
	closed := true
	switch p.Kind {
	case Protector:
		closed = s.Closed[p.Circuit.Name]
	case Switch:
		closed = s.On[p.Circuit.Name]
	}
	if p.stuck == stuckOpen || p.stuck == free && !closed {
		return math.Inf(1)
	}
	return p.value
}

var loadKinds = map[design.LoadKind]network.Kind{
	design.Resistive: network.Resistive, design.ConstantCurrent: network.Current,
	design.ConstantPower: network.Power, design.Lamp: network.Lamp,
}

// LoadOf is a load of the design in terms of the network: a draw of a kind,
// stated for the nominal voltage.
func LoadOf(kind design.LoadKind, draw design.Draw, nominal float64) network.Load {
	out := network.Load{Kind: loadKinds[kind], At: nominal, Draw: draw.At(nominal)}
	if out.Kind == network.Power {
		out.Draw *= nominal
	}
	return out
}

func (m *Model) loadNow(l *loadPart) network.Load {
	nominal := float64(m.Design.Aircraft.Nominal)
	name := l.circuit.Name
	if l.extra {
		out := network.Load{Kind: network.Resistive, At: nominal}
		if m.state.On[name] {
			out.Draw = float64(l.circuit.Switch.Coil) * l.factor
		}
		return out
	}
	load := l.circuit.Load
	if m.state.Unplugged {
		return network.Load{Kind: network.Resistive, At: nominal}
	}
	draw := load.Draw
	if load.Intermittent != nil && m.state.Working[name] {
		draw = *load.Intermittent
	}
	out := LoadOf(load.Kind, draw, nominal)
	out.Draw *= l.factor
	if load.Duty == design.Intermittent && l.circuit.Switch == nil && !m.state.Working[name] {
		out.Draw = 0
	}
	return out
}

// disconnected is the internal resistance of a source that is not there: it
// carries less than a tenth of a microampere.
const disconnected = 1e9

func (m *Model) sourceNow(p *sourcePart) network.Source {
	s := p.source
	for _, name := range m.state.Sources {
		if name != s.Name {
			continue
		}
		out := network.Source{
			Volts: float64(s.Volts), Ohms: float64(s.Resistance) + p.extra, Limit: float64(s.Limit),
			Isolated: s.Kind != design.Battery,
		}
		if s.Kind == design.BenchSupply && m.state.SupplyVolts > 0 {
			out.Volts = m.state.SupplyVolts
		}
		if s.Kind == design.BenchSupply && m.state.SupplyLimit > 0 {
			out.Limit = m.state.SupplyLimit
		}
		out.Volts += p.offset + p.settled
		return out
	}
	return network.Source{Volts: 0, Ohms: disconnected}
}

// underCharge is how far a nearly full battery stands below what charges it, in
// volts. Common practice; no published source.
const underCharge = 0.35

// Settle brings a battery to where it stands after some minutes on a charger:
// just below the charger's voltage. Without a charger ("") it rests again.
func (m *Model) Settle(battery, charger string) {
	stands := 0.0
	for _, s := range m.sources {
		if s.source.Name == charger {
			stands = float64(s.source.Volts) + s.offset - underCharge
		}
	}
	for _, s := range m.sources {
		if s.source.Name == battery {
			s.settled = math.Max(0, stands-float64(s.source.Volts))
		}
	}
	m.put()
}

// solve finds the voltages of the present state.
func (m *Model) solve() (*network.Solution, error) {
	if !m.set {
		m.Set(State{})
	}
	if m.last == nil {
		s, err := m.net.Solve()
		if err != nil {
			return nil, fmt.Errorf("airframe: %w", err)
		}
		m.last = s
	}
	return m.last, nil
}

// Volts is the potential difference from one terminal to another in the
// present state; a terminal that hangs in the air is at 0 V.
func (m *Model) Volts(from, to string) (float64, error) { return m.Value(Between(from, to)) }
