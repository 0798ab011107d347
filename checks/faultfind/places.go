package faultfind

import (
	"fmt"
	"math"
	"strings"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/wire"
)

// A place is where something can be wrong in one way: one direction in which all
// readings move.
type place struct {
	part       int // index of a part of the model; -1 where it is something else
	terminal   string
	load       int
	source     int
	instrument string
	turn       twist // of the instrument, in full
	gain, zero bool
	inside     bool // a source's resistance, not its voltage

	loop float64 // ohms beyond which an added resistance has stopped the current, or inverse siemens
	d    []float64
	w    []float64 // d, whitened
	b, c float64   // the parabola: a·b − a²·c/2
}

var nowhere = place{part: -1, load: -1, source: -1}

// A cause is one kind of fault at one place, with its possible sizes.
type cause struct {
	kind    string // of the rates
	at      *place
	prior   float64 // odds against a sound aircraft
	sizes   []cell  // in the unit of the place: ohms, siemens, part of the draw, volts, part of the reading
	fault   func(size float64) airframe.Fault
	circuit string
	fixed   bool // single sizes only
	// What this kind does to readings cannot be told by one direction: it is
	// solved in full from the start.
	swap bool

	cells []cell // sizes as amplitudes
	log   float64
}

// amplitude is how far the readings move along the place's direction.
func (p *place) amplitude(size float64) float64 {
	if p.loop > 0 {
		if size > 1e6*p.loop {
			return p.loop
		}
		return size / (1 + size/p.loop)
	}
	return size
}

// size is the inverse.
func (p *place) size(amplitude float64) float64 {
	if p.loop > 0 && amplitude < p.loop {
		return amplitude / (1 - amplitude/p.loop)
	}
	return amplitude
}

// direction is how the readings move with the size, about a solution with the
// fault in or out.
func (p *place) direction(l *linear) []float64 {
	d := make([]float64, len(l.mean))
	for i, s := range l.sense {
		r := &l.p.c.Readings[i]
		switch {
		case p.part >= 0:
			d[i] = s.Parts[p.part]
		case p.terminal != "":
			d[i] = -s.Forced(p.terminal) * l.volts[l.p.in[i]][l.p.term[p.terminal]]
		case p.load >= 0:
			d[i] = s.Loads[p.load]
		case p.source >= 0 && p.inside:
			d[i] = -s.Sources[p.source] * l.given[l.p.in[i]][p.source]
		case p.source >= 0:
			d[i] = -s.Sources[p.source]
		case p.instrument == r.Instrument && p.gain:
			d[i] = l.mean[i]
		case p.instrument == r.Instrument && p.zero && r.Of.From != "":
			d[i] = 1
		case p.turn.instrument != "" && p.turn.acts(r, l.p.home):
			d[i] = p.turned(l, i)
		}
	}
	return d
}

// turned is what a wrongly connected instrument shows otherwise.
func (p *place) turned(l *linear, i int) float64 {
	if p.turn.reversed {
		return -2 * l.mean[i]
	}
	at := func(t string) float64 {
		if t == "" {
			return 0
		}
		return l.volts[l.p.in[i]][l.p.term[t]]
	}
	was, is := l.p.c.Readings[i].Of, p.turn.of(l.p.c.Readings[i].Of)
	return at(is.From) - at(is.To) - at(was.From) + at(was.To)
}

// open is the resistance of a broken wire: what package airframe puts in.
const open = 1e9

// The sizes of faults. Common practice; no published source.
const (
	leastJoint   = 0.003 // ohms: no joint is called bad for less
	leastLug     = 0.0005
	mostJoint    = 3.0
	leastLeak    = 0.010 // amperes at the nominal voltage
	mostLeak     = 2000.0
	mostParasite = 20.0
	perDecade    = 12
)

// causes lists everything that can be wrong, one fault at a time.
func (p *problem) causes(base *linear) []*cause {
	e := &enumeration{p: p, base: base, nominal: float64(p.c.Design.Aircraft.Nominal)}
	for i, part := range p.model.Parts() {
		if p.near(e.circuitOf(part)) {
			e.part(i, part)
		}
	}
	for _, t := range p.terms {
		if p.near(circuitAt(p.c, t)) {
			e.terminal(p.c.Design.Terminal(t))
		}
	}
	for i, l := range p.loads {
		if p.near(l.Circuit.Name) {
			e.load(i, l)
		}
	}
	for i, s := range p.feeds {
		e.source(i, s)
		e.inside(i, s)
	}
	for _, name := range p.c.instruments() {
		e.instrument(name)
	}
	return e.out
}

