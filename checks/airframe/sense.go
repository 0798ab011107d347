package airframe

import (
	"fmt"
	"math"

	"loomproof/checks/design"
	"loomproof/checks/network"
)

// A Sense is a quantity in the present state, and how it moves with each thing
// that it depends on: the slopes about the present solution. The lists are in
// the order of [Model.Parts], [Model.Loads] and [Model.Sources].
type Sense struct {
	Value   float64
	Parts   []float64 // per ohm of a part; 0 where its protector or switch is open
	Loads   []float64 // per unit of a load's factor: what doubling its draw would add
	Sources []float64 // per volt of a source

	model  *Model
	forced []float64 // by node
}

// Forced is how the quantity moves for each ampere forced into a terminal: what
// a leak there takes away.
func (s *Sense) Forced(terminal string) float64 { return s.forced[s.model.node[terminal]] }

// Sense works out a quantity and its slopes in the present state.
func (m *Model) Sense(q Quantity) (*Sense, error) {
	r, err := m.resolve(q)
	if err != nil {
		return nil, err
	}
	sol, err := m.solve()
	if err != nil {
		return nil, err
	}
	s := &Sense{
		Value: r.of(sol), model: m, forced: m.influence(r, sol),
		Parts: make([]float64, len(m.parts)), Loads: make([]float64, len(m.loads)), Sources: make([]float64, len(m.sources)),
	}
	for i, p := range m.parts {
		if ohms := m.net.Ohms(p.part); !math.IsInf(ohms, 1) {
			s.Parts[i] = s.per(r, sol, p.part, -sol.Current(p.part)) / ohms
		}
	}
	for i, l := range m.loads {
		if l.factor > 0 {
			s.Loads[i] = s.per(r, sol, l.part, sol.Current(l.part)) / l.factor
		}
	}
	for i, p := range m.sources {
		a, b := m.net.Ends(p.part)
		slope := m.net.Slope(p.part, sol.Volts(a)-sol.Volts(b))
		s.Sources[i] = s.per(r, sol, p.part, -slope)
	}
	return s, nil
}

// per is how the quantity moves when a part's own law gives so many amperes
// more from its first node to its second.
func (s *Sense) per(r reading, sol *network.Solution, p network.Part, amperes float64) float64 {
	a, b := s.model.net.Ends(p)
	per := amperes * (s.forced[b] - s.forced[a])
	if r.has(p) {
		per += r.sign * amperes
	}
	return per
}

// Powered tells whether a terminal is in the power network: those of senders and
// antenna leads are not.
func (m *Model) Powered(terminal string) bool {
	_, ok := m.node[terminal]
	return ok
}

// A LoadSpan is a load of the model with how far a sound one may differ.
type LoadSpan struct {
	Circuit   *design.Circuit
	Coil      bool    // the coil of the circuit's contactor, not its load
	Tolerance float64 // part of its draw
}

// coilTolerance is how far a sound coil's current may differ. Common practice;
// no published source.
const coilTolerance = 0.10

// Loads lists the loads of the model.
func (m *Model) Loads() []LoadSpan {
	out := make([]LoadSpan, len(m.loads))
	for i, l := range m.loads {
		out[i] = LoadSpan{l.circuit, l.extra, coilTolerance}
		if !l.extra {
			out[i].Tolerance = float64(l.circuit.Load.Tolerance)
		}
	}
	return out
}

// A SourceSpan is a source of the model with how far a sound one may differ.
type SourceSpan struct {
	Source       *design.Source
	Below, Above float64 // volts
}

// Sources lists the sources of the model.
func (m *Model) Sources() []SourceSpan {
	out := make([]SourceSpan, len(m.sources))
	for i, s := range m.sources {
		below, above := sourceTolerance(s.source)
		out[i] = SourceSpan{s.source, below, above}
	}
	return out
}

// Through is the current through a part in the present state, from its From to
// its To, in amperes.
func (m *Model) Through(p *Part) (float64, error) {
	s, err := m.solve()
	if err != nil {
		return 0, err
	}
	return s.Current(p.part), nil
}

// Looking is the resistance in ohms that a small current forced between two
// terminals meets in the present state.
func (m *Model) Looking(from, to string) (float64, error) {
	s, err := m.solve()
	if err != nil {
		return 0, err
	}
	a, ok := m.node[from]
	b, ok2 := m.node[to]
	if !ok || !ok2 {
		return 0, fmt.Errorf("there is no terminal %q or %q", from, to)
	}
	in := s.Influence(a, b)
	return in[a] - in[b], nil
}

// Network is the model as nodes and ohms in its present state, with its solution
// and the node of each terminal: for an outside solver to be asked the same.
func (m *Model) Network() (n *network.Network, s *network.Solution, node map[string]int, err error) {
	s, err = m.solve()
	return m.net, s, m.node, err
}
