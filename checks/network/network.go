package network

import (
	"fmt"
	"math"
	"slices"
)

// A Network is a set of nodes and the parts between them. Node 0 is the
// reference: its potential is 0 V. A Network is not for several goroutines.
type Network struct {
	nodes int
	parts []part

	plan *plan     // order of elimination; nil after a part was added
	last []float64 // the last solution, where the next one starts
}

// A Part names one part of a network, in the order of adding.
type Part int

type part struct {
	a, b int     // current is positive from a to b
	g    float64 // conductance of a resistor, in siemens
	dev  device  // what is not a resistor; nil for a resistor
	now  line    // what stands for it in the equations
	slot int     // its pair of nodes in the plan
}

// A device is a part whose current is not proportional to its voltage.
type device interface {
	// through gives the current from a to b in amperes at a voltage from a to
	// b, and the slope of that current, in siemens.
	through(volts float64) (amperes, slope float64)
	// tangent gives the line that touches the device's curve at a voltage.
	tangent(volts float64) line
	// opening gives the line for the first round of a search, where volts is
	// only the last solution's, or NaN.
	opening(volts float64) line
}

// A line is what stands for a part while the node equations are solved: its
// current is slope times voltage, plus at0.
type line struct {
	slope float64 // siemens
	at0   float64 // amperes at 0 V; 0 for a resistor
}

// New makes a network of n nodes, numbered from 0, the reference.
func New(n int) *Network { return &Network{nodes: n} }

// Nodes is how many nodes there are.
func (n *Network) Nodes() int { return n.nodes }

// AddNode adds one node and gives its number.
func (n *Network) AddNode() int {
	n.plan = nil
	n.nodes++
	return n.nodes - 1
}

// AddResistor puts a resistance between two nodes, in ohms, above zero.
// Infinity is an open circuit.
func (n *Network) AddResistor(a, b int, ohms float64) Part {
	p := n.add(part{a: a, b: b})
	n.SetOhms(p, ohms)
	return p
}

// AddSource puts a source between two nodes. Its current is counted positive
// from plus to minus inside the source: a source that delivers has a negative
// current, as a load has a positive one.
func (n *Network) AddSource(plus, minus int, s Source) Part {
	return n.add(part{a: plus, b: minus, dev: &s})
}

// AddLoad puts a load between two nodes.
func (n *Network) AddLoad(plus, minus int, l Load) Part {
	return n.add(part{a: plus, b: minus, dev: &l})
}

func (n *Network) add(p part) Part {
	if p.a < 0 || p.b < 0 || p.a >= n.nodes || p.b >= n.nodes {
		panic(fmt.Sprintf("network: node %d or %d does not exist among %d", p.a, p.b, n.nodes))
	}
	n.plan = nil
	n.parts = append(n.parts, p)
	return Part(len(n.parts) - 1)
}

// SetOhms gives a resistor another resistance. It panics on a part that is no
// resistor, and on a resistance that is not above zero.
func (n *Network) SetOhms(p Part, ohms float64) {
	if n.parts[p].dev != nil || !(ohms > 0) {
		panic(fmt.Sprintf("network: part %d cannot have %v Ω", p, ohms))
	}
	n.parts[p].g = 1 / ohms
	n.draw(&n.parts[p], line{n.parts[p].g, 0})
}

// draw puts another line in the place of a part; what depends on it will be
// eliminated again.
func (n *Network) draw(p *part, l line) {
	if p.now == l {
		return
	}
	p.now = l
	if n.plan != nil {
		n.plan.work.changed(p)
	}
}

// SetSource gives a source other values.
func (n *Network) SetSource(p Part, s Source) { *n.parts[p].dev.(*Source) = s }

// SetLoad gives a load other values.
func (n *Network) SetLoad(p Part, l Load) { *n.parts[p].dev.(*Load) = l }

// Ends are the nodes that a part lies between.
func (n *Network) Ends(p Part) (a, b int) { return n.parts[p].a, n.parts[p].b }

// Ohms is a resistor's resistance.
func (n *Network) Ohms(p Part) float64 { return 1 / n.parts[p].g }