type enumeration struct {
	p       *problem
	base    *linear
	nominal float64
	out     []*cause
}

// at makes a place, unless no reading is touched by it.
func (e *enumeration) at(p place, loop float64) *place {
	p.loop = loop
	p.d = p.direction(e.base)
	touched := false
	for i, d := range p.d {
		if d != 0 {
			touched = touched || math.Abs(d) > 1e-12*e.p.c.Readings[i].U
		}
	}
	if !touched && len(e.p.c.Cuts) == 0 {
		return nil
	}
	p.w = e.base.f.whiten(p.d)
	p.b, p.c = dot(p.w, e.base.r), dot(p.w, p.w)
	return &p
}

// unfelt is how many standard deviations a fault must move all readings
// together, at its largest, to be worth a thought.
const unfelt = 0.05

func (e *enumeration) add(c cause) {
	most, weight := 0.0, 0.0
	possible := c.sizes[:0:0]
	for _, s := range c.sizes {
		if s.weight < 1e-100 {
			continue // ruled out by what was cut
		}
		lo, hi := c.at.amplitude(s.lo), c.at.amplitude(s.hi)
		possible = append(possible, s)
		c.cells = append(c.cells, cell{math.Min(lo, hi), math.Max(lo, hi), s.weight})
		most, weight = math.Max(most, math.Max(math.Abs(lo), math.Abs(hi))), weight+s.weight
	}
	if c.sizes = possible; most*math.Sqrt(c.at.c) < unfelt && weight < 2 {
		return
	}
	c.fixed = true
	for _, s := range c.sizes {
		c.fixed = c.fixed && s.lo == s.hi
	}
	e.out = append(e.out, &c)
}

// largest is the largest current through a part, in any state of the readings.
func (e *enumeration) largest(i int) float64 {
	// The drop across the part tells it: what its own ohms make of it.
	part := e.p.model.Parts()[i]
	most := 0.0
	for state, volts := range e.base.volts {
		if s := e.p.states[state]; part.Kind == airframe.Protector && !s.Closed[part.Name] || part.Kind == airframe.Switch && !s.On[part.Name] {
			continue
		}
		v := e.p.potential(volts, part.From) - e.p.potential(volts, part.To)
		most = math.Max(most, math.Abs(v)/part.Ohms.Usual)
	}
	return most
}

func (p *problem) potential(volts []float64, terminal string) float64 {
	if terminal == "" {
		return 0
	}
	return volts[p.term[terminal]]
}

func (e *enumeration) part(i int, part *airframe.Part) {
	where := nowhere
	where.part = i
	current := e.largest(i)
	if current < 1e-3 {
		return
	}
	at := e.at(where, e.nominal/current)
	if at == nil {
		return
	}
	r := e.p.rates
	least := math.Max(leastJoint, part.Ohms.Most-part.Ohms.Usual)
	if part.Ohms.Usual < leastLug {
		least = math.Max(leastLug, part.Ohms.Most-part.Ohms.Usual)
	}
	worse := evenly(least, mostJoint, perDecade)
	name, circuit := part.Name, ""
	if part.Circuit != nil {
		circuit = part.Circuit.Name
	}
	fault := func(kind airframe.FaultKind, other string) func(float64) airframe.Fault {
		return func(size float64) airframe.Fault {
			return airframe.Fault{Kind: kind, At: name, Other: other, Size: size}
		}
	}
	switch part.Kind {
	case airframe.WireRun:
		e.add(cause{kind: "joint", at: at, prior: 2 * r["joint"], sizes: worse, circuit: circuit, fault: fault(airframe.HighResistanceJoint, "")})
		e.add(cause{kind: "open", at: at, prior: r["open"], sizes: []cell{{open, open, 1}}, circuit: circuit, fault: fault(airframe.OpenCircuit, "")})
		e.wire(at, part)
	case airframe.Contact:
		e.add(cause{kind: "contact", at: at, prior: r["contact"], sizes: worse, circuit: e.contactOf(part), fault: fault(airframe.HighResistanceJoint, "")})
		e.add(cause{kind: "open", at: at, prior: r["open"], sizes: []cell{{open, open, 1}}, circuit: e.contactOf(part), fault: fault(airframe.OpenCircuit, "")})
	case airframe.Bond:
		e.add(cause{kind: "ground", at: at, prior: r["ground"], sizes: worse, fault: fault(airframe.BadGround, "")})
	case airframe.Switch:
		e.add(cause{kind: "switch-contacts", at: at, prior: r["switch-contacts"], sizes: worse, circuit: circuit, fault: fault(airframe.WornContacts, "switch")})
	case airframe.Protector:
		e.add(cause{kind: "breaker-contacts", at: at, prior: r["breaker-contacts"], sizes: worse, circuit: circuit, fault: fault(airframe.WornContacts, "breaker")})
		e.rating(at, part)
	}
}

