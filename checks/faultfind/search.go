package faultfind

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"loomproof/checks/airframe"
)

// A theory is one explanation in the making: no cause (a sound aircraft), one,
// or two.
type theory struct {
	causes  []*cause
	sizes   []float64 // the likeliest, in the unit of each place
	errs    []float64 // their standard uncertainties; 0 for single sizes
	last    []float64 // how far each moved in the last step of the fit
	log     float64   // logarithm of prior odds and likelihood, against a sound aircraft
	solved  *linear   // nil until it is solved in full
	unknown []int     // for "nothing here explains it": readings taken out
	nothing bool
	dropped bool      // another list has it
	moved   []float64 // see Answer.change
}

// screen finds the evidence for each cause by itself, in the linear picture.
func (p *problem) screen(causes []*cause) {
	for _, c := range causes {
		c.log = math.Log(c.prior) + logMean(c.cells, c.at.b, c.at.c)
	}
	slices.SortStableFunc(causes, func(a, b *cause) int { return cmp.Compare(b.log, a.log) })
}

// single makes the theory of one cause, at its likeliest size.
func single(c *cause) *theory {
	size, err := c.likeliest(c.at.b, c.at.c), 0.0
	if c.blind(size, c.at.c) {
		size, err = c.middle()
	}
	return &theory{causes: []*cause{c}, sizes: []float64{size}, errs: []float64{err}, log: c.log}
}

// blind tells that the readings say nothing of a size: what is known of it is
// that it was enough for a cut.
func (c *cause) blind(size, curve float64) bool {
	return !c.fixed && curve*size*size < 1 && c.boost() > 0
}

// middle is the middle of the sizes that are possible, and how far they reach.
func (c *cause) middle() (size, err float64) {
	sum, weight := 0.0, 0.0
	for _, s := range c.sizes {
		if m := s.lo * s.hi; m > 0 {
			sum += s.weight * math.Log(m) / 2
			weight += s.weight
		}
	}
	size = math.Exp(sum / weight)
	return size, 0.7 * size
}

// smallest is the smallest size that is possible: what made the cut.
func (c *cause) smallest() float64 {
	most, least := 0.0, math.Inf(1)
	for _, s := range c.sizes {
		most = math.Max(most, s.weight)
	}
	for _, s := range c.sizes {
		if s.weight > 0.1*most && s.lo > 0 {
			least = math.Min(least, s.lo)
		}
	}
	return least
}

// likeliest is the size that the parabola favours among those possible.
func (c *cause) likeliest(b, curve float64) float64 {
	best, at := math.Inf(-1), 0.0
	for i, k := range c.cells {
		a := b / math.Max(curve, 1e-300)
		a = math.Max(k.lo, math.Min(k.hi, a))
		v := a*b - a*a*curve/2 + math.Log(c.sizes[i].weight)
		if v > best {
			best = v
			at = c.at.size(a)
			if c.sizes[i].lo == c.sizes[i].hi {
				at = c.sizes[i].lo
			}
		}
	}
	return at
}

// A spot is a place with its causes, for the search of pairs.
type spot struct {
	at     *place
	causes []*cause
	prior  float64 // logarithm of the best prior among them, with what markings and cuts add
	z      float64 // what the readings say of it: the parabola's top is z²/2
}

func spots(causes []*cause) []*spot {
	byPlace := map[*place]*spot{}
	var out []*spot
	for _, c := range causes {
		s := byPlace[c.at]
		if s == nil {
			s = &spot{at: c.at, prior: math.Inf(-1)}
			if c.at.c > 1e-12 {
				s.z = c.at.b / math.Sqrt(c.at.c)
			}
			byPlace[c.at] = s
			out = append(out, s)
		}
		s.causes = append(s.causes, c)
		s.prior = math.Max(s.prior, math.Log(c.prior)+c.boost())
	}
	slices.SortStableFunc(out, func(a, b *spot) int { return cmp.Compare(math.Abs(b.z), math.Abs(a.z)) })
	return out
}

// keepPairs is how far below the best, in nats, a pair may stand and still be
// looked at: nearer than a single fault, since there are so many.
const keepPairs = Keep / 2

// Beyond so many places a pair is only looked for where one of its two is among
// the first so many by what the readings say of it alone.
const (
	allPairs  = 700
	firstOnly = 150
)