// Source returns the values of the source that p is.
func (n *Network) Source(p Part) Source { return *n.parts[p].dev.(*Source) }

// Load returns the values of the load that p is.
func (n *Network) Load(p Part) Load { return *n.parts[p].dev.(*Load) }

// A Solution is the state of a network. It stays valid when the network
// changes afterwards, except for Influence.
type Solution struct {
	network *Network
	volts   []float64
	dead    []bool
	current []float64 // by part
}

// Volts is a node's potential against the reference. It is 0 for a dead node.
func (s *Solution) Volts(node int) float64 { return s.volts[node] }

// Dead tells that a node hangs in the air: no part joins it to the reference.
func (s *Solution) Dead(node int) bool { return s.dead[node] }

// Current is the current through a part in amperes, from its first node to its
// second.
func (s *Solution) Current(p Part) float64 { return s.current[p] }

// How often the search goes round. With tangents a sound design takes four to
// six rounds. Where a source has come to its current limit and the loads draw
// more the less voltage they get, tangents lead the wrong way and swing; there
// each load is taken as the resistor that draws the same, which always leads
// down to where the loads starve, if slowly.
const (
	tangentRounds = 25
	maxRounds     = 2000
)

// Solve finds the voltages. It fails with [*NoSolution] when no voltages
// satisfy all parts, which a current forced into nothing can cause. After a
// change it starts from the last solution, and takes up only what the change
// reaches.
func (n *Network) Solve() (*Solution, error) {
	if n.plan == nil {
		n.plan = newPlan(n)
		n.last = nil
	}
	if s := n.again(); s != nil {
		return s, nil
	}
	return n.anew()
}

// anew searches from lines that always have a solution.
func (n *Network) anew() (*Solution, error) {
	w := n.plan.work
	volts := make([]float64, n.nodes)
	copy(volts, n.last)
	next := slices.Clone(volts)
	dead := make([]bool, n.nodes)
	before := math.Inf(1)
	for round := range maxRounds {
		n.stamp(volts, round == 0 || round >= tangentRounds)
		w.eliminate()
		if err := w.substitute(n.plan.bent, next, dead); err != nil {
			return nil, n.explain(err, volts)
		}
		moved, at := furthest(volts, next)
		copy(volts, next)
		if moved <= 1e-13*(1+math.Abs(next[at])) || moved <= 1e-10 && moved >= before {
			if err := w.substitute(n.plan.every, volts, dead); err != nil {
				return nil, n.explain(err, volts)
			}
			n.last = volts
			return n.solution(volts, dead), nil
		}
		before = moved
		if round == tangentRounds-1 { // begin anew
			n.last = nil
			clear(volts)
		}
	}
	return nil, n.explain(errUnsettled, volts)
}

// Forget makes the next solution start from nothing, not from the last one.
func (n *Network) Forget() { n.last = nil }

// stamp draws each device's line at the present voltages.
func (n *Network) stamp(volts []float64, opening bool) {
	for _, i := range n.plan.devices {
		p := &n.parts[i]
		v := volts[p.a] - volts[p.b]
		switch {
		case !opening:
			n.draw(p, p.dev.tangent(v))
		case n.last == nil && v == 0:
			n.draw(p, p.dev.opening(math.NaN()))
		default:
			n.draw(p, p.dev.opening(v))
		}
	}
}

// The search from the last solution: after how many rounds it is given up, how
// far a line may stand from its device's current (in amperes, and as a part of
// it), and how far a load's voltage may jump in one round (as a part of the
// voltage that its draw is stated for) before its tangent is not trusted.
const (
	againRounds = 12
	lineError   = 1e-13
	trust       = 0.1
)