// circuitOf is the circuit that a part serves; "" for what serves several.
func (e *enumeration) circuitOf(part *airframe.Part) string {
	switch {
	case part.Circuit != nil:
		return part.Circuit.Name
	case part.Kind == airframe.Contact:
		return e.contactOf(part)
	}
	return ""
}

// contactOf is the circuit whose wires end at a contact.
func (e *enumeration) contactOf(part *airframe.Part) string {
	for _, end := range []string{part.From, part.To} {
		for _, r := range e.p.c.Design.Terminal(end).Runs {
			return r.Circuit.Name
		}
	}
	return ""
}

// wire adds what is wrong with a run as a whole.
func (e *enumeration) wire(at *place, part *airframe.Part) {
	run, celsius := part.Run, float64(*e.p.c.Design.Aircraft.Ambient)
	ohms := func(g wire.Gauge) float64 { return wire.Nominal * g.MaxResistance(celsius) * float64(run.Length) }
	own := ohms(run.Gauge)
	var sizes []cell
	gauges := map[float64]wire.Gauge{}
	for _, g := range neighbours(run.Gauge) {
		size := ohms(g) - own
		gauges[size] = g
		sizes = append(sizes, cell{size, size, 0.25})
	}
	e.add(cause{kind: "gauge", at: at, prior: e.p.rates["gauge"], sizes: sizes, circuit: run.Circuit.Name, fault: func(size float64) airframe.Fault {
		return airframe.Fault{Kind: airframe.WrongGauge, At: part.Name, Gauge: gauges[size]}
	}})
	// Between two fifths and five sixths of the drawn length, or 1.2 to 3 times it.
	var lengths []cell
	for _, c := range append(evenly(0.4, 0.83, perDecade), evenly(1.2, 3, perDecade)...) {
		lengths = append(lengths, cell{own * (c.lo - 1), own * (c.hi - 1), c.weight / 2})
	}
	e.add(cause{kind: "length", at: at, prior: e.p.rates["length"], sizes: lengths, circuit: run.Circuit.Name, fault: func(size float64) airframe.Fault {
		return airframe.Fault{Kind: airframe.WrongLength, At: part.Name, Size: math.Max(0.01, float64(run.Length)*(1+size/own))}
	}})
}

// neighbours are the four gauges that a wire is most often mistaken for: two
// thicker, two thinner.
func neighbours(g wire.Gauge) (out []wire.Gauge) {
	for i, s := range wire.Sizes() {
		if s.Area() <= g.Area()*1.01 { // the first that is not thicker
			sizes := wire.Sizes()
			for _, j := range []int{i - 2, i - 1, i + 1, i + 2} {
				if j >= 0 && j < len(sizes) && math.Abs(sizes[j].Area()-g.Area()) > 0.01*g.Area() {
					out = append(out, sizes[j])
				}
			}
			return out
		}
	}
	return nil
}

// ratings are the usual ones of small breakers, in amperes.
var ratings = []float64{1, 2, 3, 5, 7.5, 10, 15, 20, 25, 30, 35}