// pairs finds the pairs of causes at different places that may matter beside the
// best single one. What two places together can gain at any sizes is worked out
// for each pair of places: no causes there can do better, so that those left out
// are left out soundly.
func (p *problem) pairs(causes []*cause, best float64) []*theory {
	var out []*theory
	all := spots(causes)
	first := len(all)
	if first > allPairs {
		first = firstOnly
	}
	for i, s := range all[:first] {
		for _, o := range all[i+1:] {
			if s.at.c <= 1e-12 || o.at.c <= 1e-12 {
				continue
			}
			rho := dot(s.at.w, o.at.w) / math.Sqrt(s.at.c*o.at.c)
			if rho*rho > 1-1e-6 {
				continue // one does what the other does
			}
			top := s.z*s.z/2 + sq(o.z-rho*s.z)/(2*(1-rho*rho))
			if s.prior+o.prior+top < best-keepPairs {
				continue
			}
			for _, c := range s.causes {
				for _, d := range o.causes {
					if t := p.pair(c, d); t != nil && t.log > best-keepPairs {
						out = append(out, t)
					}
				}
			}
		}
	}
	slices.SortStableFunc(out, func(a, b *theory) int { return cmp.Compare(b.log, a.log) })
	return out
}

// boost is what a cause gains beside the readings: by markings and cuts.
func (c *cause) boost() float64 {
	most := 0.0
	for _, s := range c.sizes {
		most = math.Max(most, s.weight)
	}
	return math.Max(0, math.Log(most))
}

// pair works out two causes together in the linear picture.
func (p *problem) pair(c, o *cause) *theory {
	g := dot(c.at.w, o.at.w)
	det := c.at.c*o.at.c - g*g
	if det < 1e-9*c.at.c*o.at.c || det == 0 {
		return nil // one does what the other does
	}
	top := (c.at.b*c.at.b*o.at.c - 2*c.at.b*o.at.b*g + o.at.b*o.at.b*c.at.c) / (2 * det)
	if math.Log(c.prior*o.prior)+top+c.boost()+o.boost() < math.Max(c.log, o.log) {
		return nil // a single one does as well
	}
	a := c.at.amplitude(c.likeliest((c.at.b*o.at.c-o.at.b*g)/o.at.c, det/o.at.c))
	second := o.at.amplitude(o.likeliest(o.at.b-a*g, o.at.c))
	a = c.at.amplitude(c.likeliest(c.at.b-second*g, c.at.c))
	// The first at its best size, with what its own width costs; the second
	// in the mean over its sizes.
	log := math.Log(c.prior*o.prior) + a*c.at.b - a*a*c.at.c/2 + c.width(a, det/o.at.c) + logMean(o.cells, o.at.b-a*g, o.at.c)
	return &theory{
		causes: []*cause{c, o}, log: log,
		sizes: []float64{c.at.size(a), o.likeliest(o.at.b-a*g, o.at.c)},
	}
}

// width is the logarithm of the prior at an amplitude times the width of the
// likelihood there.
func (c *cause) width(a, curve float64) float64 {
	best := math.Inf(-1)
	for _, k := range c.cells {
		switch {
		case k.lo == k.hi && math.Abs(a-k.lo) <= 1e-9*math.Abs(k.lo):
			return math.Log(k.weight)
		case k.lo < k.hi && a >= k.lo-1e-12 && a <= k.hi+1e-12:
			best = math.Max(best, math.Log(k.weight)+math.Min(0, 0.5*math.Log(2*math.Pi/math.Max(curve, 1e-300))-math.Log(k.hi-k.lo)))
		}
	}
	return best
}

// farOff is how many standard deviations a reading must be off for its circuit to
// be tried for upheavals.
const farOff = 4.0

// upheavals proposes what changes the network too much for one direction to tell:
// exchanged wires and broken ones. Only circuits whose own readings are far off
// are tried: such a fault moves the readings of at least one circuit, or it shows
// nowhere.
func (p *problem) upheavals(base *linear, causes []*cause) []*cause {
	z := make([]float64, len(p.y))
	for i := range z {
		total := sq(p.c.Readings[i].U)
		for _, e := range base.rows[i] {
			total += e.by * e.by
		}
		z[i] = math.Abs(p.y[i]-base.mean[i]) / math.Sqrt(total)
	}
	odd := map[string]bool{}
	for i, r := range p.c.Readings {
		if z[i] < farOff {
			continue
		}
		for _, name := range []string{r.Of.From, r.Of.To} {
			if t := p.c.Design.Terminal(name); t != nil {
				if t.Circuit != nil {
					odd[t.Circuit.Name] = true
				}
				for _, run := range t.Runs {
					if t.Circuit == nil && !p.c.Design.IsBus(name) && !p.c.Design.IsGround(name) {
						odd[run.Circuit.Name] = true
					}
				}
			}
		}
	}
	for _, k := range p.c.Looks {
		if math.Abs(p.deviation(base, k)) >= farOff {
			for name := range p.switched(k) {
				odd[name] = true
			}
		}
	}
	var out []*cause
	for _, c := range causes {
		if c.kind == "open" && odd[c.circuit] {
			out = append(out, c)
		}
	}
	for _, k := range p.c.Design.Circuits {
		if odd[k.Name] {
			out = append(out, p.swapsOf(k.Name, odd)...)
		}
	}
	return out
}