// again solves from the last solution with the tangents that stand there; nil
// if there is none or if that leads nowhere, as where a supply has come to its
// limit.
func (n *Network) again() *Solution {
	if n.last == nil {
		return nil
	}
	w := n.plan.work
	volts, next := slices.Clone(n.last), slices.Clone(n.last)
	dead := make([]bool, n.nodes)
	for round := range againRounds {
		if !n.redraw(volts) && round > 0 {
			if w.substitute(n.plan.every, volts, dead) != nil {
				return nil
			}
			n.last = volts
			return n.solution(volts, dead)
		}
		w.eliminate()
		if w.substitute(n.plan.bent, next, dead) != nil {
			return nil
		}
		if n.retreat(volts, next) {
			w.eliminate()
			if w.substitute(n.plan.bent, next, dead) != nil {
				return nil
			}
		}
		volts, next = next, volts
	}
	return nil
}

// redraw draws the tangents of those devices whose current their line does not
// tell any more, and says whether there were any.
func (n *Network) redraw(volts []float64) (any bool) {
	for _, i := range n.plan.devices {
		p := &n.parts[i]
		v := volts[p.a] - volts[p.b]
		if l, ok := p.dev.(*Load); ok {
			amperes := l.Current(v)
			if math.Abs(amperes-p.now.slope*v-p.now.at0) <= lineError*(1+amperes) {
				continue
			}
		}
		was := p.now
		n.draw(p, p.dev.tangent(v))
		any = any || p.now != was
	}
	return any
}

// retreat takes loads whose voltage has jumped as the resistors that draw the
// same as before the jump: the tangent of a load that draws constant power has
// no place to rest when its breaker has just been opened.
func (n *Network) retreat(volts, next []float64) (any bool) {
	for _, i := range n.plan.devices {
		p := &n.parts[i]
		l, ok := p.dev.(*Load)
		if !ok || p.now.at0 == 0 {
			continue
		}
		v := volts[p.a] - volts[p.b]
		if math.Abs(next[p.a]-next[p.b]-v) > trust*l.At {
			n.draw(p, l.opening(v))
			any = true
		}
	}
	return any
}

func (n *Network) solution(volts []float64, dead []bool) *Solution {
	s := &Solution{network: n, volts: make([]float64, n.nodes), dead: dead, current: make([]float64, len(n.parts))}
	copy(s.volts, volts)
	for i := range n.parts {
		p := &n.parts[i]
		v := volts[p.a] - volts[p.b]
		if p.dev == nil {
			s.current[i] = p.g * v
		} else {
			s.current[i], _ = p.dev.through(v)
		}
	}
	return s
}

func furthest(a, b []float64) (moved float64, at int) {
	for i := range a {
		if d := math.Abs(a[i] - b[i]); d > moved {
			moved, at = d, i
		}
	}
	return moved, at
}

// Influence gives, for each node, the volts that one ampere forced into it
// moves the voltage from plus to minus, about this solution. The network must
// be as it was solved. It is how the value of a part acts on a reading: raising
// the current of a part from a to b by one ampere moves the reading by
// influence[b] - influence[a].
func (s *Solution) Influence(plus, minus int) []float64 {
	n, w := s.network, s.network.plan.work
	n.stamp(s.volts, false)
	w.eliminate()
	in := make([]float64, n.nodes)
	if !s.dead[plus] {
		in[plus]++
	}
	if !s.dead[minus] {
		in[minus]--
	}
	in[0] = 0
	out := make([]float64, n.nodes)
	w.respond(in, out)
	return out
}

// Slope is how a part's current grows with the voltage across it, in siemens,
// at a voltage.
func (n *Network) Slope(p Part, volts float64) float64 {
	if n.parts[p].dev == nil {
		return n.parts[p].g
	}
	_, slope := n.parts[p].dev.through(volts)
	return slope
}

// Rewire moves a part to other nodes.
func (n *Network) Rewire(p Part, a, b int) {
	n.plan = nil
	n.parts[p].a, n.parts[p].b = a, b
}

// Each calls f for every part with its ends and its value: ohms as a float64
// for a resistor, or a [Source], or a [Load].
func (n *Network) Each(f func(p Part, a, b int, value any)) {
	for i := range n.parts {
		p := &n.parts[i]
		switch dev := p.dev.(type) {
		case nil:
			f(Part(i), p.a, p.b, 1/p.g)
		case *Source:
			f(Part(i), p.a, p.b, *dev)
		case *Load:
			f(Part(i), p.a, p.b, *dev)
		}
	}
}
