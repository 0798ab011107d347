package faultfind

import (
	"fmt"
	"math"
	"reflect"
	"slices"

	"loomproof/checks/airframe"
	"loomproof/checks/wire"
)

// A twist is something wrong with an instrument.
type twist struct {
	instrument string
	gain       float64 // part added to each reading
	zero       float64 // added to each reading, in its unit
	reversed   bool
	black      string // where the black probe really is; "" is where it should be
	red        string // likewise for the red one
	airframe   bool   // the black probe is on the airframe
}

// of is the quantity that a twisted instrument really reads.
func (t twist) of(q airframe.Quantity) airframe.Quantity {
	if q.From == "" {
		return q
	}
	if t.red != "" {
		q.From = t.red
	}
	if t.black != "" || t.airframe {
		q.To = t.black
	}
	return q
}

// acts tells whether the twist touches a reading. A wrong black probe is the one
// that stays clipped to the same place: it touches readings against home only.
func (t twist) acts(r *Reading, home string) bool {
	if t.instrument != r.Instrument {
		return false
	}
	if t.black != "" || t.airframe {
		return r.Of.From != "" && r.Of.To == home
	}
	return t.red == "" && !t.reversed || r.Of.From != ""
}

// A problem is a case made ready.
type problem struct {
	c      *Case
	rates  Rates
	y      []float64
	states []airframe.State
	in     []int           // the state of each reading
	home   string          // terminal of the black probe
	only   map[string]bool // circuits to look at; nil for all
	terms  []string
	term   map[string]int
	model  *airframe.Model // sound
	broken *airframe.Model // with those faults in that can be mended
	has    []airframe.Fault
	loads  []airframe.LoadSpan
	feeds  []airframe.SourceSpan
	gains  map[string]int // by instrument and range
	sd     []float64      // of the nuisances: parts, loads, sources, gains
	shift  []float64      // their mean from the usual
}

func newProblem(c *Case, rates Rates) *problem {
	p := &problem{c: c, rates: rates, model: airframe.New(c.Design), term: map[string]int{}, gains: map[string]int{}}
	for i := range c.Readings {
		r := &c.Readings[i]
		p.y = append(p.y, r.Value)
		p.in = append(p.in, p.stateOf(r.In))
		key := fmt.Sprintf("%s %g", r.Instrument, r.Range)
		if _, ok := p.gains[key]; !ok {
			p.gains[key] = len(p.gains)
		}
	}
	for _, cut := range c.Cuts {
		p.stateOf(cut.In) // nothing was read there, but something had voltage
	}
	for _, t := range c.Design.Terminals() {
		if p.model.Powered(t.Name) {
			p.term[t.Name] = len(p.terms)
			p.terms = append(p.terms, t.Name)
		}
	}
	p.home = home(c.Readings)
	p.loads, p.feeds = p.model.Loads(), p.model.Sources()
	p.nuisances()
	return p
}

// near tells whether a circuit is to be looked at. What belongs to none, and
// feeders, always are.
func (p *problem) near(circuit string) bool {
	if p.only == nil || circuit == "" || p.only[circuit] {
		return true
	}
	k := p.c.Design.Circuit(circuit)
	return k == nil || k.Feeder
}

// home is the terminal that the black probe is on most of the time.
func home(readings []Reading) (best string) {
	count := map[string]int{}
	for _, r := range readings {
		if r.Of.From != "" {
			count[r.Of.To]++
			if count[r.Of.To] > count[best] {
				best = r.Of.To
			}
		}
	}
	return best
}

// stateOf finds a state among those known, the latest first: a worksheet goes on
// from one to the next.
func (p *problem) stateOf(s airframe.State) int {
	for i := len(p.states) - 1; i >= 0; i-- {
		if reflect.DeepEqual(p.states[i], s) {
			return i
		}
	}
	p.states = append(p.states, s)
	return len(p.states) - 1
}

// halves gives mean and deviation of a value that lies below the usual one as
// often as above it, evenly on each side.
func halves(s wire.Spread) (mean, sd float64) {
	a, b := (s.Least+s.Usual)/2, (s.Usual+s.Most)/2
	mean = (a + b) / 2
	va, vb := sq(s.Usual-s.Least)/12, sq(s.Most-s.Usual)/12
	return mean, math.Sqrt((va+vb)/2 + sq(b-a)/4)
}

func sq(x float64) float64 { return x * x }

func (p *problem) nuisances() {
	add := func(s wire.Spread) {
		mean, sd := halves(s)
		p.sd, p.shift = append(p.sd, sd), append(p.shift, mean-s.Usual)
	}
	for _, part := range p.model.Parts() {
		add(part.Ohms)
	}
	for _, l := range p.loads {
		add(wire.Spread{Least: 1 - l.Tolerance, Usual: 1, Most: 1 + l.Tolerance})
	}
	for _, s := range p.feeds {
		add(wire.Spread{Least: -s.Below, Usual: 0, Most: s.Above})
	}
}

// An entry is one nuisance's weight in a reading, in its own deviations.
type entry struct {
	at int
	by float64
}

// A linear is what the model says of the readings, with some faults in, and how
// they move.
type linear struct {
	p      *problem
	faults []airframe.Fault
	model  *airframe.Model // see ready
	mean   []float64
	sense  []*airframe.Sense
	rows   [][]entry
	volts  [][]float64 // by state and terminal, against the airframe
	given  [][]float64 // by state and source: amperes
	f      factor
	r      []float64 // whitened residuals
	logL   float64
}

// insignificant is the part of a reading's own uncertainty below which a
// nuisance is left out of it.
const insignificant = 1e-3

