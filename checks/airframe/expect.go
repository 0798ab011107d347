package airframe

import (
	"fmt"
	"math"

	"loomproof/checks/design"
	"loomproof/checks/network"
)

// A Quantity is something that can be read on the aircraft: a voltage between
// two terminals, or a current.
type Quantity struct {
	From    string `json:"from,omitempty"`    // voltage: the red probe
	To      string `json:"to,omitempty"`      // voltage: the black probe; "" is the airframe
	Circuit string `json:"circuit,omitempty"` // current into this circuit, through its protector
	Source  string `json:"source,omitempty"`  // current out of this source
}

// Between is the voltage from one terminal to another.
func Between(from, to string) Quantity { return Quantity{From: from, To: to} }

// Into is the current into a circuit.
func Into(circuit string) Quantity { return Quantity{Circuit: circuit} }

// OutOf is the current out of a source.
func OutOf(source string) Quantity { return Quantity{Source: source} }

func (q Quantity) String() string {
	switch {
	case q.Circuit != "":
		return "current into " + q.Circuit
	case q.Source != "":
		return "current out of " + q.Source
	case q.To == "":
		return q.From + " to airframe"
	}
	return q.From + " to " + q.To
}

// An Expectation is what a quantity should be, and what sound parts can show.
type Expectation struct {
	Value float64 `json:"value"`
	Least float64 `json:"least"`
	Most  float64 `json:"most"`
}

// A reading is a quantity in terms of the network.
type reading struct {
	plus, minus int            // voltage, where part is none
	parts       []network.Part // currents to add up
	sign        float64
}

func (m *Model) resolve(q Quantity) (reading, error) {
	r := reading{sign: 1}
	switch {
	case q.Source != "":
		for _, s := range m.sources {
			if s.source.Name == q.Source {
				return reading{parts: []network.Part{s.part}, sign: -1}, nil
			}
		}
		return r, fmt.Errorf("there is no source %q", q.Source)
	case q.Circuit != "":
		k := m.Design.Circuit(q.Circuit)
		if k == nil {
			return r, fmt.Errorf("there is no circuit %q", q.Circuit)
		}
		r.parts = m.entry(k)
		if r.parts == nil {
			return r, fmt.Errorf("circuit %q has no protector, switch or load to read a current by", q.Circuit)
		}
		return r, nil
	}
	var ok [2]bool
	r.plus, ok[0] = m.node[q.From]
	r.minus, ok[1] = m.node[q.To]
	for i, name := range []string{q.From, q.To} {
		if !ok[i] {
			return r, fmt.Errorf("there is no terminal %q", name)
		}
	}
	return r, nil
}

// entry is where a circuit's current can be told: its protector, else its
// switch, else its load.
func (m *Model) entry(k *design.Circuit) []network.Part {
	for _, kind := range []PartKind{Protector, Switch} {
		if p := m.Part(kind, k.Name); p != nil {
			return []network.Part{p.part}
		}
	}
	for _, l := range m.loads {
		if l.circuit == k && !l.extra {
			return []network.Part{l.part}
		}
	}
	return nil
}

func (r reading) of(s *network.Solution) float64 {
	if r.parts == nil {
		return s.Volts(r.plus) - s.Volts(r.minus)
	}
	sum := 0.0
	for _, p := range r.parts {
		sum += r.sign * s.Current(p)
	}
	return sum
}

// Value is the quantity in the present state.
func (m *Model) Value(q Quantity) (float64, error) {
	r, err := m.resolve(q)
	if err != nil {
		return 0, err
	}
	s, err := m.solve()
	if err != nil {
		return 0, err
	}
	return r.of(s), nil
}

// sourceTolerance is how far a source may stand from its stated voltage while
// sound, in volts. Common practice; no published source. A battery's stated
// voltage is the rested one; it falls as it is used.
func sourceTolerance(s *design.Source) (below, above float64) {
	switch s.Kind {
	case design.Battery:
		return 0.05 * float64(s.Volts), 0.02 * float64(s.Volts)
	case design.Alternator:
		return 0.015 * float64(s.Volts), 0.015 * float64(s.Volts)
	}
	return 0.003 * float64(s.Volts), 0.003 * float64(s.Volts)
}

