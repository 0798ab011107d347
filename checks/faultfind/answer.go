package faultfind

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"loomproof/checks/airframe"
	"loomproof/checks/units"
)

// An Explanation is one fault, or two, that may be behind the readings.
type Explanation struct {
	Probability float64          `json:"probability"`
	Says        string           `json:"says"`
	Parts       []Part           `json:"parts"`    // one or two; none for a sound aircraft or "nothing here explains it"
	Explains    []string         `json:"explains"` // ids of the looks that are odd in a sound aircraft and not with this
	Leaves      []string         `json:"leaves"`   // ids of those that stay odd, or become so
	Fit         float64          `json:"fit"`      // probability of a chi-square as large by chance
	Hot         *Heat            `json:"hot,omitempty"`
	Faults      []airframe.Fault `json:"-"`

	theory *theory
}

// A Part is one fault of an explanation.
type Part struct {
	Kind    string   `json:"kind"`
	Where   string   `json:"where"`
	Circuit string   `json:"circuit,omitempty"`
	Or      []string `json:"or,omitempty"`     // places that these readings cannot tell from it
	Shared  []string `json:"shared,omitempty"` // circuits that hang on the same ground point
	Size    *float64 `json:"size"`             // with what interval, and in what unit; null where the kind has none
	Low     *float64 `json:"low"`              // 95 %
	High    *float64 `json:"high"`
	Unit    string   `json:"unit,omitempty"`
	Says    string   `json:"says"`
	Try     string   `json:"try"`
}

// An Answer is what the readings say.
type Answer struct {
	Explanations []Explanation `json:"explanations"` // the likeliest first
	Odd          []string      `json:"odd"`          // ids of the looks that a sound aircraft would hardly show
	Doubt        string        `json:"doubt,omitempty"`
	Readings     int           `json:"readings"`
	LeftOut      int           `json:"left_out"` // readings that were as they should be and far from everything odd

	p        *problem
	sound    *linear
	theories []*theory
}

// Sound is the kind of the explanation that nothing is wrong.
const (
	soundSays   = "nothing is wrong: parts, loads and instruments are within what sound ones may show"
	nothingSays = "nothing here explains it: readings are off for a reason that is not in the list"
)

// IsSound tells whether the explanation is that nothing is wrong.
func (e Explanation) IsSound() bool {
	return e.theory != nil && len(e.theory.causes) == 0 && !e.theory.nothing
}

// IsNothing tells whether the explanation is that none of the others is right.
func (e Explanation) IsNothing() bool { return e.theory != nil && e.theory.nothing }

// least is the probability below which an explanation is not worth a line, and
// most how many are told.
const (
	leastTold = 0.002
	mostTold  = 12
)

// ErrNoReadings is returned, wrapped, for a case without voltages, currents,
// markings or cuts: there is nothing to explain.
var ErrNoReadings = errors.New("it has no voltages or currents with the power on: there is nothing to explain")

func (c *Case) empty() bool { return len(c.Readings)+len(c.Cuts)+len(c.Markings) == 0 }

// Find works out the explanations of a case.
func Find(c *Case, rates Rates) (*Answer, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	if c.empty() {
		return nil, ErrNoReadings
	}
	c, only, left, err := relevant(c)
	if err != nil {
		return nil, fmt.Errorf("faultfind: %w", err)
	}
	if c.empty() { // all that it has is of what no fault here can change
		return nil, ErrNoReadings
	}
	p := newProblem(c, rates)
	p.only = only
	sound, err := p.predict(nil, nil)
	if err != nil {
		return nil, fmt.Errorf("faultfind: %w", err)
	}
	sound.judge()
	a := &Answer{p: p, sound: sound, Readings: len(c.Readings), LeftOut: left, Odd: []string{}}
	theories := []*theory{{solved: sound}, p.nothing(sound)}
	found, err := p.search(sound)
	if err != nil {
		return nil, fmt.Errorf("faultfind: %w", err)
	}
	a.tell(append(theories, found...))
	return a, nil
}