// predict solves the model with faults in for every reading. The sound model is
// shared: its linear must be done with before the next is asked for.
func (p *problem) predict(faults []airframe.Fault, twists []twist) (*linear, error) {
	l := &linear{p: p, faults: faults}
	if err := l.ready(); err != nil {
		return nil, err
	}
	n := len(p.c.Readings)
	l.mean, l.rows, l.sense = make([]float64, n), make([][]entry, n), make([]*airframe.Sense, n)
	l.volts, l.given = make([][]float64, len(p.states)), make([][]float64, len(p.states))
	state := -1
	for i := range p.c.Readings {
		if p.in[i] != state {
			state = p.in[i]
			if err := l.enter(state); err != nil {
				return nil, err
			}
		}
		if err := l.read(i, twists); err != nil {
			return nil, err
		}
	}
	for state, volts := range l.volts {
		if volts == nil {
			if err := l.enter(state); err != nil {
				return nil, err
			}
		}
	}
	return l, nil
}

// ready has the model hold the faults. Models are shared between solutions, so it
// is called before a solution is asked anything new.
func (l *linear) ready() error {
	p := l.p
	mendable := !slices.ContainsFunc(l.faults, func(f airframe.Fault) bool { return !f.Kind.Mendable() })
	switch {
	case len(l.faults) == 0:
		l.model = p.model
		return nil
	case !mendable && l.model != nil:
		return nil
	case !mendable:
		l.model = airframe.New(p.c.Design)
	case p.broken != nil && slices.Equal(p.has, l.faults):
		l.model = p.broken
		return nil
	case p.broken == nil:
		p.broken = airframe.New(p.c.Design)
		fallthrough
	default:
		p.broken.Mend()
		p.has, l.model = l.faults, p.broken
	}
	for _, f := range l.faults {
		if err := l.model.Break(f); err != nil {
			return err
		}
	}
	return nil
}

func (l *linear) enter(state int) error {
	l.model.Set(l.p.states[state])
	if l.volts[state] != nil {
		return nil
	}
	volts := make([]float64, len(l.p.terms))
	for i, t := range l.p.terms {
		v, err := l.model.Volts(t, "")
		if err != nil {
			return err
		}
		volts[i] = v
	}
	l.volts[state] = volts
	for _, s := range l.p.feeds {
		amperes, err := l.model.Value(airframe.OutOf(s.Source.Name))
		if err != nil {
			return err
		}
		l.given[state] = append(l.given[state], amperes)
	}
	return nil
}

func (l *linear) read(i int, twists []twist) error {
	r := &l.p.c.Readings[i]
	of, factor, zero := r.Of, 1.0, 0.0
	for _, t := range twists {
		if !t.acts(r, l.p.home) {
			continue
		}
		of = t.of(of)
		factor *= 1 + t.gain
		if t.reversed {
			factor = -factor
		}
		zero += t.zero
	}
	s, err := l.model.Sense(of)
	if err != nil {
		return err
	}
	l.sense[i] = s
	l.mean[i], l.rows[i] = l.p.nuisance(r, s)
	l.mean[i] = factor*l.mean[i] + zero
	for k := range l.rows[i] {
		l.rows[i][k].by *= factor
	}
	return nil
}

// nuisance is a reading's mean over what may differ in a sound aircraft, and its
// weights.
func (p *problem) nuisance(r *Reading, s *airframe.Sense) (mean float64, row []entry) {
	mean = s.Value
	least := insignificant * r.U
	take := func(at int, slope float64) {
		if slope == 0 {
			return
		}
		mean += slope * p.shift[at]
		if by := slope * p.sd[at]; math.Abs(by) > least {
			row = append(row, entry{at, by})
		}
	}
	parts := len(p.model.Parts())
	for k := range parts {
		take(k, s.Parts[k])
	}
	for k, slope := range s.Loads {
		take(parts+k, slope)
	}
	for k, slope := range s.Sources {
		take(parts+len(p.loads)+k, slope)
	}
	if r.Gain > 0 {
		at := len(p.sd) + p.gains[fmt.Sprintf("%s %g", r.Instrument, r.Range)]
		row = append(row, entry{at, mean * r.Gain})
	}
	return mean, row
}

// judge factors the covariance and whitens the residuals.
func (l *linear) judge() {
	n := len(l.mean)
	s := make([][]float64, n)
	cells := make([]float64, n*(n+1)/2)
	columns := make([][]entry, len(l.p.sd)+len(l.p.gains))
	for i := range s {
		s[i], cells = cells[:i+1], cells[i+1:]
		s[i][i] = sq(l.p.c.Readings[i].U)
		for _, e := range l.rows[i] {
			for _, other := range columns[e.at] {
				s[i][other.at] += e.by * other.by
			}
			s[i][i] += e.by * e.by
			columns[e.at] = append(columns[e.at], entry{i, e.by})
		}
	}
	l.f = factorise(s)
	residual := make([]float64, n)
	for i := range residual {
		residual[i] = l.p.y[i] - l.mean[i]
	}
	l.r = l.f.whiten(residual)
	l.logL = -0.5*dot(l.r, l.r) - 0.5*l.f.logDet
}

// covariance is that of two rows, without what a reading has for itself.
func covariance(a, b []entry) float64 {
	sum := 0.0
	for i, j := 0, 0; i < len(a) && j < len(b); {
		switch {
		case a[i].at < b[j].at:
			i++
		case a[i].at > b[j].at:
			j++
		default:
			sum += a[i].by * b[j].by
			i++
			j++
		}
	}
	return sum
}