// rating adds breakers of other ratings, in the light of what is marked.
func (e *enumeration) rating(at *place, part *airframe.Part) {
	drawn := part.Circuit.Protector()
	if part.Circuit.Breaker == nil || drawn.Resistance != nil {
		return
	}
	own, _ := wire.Breaker(float64(drawn.Rating))
	var sizes []cell
	fitted := map[float64]float64{}
	for _, r := range ratings {
		if r == float64(drawn.Rating) {
			continue
		}
		s, _ := wire.Breaker(r)
		size := s.Usual - own.Usual
		fitted[size] = r
		sizes = append(sizes, cell{size, size, e.marked(part.Circuit.Name, r, float64(drawn.Rating)) / float64(len(ratings)-1)})
	}
	e.add(cause{kind: "breaker-rating", at: at, prior: e.p.rates["breaker-rating"], sizes: sizes, circuit: part.Circuit.Name, fault: func(size float64) airframe.Fault {
		return airframe.Fault{Kind: airframe.OversizedBreaker, At: part.Name, Size: fitted[size]}
	}})
}

// marked is how much more likely the marking that was read is with another
// breaker fitted than with the drawn one.
func (e *enumeration) marked(circuit string, fitted, drawn float64) float64 {
	misread := e.p.rates["misread"]
	likely := func(of, read float64) float64 {
		if math.Abs(of-read) < 1e-9 {
			return 1 - misread
		}
		return misread / float64(len(ratings)-1)
	}
	ratio := 1.0
	for _, m := range e.p.c.Markings {
		if m.Circuit == circuit {
			ratio *= likely(fitted, m.Amperes) / likely(drawn, m.Amperes)
		}
	}
	return ratio
}

func (e *enumeration) terminal(t *design.Terminal) {
	where := nowhere
	where.terminal = t.Name
	most, state := 0.0, -1
	for i, volts := range e.base.volts {
		if math.Abs(volts[e.p.term[t.Name]]) > most {
			most, state = math.Abs(volts[e.p.term[t.Name]]), i
		}
	}
	if state < 0 || most < 0.2*e.nominal {
		return // nothing leaks from what has no voltage
	}
	e.base.model.Set(e.p.states[state])
	looking, err := e.base.model.Looking(t.Name, "")
	if err != nil || looking <= 0 {
		return
	}
	at := e.at(where, 1/looking)
	if at == nil {
		return
	}
	c := cause{
		kind: "leak", at: at, prior: e.p.rates["leak"], sizes: evenly(leastLeak/e.nominal, mostLeak/e.nominal, perDecade),
		fault: func(size float64) airframe.Fault {
			return airframe.Fault{Kind: airframe.ShortToAirframe, At: t.Name, Size: 1 / size}
		},
	}
	switch {
	case e.p.c.Design.IsBus(t.Name):
		c.kind, c.prior = "parasitic", e.p.rates["parasitic"]+e.p.rates["leak"]
	case t.Circuit != nil:
		c.circuit = t.Circuit.Name
	default:
		for _, r := range t.Runs {
			c.circuit = r.Circuit.Name
		}
	}
	c.sizes = e.p.censored(at, c.sizes)
	e.add(c)
}

func (e *enumeration) load(i int, l airframe.LoadSpan) {
	where := nowhere
	where.load = i
	at := e.at(where, 0)
	if at == nil || l.Coil {
		return
	}
	// Nothing; less, down to a tenth; more, up to four times.
	sizes := []cell{{-1, -1, 0.2}}
	for _, c := range evenly(0.1, 1-1.2*l.Tolerance, perDecade) {
		sizes = append(sizes, cell{c.lo - 1, c.hi - 1, 0.4 * c.weight})
	}
	for _, c := range evenly(1+1.2*l.Tolerance, 4, perDecade) {
		sizes = append(sizes, cell{c.lo - 1, c.hi - 1, 0.4 * c.weight})
	}
	e.add(cause{kind: "load", at: at, prior: e.p.rates["load"], sizes: e.p.censored(at, sizes), circuit: l.Circuit.Name, fault: func(size float64) airframe.Fault {
		return airframe.Fault{Kind: airframe.WrongDraw, At: l.Circuit.Name, Size: math.Max(0, 1+size)}
	}})
}