// How many theories are solved in full, and how many pairs among them.
const (
	mostRefined = 14
	mostPairs   = 4
)

// search finds the theories that matter, those at the front solved in full. What
// the linear picture says of a large fault may be wrong by much: so the first of
// each sort are solved whatever it says.
func (p *problem) search(sound *linear) ([]*theory, error) {
	causes := p.causes(sound)
	p.screen(causes)
	var singles []*theory
	best := 0.0
	for _, c := range causes {
		if c.log >= -Keep {
			singles = append(singles, single(c))
			best = math.Max(best, c.log)
		}
	}
	upheavals := p.tryAll(p.upheavals(sound, causes), sound)
	pairs := p.pairs(causes, best)
	pairs = pairs[:min(len(pairs), mostPairs)]
	r := refiner{p: p, sound: sound, seen: map[string]bool{}}
	for _, sort := range [][]*theory{upheavals, singles, pairs} {
		if err := r.front(sort); err != nil {
			return nil, err
		}
	}
	// A pair or an upheaval that was not solved has only a rough picture: not
	// enough to say. So has a single fault once another was solved and is far
	// ahead.
	var out []*theory
	for _, t := range slices.Concat(upheavals, singles, pairs) {
		rough := t.solved == nil && (len(t.causes) > 1 || t.causes[0].swap || t.causes[0].kind == "open" || r.best > t.log+Keep)
		if !rough && !math.IsInf(t.log, -1) && !math.IsNaN(t.log) && !t.dropped {
			out = append(out, t)
		}
	}
	return out, nil
}

// A refiner solves the front of lists of theories.
type refiner struct {
	p     *problem
	sound *linear
	seen  map[string]bool
	best  float64
}

// front solves the first theories of a list in full: those that the list itself
// puts near its first. Of several causes at one place only the first is solved at
// once; what its full solution has changed holds for the others, too, and those
// that then come near are solved themselves.
func (r *refiner) front(list []*theory) error {
	shift := map[*place]float64{}
	first := 0.0
	solved := 0
	for n, t := range list {
		rough := t.log
		if n == 0 {
			first = rough
		}
		at := t.causes[len(t.causes)-1].at
		by, known := shift[at]
		known = known && len(t.causes) == 1 && !t.causes[0].swap
		if known {
			t.log += by
		}
		near := rough > first-Keep/2 && (n == 0 || rough > -Keep/2)
		switch {
		case t.dropped || r.seen[t.key()]:
			t.dropped = true
			continue
		case known && t.log < r.best-worthSolving, !near && n >= 2, solved >= mostRefined:
			continue
		}
		r.seen[t.key()] = true
		if err := r.p.refine(t, r.sound); err != nil {
			return err
		}
		solved++
		if len(t.causes) == 1 && !known {
			shift[at] = t.log - rough
		}
		r.best = math.Max(r.best, t.log)
	}
	return nil
}

// worthSolving is how far, in nats, a cause at a place that was solved may be
// behind the best and still be solved itself.
const worthSolving = 4.0

// key names a theory.
func (t *theory) key() string {
	var b strings.Builder
	for _, c := range t.causes {
		fmt.Fprintf(&b, "%s %s;", c.kind, c.where())
	}
	return b.String()
}