// switched names the circuits that were switched between the two readings of a look
// at a source's current: what they differ by is theirs.
func (p *problem) switched(k Look) map[string]bool {
	out := map[string]bool{}
	if k.Minus < 0 || p.c.Readings[k.Plus].Of.Source == "" {
		return out
	}
	a, b := p.c.Readings[k.Plus].In, p.c.Readings[k.Minus].In
	for _, pair := range [][2]map[string]bool{{a.Closed, b.Closed}, {a.On, b.On}} {
		for _, circuit := range p.c.Design.Circuits {
			if pair[0][circuit.Name] != pair[1][circuit.Name] {
				out[circuit.Name] = true
			}
		}
	}
	return out
}

// pinsOf lists the contacts of a connector whose wires belong to certain circuits.
func pinsOf(p *problem, connector string, pins int, of func(circuit string) bool) (out []string) {
	for i := 1; i <= pins; i++ {
		name := fmt.Sprintf("%s.%d", connector, i)
		if t := p.c.Design.Terminal(name); t != nil && len(t.Runs) > 0 && of(t.Runs[0].Circuit.Name) {
			out = append(out, name)
		}
	}
	return out
}

func (p *problem) swapsOf(name string, odd map[string]bool) (out []*cause) {
	circuits := p.c.Design.Circuits
	add := func(kind string, f airframe.Fault, prior float64) {
		out = append(out, &cause{kind: kind, at: &place{part: -1, load: -1, source: -1}, prior: prior, circuit: name, swap: true, fixed: true, sizes: []cell{{1, 1, 1}}, cells: []cell{{1, 1, 1}}, fault: func(float64) airframe.Fault { return f }})
	}
	k := p.c.Design.Circuit(name)
	for _, o := range circuits {
		if o.Name == name || odd[o.Name] && o.Name < name || o.Protector() == nil || k.Protector() == nil {
			continue
		}
		add("swapped-circuits", airframe.Fault{Kind: airframe.SwappedCircuits, At: name, Other: o.Name}, p.rates["swapped-circuits"]/math.Max(1, float64(len(circuits)-1)))
	}
	for _, c := range p.c.Design.Connectors {
		for _, at := range pinsOf(p, c.Name, c.Pins, func(circuit string) bool { return circuit == name }) {
			for _, other := range pinsOf(p, c.Name, c.Pins, func(circuit string) bool { return circuit != name && !(odd[circuit] && circuit < name) }) {
				add("swapped-pins", airframe.Fault{Kind: airframe.SwappedPins, At: at, Other: other}, p.rates["swapped-pins"]/2)
			}
		}
	}
	return out
}

// mostUpheavals is how many of them are solved in full.
const mostUpheavals = 4

// tryAll solves the readings' means with each upheaval in: only those that come
// near are worth a covariance.
func (p *problem) tryAll(causes []*cause, base *linear) []*theory {
	var out []*theory
	for _, c := range causes {
		if t := p.try(c, base); t != nil {
			out = append(out, t)
		}
	}
	slices.SortStableFunc(out, func(a, b *theory) int { return cmp.Compare(b.log, a.log) })
	return out[:min(len(out), mostUpheavals)]
}

func (p *problem) try(c *cause, base *linear) *theory {
	l := linear{p: p, faults: []airframe.Fault{c.fault(c.sizes[0].lo)}}
	if l.ready() != nil {
		return nil
	}
	m := l.model
	sum, state := 0.0, -1
	for i, r := range p.c.Readings {
		if p.in[i] != state {
			state = p.in[i]
			m.Set(p.states[state])
		}
		v, err := m.Value(r.Of)
		if err != nil {
			return nil
		}
		total := sq(r.U)
		for _, e := range base.rows[i] {
			total += e.by * e.by
		}
		sum += math.Min(sq(p.y[i]-v)/total, 1e4)
	}
	return &theory{causes: []*cause{c}, sizes: []float64{c.sizes[0].lo}, log: math.Log(c.prior) - sum/2 + dot(base.r, base.r)/2}
}