func (e *enumeration) source(i int, s airframe.SourceSpan) {
	where := nowhere
	where.source = i
	at := e.at(where, 0)
	if at == nil {
		return
	}
	volts := float64(s.Source.Volts)
	var sizes []cell
	for _, c := range evenly(math.Max(1.2*s.Below, 0.005*volts), 0.4*volts, perDecade) {
		sizes = append(sizes, cell{c.lo, c.hi, 0.7 * c.weight})
	}
	for _, c := range evenly(math.Max(1.2*s.Above, 0.005*volts), 0.2*volts, perDecade) {
		sizes = append(sizes, cell{-c.hi, -c.lo, 0.3 * c.weight})
	}
	e.add(cause{kind: "source", at: at, prior: e.p.rates["source"], sizes: sizes, fault: func(size float64) airframe.Fault {
		return airframe.Fault{Kind: airframe.WrongVoltage, At: s.Source.Name, Size: -size}
	}})
}

// inside adds a battery whose own resistance has grown.
func (e *enumeration) inside(i int, s airframe.SourceSpan) {
	most := 0.0
	for _, given := range e.base.given {
		most = math.Max(most, math.Abs(given[i]))
	}
	if s.Source.Kind != design.Battery || most < 1e-3 {
		return
	}
	where := nowhere
	where.source, where.inside = i, true
	if at := e.at(where, e.nominal/most); at != nil {
		e.add(cause{kind: "source", at: at, prior: e.p.rates["source"], sizes: evenly(0.005, 1, perDecade), fault: func(size float64) airframe.Fault {
			return airframe.Fault{Kind: airframe.WeakBattery, At: s.Source.Name, Size: size}
		}})
	}
}

func (e *enumeration) instrument(name string) {
	both := func(cells []cell) (out []cell) {
		for _, c := range cells {
			out = append(out, cell{c.lo, c.hi, c.weight / 2}, cell{-c.hi, -c.lo, c.weight / 2})
		}
		return out
	}
	where := nowhere
	where.instrument = name
	gain, zero := where, where
	gain.gain, zero.zero = true, true
	if at := e.at(gain, 0); at != nil {
		e.add(cause{kind: "gain", at: at, prior: e.p.rates["gain"], sizes: both(evenly(0.003, 0.3, perDecade))})
	}
	if at := e.at(zero, 0); at != nil {
		e.add(cause{kind: "zero", at: at, prior: e.p.rates["zero"], sizes: both(evenly(0.003, 1, perDecade))})
	}
	turns := []twist{{instrument: name, reversed: true}}
	for _, g := range e.p.c.Design.Grounds {
		turns = append(turns, twist{instrument: name, black: g.Name})
	}
	if bus := e.fixed(name); bus != "" {
		for _, b := range e.p.c.Design.Buses {
			if b.Name != bus {
				turns = append(turns, twist{instrument: name, red: b.Name})
			}
		}
	}
	for _, t := range turns {
		turned := where
		turned.instrument, turned.turn = "", t
		if at := e.at(turned, 0); at != nil && at.c > 1 {
			e.add(cause{kind: "connected", at: at, prior: e.p.rates["connected"] / float64(len(turns)), sizes: []cell{{1, 1, 1}}})
		}
	}
}

// fixed is the bus that an instrument is wired to for good, if all its voltages
// are of one.
func (e *enumeration) fixed(name string) (bus string) {
	for _, r := range e.p.c.Readings {
		switch {
		case r.Instrument != name || r.Of.From == "":
		case !e.p.c.Design.IsBus(r.Of.From), bus != "" && bus != r.Of.From:
			return ""
		default:
			bus = r.Of.From
		}
	}
	return bus
}

// twists is what an instrument fault of a size does.
func (c *cause) twists(size float64) []twist {
	switch {
	case c.at.gain:
		return []twist{{instrument: c.at.instrument, gain: size}}
	case c.at.zero:
		return []twist{{instrument: c.at.instrument, zero: size}}
	case c.at.turn.instrument != "":
		return []twist{c.at.turn}
	}
	return nil
}

// where names the place, for people.
func (c *cause) where() string {
	switch {
	case c.fault == nil && c.at.turn.instrument != "":
		return c.at.turn.instrument
	case c.fault == nil:
		return c.at.instrument
	}
	f := c.fault(c.sizes[0].hi)
	return strings.TrimSpace(fmt.Sprintf("%s %s", f.At, f.Other))
}