// tell turns theories into explanations: probabilities, groups, words.
func (a *Answer) tell(theories []*theory) {
	slices.SortStableFunc(theories, func(x, y *theory) int { return cmp.Compare(y.log, x.log) })
	a.theories = theories
	logs := make([]float64, len(theories))
	for i, t := range theories {
		logs[i] = t.log
	}
	total := logSum(logs...)
	for len(theories) > 1 && theories[len(theories)-1].log < theories[0].log-Keep {
		theories = theories[:len(theories)-1] // worth nothing beside the first
	}
	var told []*theory
	weight := map[*theory]float64{}
	or := map[*theory][]*theory{}
	for _, t := range theories {
		share := math.Exp(t.log - total)
		if g := a.twin(told, t); g != nil {
			weight[g] += share
			or[g] = append(or[g], t)
			continue
		}
		told = append(told, t)
		weight[t] = share
	}
	slices.SortStableFunc(told, func(x, y *theory) int { return cmp.Compare(weight[y], weight[x]) })
	odd := a.odd(a.sound)
	a.Odd = odd
	for i, t := range told {
		if i >= mostTold || weight[t] < leastTold && i >= 1 {
			break
		}
		a.Explanations = append(a.Explanations, a.explanation(t, weight[t], or[t], odd))
	}
	a.doubt()
}

// How far apart, in standard deviations, two theories' readings may be and still
// count as not told apart: of one kind in one circuit, and of one kind anywhere.
const (
	alike = 1.5
	same  = 0.3
)

// twin finds a theory told before that is the same to a person: the same place,
// or the same kind where these readings cannot tell them apart.
func (a *Answer) twin(told []*theory, t *theory) *theory {
	for _, g := range told {
		if g.nothing || t.nothing || len(g.causes) != len(t.causes) || len(g.causes) == 0 {
			continue
		}
		near := math.Inf(1)
		for i := range g.causes {
			near = math.Min(near, related(g.causes[i], t.causes[i]))
		}
		// Two that do next to nothing are not the same for that.
		if near == same {
			near = math.Min(near, 0.1*math.Sqrt(dot(a.change(g), a.change(g))))
		}
		if a.apart(g, t) < near {
			return g
		}
	}
	return nil
}

// related is how far apart two causes may put the readings and still be one to a
// person; 0 for never.
func related(x, y *cause) float64 {
	leaks := func(kind string) bool { return kind == "leak" || kind == "parasitic" }
	switch {
	case x.swap || y.swap:
		return 0
	case x.at == y.at, x.kind == y.kind && x.circuit == y.circuit && x.circuit != "":
		return alike
	case x.kind == y.kind, leaks(x.kind) && leaks(y.kind):
		return same
	}
	return 0
}

// apart is how far apart two theories put the readings, in standard deviations.
func (a *Answer) apart(x, y *theory) float64 {
	dx, dy := a.change(x), a.change(y)
	sum := 0.0
	for i := range dx {
		sum += sq(dx[i] - dy[i])
	}
	return math.Sqrt(sum)
}

// change is what a theory makes of the readings, whitened, in the linear picture.
func (a *Answer) change(t *theory) []float64 {
	if t.moved != nil {
		return t.moved
	}
	out := make([]float64, len(a.p.y))
	t.moved = out
	for i, c := range t.causes {
		if c.at.w == nil {
			continue
		}
		amplitude := c.at.amplitude(t.sizes[i])
		for k, w := range c.at.w {
			out[k] += amplitude * w
		}
	}
	return out
}

// oddAt is how many standard deviations a look must be off to be called odd.
const oddAt = 3.0

// odd lists the looks that a solution would hardly show. Each look is held
// against what everything else may do to it, so that a part of the evidence that
// lies in several looks together does not show here.
func (a *Answer) odd(l *linear) []string {
	out := []string{}
	for _, k := range a.p.c.Looks {
		if math.Abs(a.p.deviation(l, k)) > oddAt {
			out = append(out, k.ID)
		}
	}
	return out
}

// deviation is how far a look is from what a solution says, in standard
// deviations.
func (p *problem) deviation(l *linear, k Look) float64 {
	r := p.c.Readings
	off := p.y[k.Plus] - l.mean[k.Plus]
	total := sq(r[k.Plus].U) + covariance(l.rows[k.Plus], l.rows[k.Plus])
	if k.Minus >= 0 {
		off -= p.y[k.Minus] - l.mean[k.Minus]
		total += sq(r[k.Minus].U) + covariance(l.rows[k.Minus], l.rows[k.Minus]) - 2*covariance(l.rows[k.Plus], l.rows[k.Minus])
	}
	return off / math.Sqrt(math.Max(total, 1e-30))
}