// A knob is one value of the model that may stand anywhere in a span.
type knob struct {
	effect           float64 // how the reading moves with it, by sign
	least, usual, hi float64
	turn             func(float64)
}

// Expect gives the design value of a quantity in a state, and the least and
// the most that sound parts of this design can show there.
func (m *Model) Expect(s State, q Quantity) (Expectation, error) {
	m.Set(s)
	r, err := m.resolve(q)
	if err != nil {
		return Expectation{}, err
	}
	sol, err := m.solve()
	if err != nil {
		return Expectation{}, err
	}
	e := Expectation{Value: r.of(sol)}
	knobs := m.knobs(r, sol)
	defer func() {
		for _, k := range knobs {
			k.turn(k.usual)
		}
		m.put()
	}()
	at := func(up bool) (float64, error) {
		for _, k := range knobs {
			k.turn(k.usual)
			if k.effect != 0 {
				k.turn(map[bool]float64{true: k.hi, false: k.least}[(k.effect > 0) == up])
			}
		}
		m.put()
		sol, err := m.solve()
		if err != nil {
			return 0, err
		}
		return r.of(sol), nil
	}
	if e.Most, err = at(true); err != nil {
		return e, err
	}
	if e.Least, err = at(false); err != nil {
		return e, err
	}
	e.Least, e.Most = math.Min(e.Least, e.Value), math.Max(e.Most, e.Value)
	return e, nil
}

// knobs lists what may vary in the present state, with the way in which each
// moves the reading.
func (m *Model) knobs(r reading, s *network.Solution) []knob {
	influence := m.influence(r, s)
	var out []knob
	for _, p := range m.parts {
		if math.IsInf(m.net.Ohms(p.part), 1) || p.Ohms.Most == p.Ohms.Least {
			continue
		}
		a, b := m.net.Ends(p.part)
		through := s.Current(p.part)
		effect := -through * (influence[b] - influence[a])
		if r.has(p.part) {
			effect -= r.sign * through
		}
		out = append(out, knob{effect, p.Ohms.Least, p.value, p.Ohms.Most, func(v float64) { p.value = v }})
	}
	for _, l := range m.loads {
		a, b := m.net.Ends(l.part)
		through := s.Current(l.part)
		effect := through * (influence[b] - influence[a])
		if r.has(l.part) {
			effect += r.sign * through
		}
		tol := coilTolerance
		if !l.extra {
			tol = float64(l.circuit.Load.Tolerance)
		}
		out = append(out, knob{effect, l.factor * (1 - tol), l.factor, l.factor * (1 + tol), func(v float64) { l.factor = v }})
	}
	for _, p := range m.sources {
		if m.net.Source(p.part).Ohms == disconnected {
			continue
		}
		a, b := m.net.Ends(p.part)
		below, above := sourceTolerance(p.source)
		// A higher voltage acts as a current forced into plus. Of the source's own
		// current it is one part itself; the terminals' rise takes some back, and
		// with constant-power loads more than all.
		effect := influence[a] - influence[b]
		if r.has(p.part) {
			effect -= r.sign
		}
		out = append(out, knob{effect, -below, p.offset, above, func(v float64) { p.offset = v }})
	}
	return out
}

func (r reading) has(p network.Part) bool {
	for _, x := range r.parts {
		if x == p {
			return true
		}
	}
	return false
}

// influence is how one ampere forced into each node moves the reading.
func (m *Model) influence(r reading, s *network.Solution) []float64 {
	if r.parts == nil {
		return s.Influence(r.plus, r.minus)
	}
	// A current is the voltage across its part times the part's slope; the sign
	// is what counts here.
	sum := make([]float64, m.net.Nodes())
	for _, p := range r.parts {
		a, b := m.net.Ends(p)
		slope := m.net.Slope(p, s.Volts(a)-s.Volts(b))
		for i, v := range s.Influence(a, b) {
			sum[i] += r.sign * v * slope
		}
	}
	return sum
}