func (a *Answer) explanation(t *theory, weight float64, or []*theory, odd []string) Explanation {
	e := Explanation{Probability: weight, theory: t, Explains: []string{}, Leaves: []string{}, Parts: []Part{}}
	switch {
	case t.nothing:
		e.Says = nothingSays
		e.Leaves = odd
		return e
	case len(t.causes) == 0:
		e.Says = soundSays
		e.Leaves = odd
		e.Fit = chiSquareTail(dot(a.sound.r, a.sound.r), len(a.p.y))
		return e
	}
	if t.solved == nil {
		if err := a.p.refine(t, a.sound); err != nil {
			return e
		}
	}
	l := t.solved
	fitted := 0
	for i, c := range t.causes {
		part := a.part(c, t.sizes[i], t.errs[i])
		for _, other := range or {
			part.or(a.part(other.causes[i], other.sizes[i], 0))
		}
		e.Parts = append(e.Parts, part)
		if c.fault != nil {
			e.Faults = append(e.Faults, c.fault(t.sizes[i]))
		}
		if !c.fixed {
			fitted++
		}
	}
	said := make([]string, len(e.Parts))
	for i, p := range e.Parts {
		said[i] = p.Says
	}
	e.Says = strings.Join(said, "; and ")
	left := a.odd(l)
	for _, id := range odd {
		if !slices.Contains(left, id) {
			e.Explains = append(e.Explains, id)
		}
	}
	e.Leaves = left
	e.Fit = chiSquareTail(dot(l.r, l.r), len(a.p.y)-fitted)
	e.Hot = a.heat(t)
	return e
}

// or adds a place that cannot be told from this one.
func (p *Part) or(other Part) {
	says := other.Where
	if other.Kind != p.Kind {
		says = other.Says
	}
	if says != p.Where && !slices.Contains(p.Or, says) {
		p.Or = append(p.Or, says)
	}
}

// doubt says when no explanation is good enough.
func (a *Answer) doubt() {
	best := a.Explanations[0]
	switch {
	case best.IsNothing():
		a.Doubt = "Nothing in the list explains these readings. Read the odd ones again, with another instrument if there is one."
	case best.Fit < Doubtful:
		a.Doubt = fmt.Sprintf("Even the likeliest explanation leaves readings unexplained (chance of that: %.2g). Take it as a direction, not as the answer.", best.Fit)
	}
}

// Likeliest is the explanation at the top.
func (a *Answer) Likeliest() Explanation { return a.Explanations[0] }

// part puts a cause into words.
func (a *Answer) part(c *cause, size, err float64) Part {
	p := Part{Kind: c.kind, Where: c.where(), Circuit: c.circuit}
	span := func(unit string, of func(float64) float64) {
		v, lo, hi := of(size), of(size-1.96*err), of(size+1.96*err)
		if lo > hi {
			lo, hi = hi, lo
		}
		p.Size, p.Low, p.High, p.Unit = &v, &lo, &hi, unit
	}
	same := func(v float64) float64 { return v }
	a.words(&p, c, size, err, span, same)
	return p
}

// words fills in what a part says.
func (a *Answer) words(p *Part, c *cause, size, err float64, span func(string, func(float64) float64), same func(float64) float64) {
	d := a.p.c.Design
	amount := func() string {
		if *p.High-*p.Low < 1e-12 {
			return units.Format(*p.Size, p.Unit)
		}
		return fmt.Sprintf("%s (%s to %s)", units.Format(*p.Size, p.Unit), units.Format(math.Max(0, *p.Low), p.Unit), units.Format(*p.High, p.Unit))
	}
	ends := func() string {
		for _, k := range d.All() {
			for _, r := range k.Runs {
				if r.Name == p.Where {
					return fmt.Sprintf("run %s, %s to %s", r.Name, r.From, r.To)
				}
			}
		}
		return "contact " + p.Where
	}
	called := func(name string) string {
		if k := d.Circuit(name); k != nil {
			return k.Called()
		}
		return name
	}
	switch c.kind {
	case "joint":
		span("Ω", same)
		p.Says = fmt.Sprintf("a bad joint, %s more, in %s", amount(), ends())
		p.Try = "Power off. Pull at both ends of this run; look for green, black or loose. Make the worse crimp anew."
	case "contact":
		span("Ω", same)
		p.Says = fmt.Sprintf("a bad contact %s, %s more", p.Where, amount())
		p.Try = "Power off. Part the connector; look at pin and socket; fit a new pin if it is loose, dark or pushed back."
	case "ground":
		span("Ω", same)
		p.Shared = a.sharers(p.Where)
		p.Says = fmt.Sprintf("a bad ground point %s, %s more", p.Where, amount())
		if len(p.Shared) > 0 {
			names := make([]string, len(p.Shared))
			for i, s := range p.Shared {
				names[i] = called(s)
			}
			p.Says += ", shared by " + strings.Join(names, ", ")
		}
		p.Try = "Power off. Undo it, clean to bright metal, fit the lugs again and tighten."
	case "breaker-contacts", "switch-contacts":
		span("Ω", same)
		what, _, _ := strings.Cut(c.kind, "-")
		p.Where = c.circuit + " " + what
		p.Says = fmt.Sprintf("bad contacts of the %s of %s, %s more", what, called(c.circuit), amount())
		p.Try = "Work it ten times with the power off and read again; if it stays, replace it."
	case "gauge":
		f := c.fault(size)
		p.Says = fmt.Sprintf("%s fitted in %s", f.Gauge, ends())
		p.Try = "Read the gauge printed on the wire."
	case "length":
		f := c.fault(size)
		length := func(v float64) float64 { return c.fault(v).Size }
		span("m", length)
		p.Says = fmt.Sprintf("%s is %s long, not as drawn", ends(), units.Format(f.Size, "m"))
		p.Try = "Measure the run, or correct the design."
	case "breaker-rating":
		f := c.fault(size)
		amps := f.Size
		p.Size, p.Low, p.High, p.Unit = &amps, &amps, &amps, "A"
		p.Says = fmt.Sprintf("a breaker of %s fitted in %s", units.Format(f.Size, "A"), called(c.circuit))
		p.Try = "Read what is marked on the breaker. Fit the one that the design asks for."
	case "open":
		p.Says = "no connection in " + ends()
		p.Try = "Power off. Look whether it is plugged in and pinned; ring it through."
	case "swapped-circuits":
		f := c.fault(size)
		p.Says = fmt.Sprintf("the wires of %s and %s are swapped at their breakers", called(f.At), called(f.Other))
		p.Try = "Power off. Compare both wires' labels with the schedule; put them back."
	case "swapped-pins":
		f := c.fault(size)
		p.Says = fmt.Sprintf("the wires of pins %s and %s are swapped", f.At, f.Other)
		p.Try = "Power off. Part the connector and compare with the pin-out."
	case "load":
		span("", func(v float64) float64 { return math.Max(0, 1+v) })
		switch {
		case err > 0.5*math.Abs(size) && c.boost() > 0:
			p.Size, p.Low, p.High = nil, nil, nil
			p.Says = fmt.Sprintf("the load of %s draws more than %.2g times what the design says", called(c.circuit), 1+c.smallest())
		case size <= -0.999:
			p.Says = fmt.Sprintf("the load of %s draws nothing", called(c.circuit))
		default:
			p.Says = fmt.Sprintf("the load of %s draws %.3g times what the design says (%.3g to %.3g)", called(c.circuit), *p.Size, *p.Low, *p.High)
		}
		p.Try = "Check that the right unit is fitted and switched on, and what its maker says that it draws."
	case "leak", "parasitic":
		nominal := float64(d.Aircraft.Nominal)
		if err > 0.5*size && c.boost() > 0 {
			a.shorted(p, c, nominal)
			return
		}
		span("Ω", func(v float64) float64 { return 1 / math.Max(v, 1e-9) })
		amps := units.Format(nominal*size, "A")
		if c.kind == "parasitic" {
			p.Says = fmt.Sprintf("something draws %s from the %s bus that the design does not have", amps, p.Where)
			p.Try = "With all breakers open, take one wire at a time off the bus until the current is gone."
			break
		}
		p.Says = fmt.Sprintf("a leak to the airframe at %s, %s at the nominal voltage", p.Where, amps)
		p.Try = fmt.Sprintf("Power off, %s; measure from the wire to the airframe; look for chafe, damp and swarf.", a.takeOff(p.Where))
	case "source":
		span(map[bool]string{true: "Ω", false: "V"}[c.at.inside], same)
		switch {
		case c.at.inside:
			p.Says = fmt.Sprintf("a weak source: %s has %s more resistance inside", p.Where, amount())
		case size < 0:
			p.Says = fmt.Sprintf("source %s gives %s more than stated", p.Where, units.Format(-size, "V"))
		default:
			p.Says = fmt.Sprintf("a weak source: %s gives %s less than stated", p.Where, units.Format(size, "V"))
		}
		p.Try = "Measure at its own terminals, with and without load."
	case "gain":
		span("", func(v float64) float64 { return 1 + v })
		p.Says = fmt.Sprintf("the %s shows %.4g times what is there (%.4g to %.4g)", p.Where, *p.Size, *p.Low, *p.High)
		p.Try = "Compare it with another instrument on the same points."
	case "zero":
		span("V", same)
		p.Says = fmt.Sprintf("the zero of the %s is off by %s", p.Where, units.Format(size, "V"))
		p.Try = "Hold its probes together and read."
	case "connected":
		switch {
		case c.at.turn.reversed:
			p.Says = fmt.Sprintf("the probes of the %s are exchanged: red where black belongs", c.at.turn.instrument)
		case c.at.turn.red != "":
			p.Says = fmt.Sprintf("the %s is wired to %s, not where the design has it", c.at.turn.instrument, c.at.turn.red)
		default:
			p.Says = fmt.Sprintf("the black probe of the %s is on %s, not on %s", c.at.turn.instrument, c.at.turn.black, a.p.home)
		}
		p.Try = "Look where the probes are."
	}
}

// shorted says what is known of a short that was cut: where, and at least how
// much.
func (a *Answer) shorted(p *Part, c *cause, nominal float64) {
	amps := nominal * c.smallest()
	most := 1 / c.smallest()
	zero := 0.0
	p.Low, p.High, p.Unit = &zero, &most, "Ω"
	p.Says = fmt.Sprintf("a short to the airframe at %s: more than %s before the power was cut", p.Where, units.Format(amps, "A"))
	p.Try = fmt.Sprintf("Power stays off: %s; measure from the wire to the airframe; look for chafe, swarf and a pin that touches.", a.takeOff(p.Where))
	if c.kind == "parasitic" {
		p.Says = fmt.Sprintf("a short of the %s bus to the airframe: more than %s before the power was cut", p.Where, units.Format(amps, "A"))
		p.Try = "Power stays off. Look along the bus for what touches."
	}
}

// takeOff says what to take off before it is measured: a load, where there is one.
func (a *Answer) takeOff(terminal string) string {
	if t := a.p.c.Design.Terminal(terminal); t != nil && t.Circuit != nil && t.Circuit.Load != nil {
		return "unplug the load"
	}
	return "take apart what is joined there, one lead after the other"
}

// sharers are the circuits whose return goes over a ground point.
func (a *Answer) sharers(ground string) []string {
	var out []string
	for _, k := range a.p.c.Design.Circuits {
		if way := a.p.c.Design.Return(k); len(way) > 0 && way[len(way)-1] == ground {
			out = append(out, k.Name)
		}
	}
	return out
}
