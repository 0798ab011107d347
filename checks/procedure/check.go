package procedure

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/limits"
	"loomproof/checks/loadstep"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/probe"
)

// The things that a step can check.
const (
	WhatBus       = "bus voltage"
	WhatLoad      = "load voltage"
	WhatDrop      = "drop"
	WhatProtector = "protector drop"
	WhatReturn    = "return drop"
	WhatFeeder    = "feeder drop"
	WhatCurrent   = "current"
	WhatTotal     = "total current"
	WhatMarking   = "marking"
	WhatCut       = "cut"
	WhatThrough   = "continuity"
	WhatApart     = "apart"
	WhatHeld      = "protector holds"
	WhatPolarity  = "polarity"
)

// measured is what a step was read as.
type measured struct {
	value, u float64 // u is the standard uncertainty
	quantity probe.Quantity
	from, to string
	captures []string
	asIs     bool
	source   string   // who read it
	joined   []string // terminals that were tied to black
	ohms     bool     // read with an ohmmeter, which brings its own current
	open     bool     // a resistance above the range
	above    float64  // with open: what it is above; 0 for every range
	gap      bool     // the program was not there between its two readings
	fell     bool     // of a current: the circuit went off between the two readings
	known    string   // of a current: what it was told by, where nothing reads it
}

func single(c Captured) measured {
	return measured{
		value: c.Value, u: uncertaintyOf(c), quantity: c.Quantity, from: c.Red, to: c.Black, captures: []string{c.ID},
		asIs: c.TakenAsIs, source: c.Last.Source, joined: c.Joined, ohms: c.Quantity == probe.Resistance, open: c.Open, above: c.Above,
	}
}

// difference is a - b. Two voltages with one probe in common give the voltage
// between the other two points.
func difference(a, b Captured) (measured, error) {
	m := measured{
		value: a.Value - b.Value, u: uncertaintyOfDifference(a, b), quantity: a.Quantity, captures: []string{a.ID, b.ID},
		asIs: a.TakenAsIs || b.TakenAsIs, source: a.Last.Source, ohms: a.Quantity == probe.Resistance,
	}
	switch {
	case a.Open || b.Open:
		return m, fmt.Errorf("%s or %s is open: there is nothing to subtract", a.ID, b.ID)
	case a.Quantity == probe.Resistance:
		m.from, m.to = a.Red, a.Black // less what the leads have
	case a.Quantity != b.Quantity:
		return m, fmt.Errorf("%s and %s are not of one quantity", a.ID, b.ID)
	case a.Quantity == probe.Current:
		m.fell = a.At.Before(b.At)
	case a.Quantity == probe.Voltage && a.Black == b.Black:
		m.from, m.to = a.Red, b.Red
	case a.Quantity == probe.Voltage && a.Red == b.Red:
		m.from, m.to = b.Black, a.Black
	case a.Quantity == probe.Voltage:
		return m, fmt.Errorf("%s and %s have no probe in common", a.ID, b.ID)
	}
	return m, nil
}

// A level is a voltage over something and the current through it.
type level struct{ volts, amperes measured }

// slope is the resistance between two levels of load.
func slope(low, high level) (measured, error) {
	of := func(l level) loadstep.Level {
		return loadstep.Level{Volts: l.volts.value, UVolts: l.volts.u, Amperes: l.amperes.value, UAmperes: l.amperes.u}
	}
	r, err := loadstep.Resistance(of(low), of(high))
	m := low.volts
	m.value, m.u, m.quantity = r.Ohms, r.U, probe.Resistance
	for _, x := range []measured{low.amperes, high.volts, high.amperes} {
		m.captures = append(m.captures, x.captures...)
		m.asIs = m.asIs || x.asIs
	}
	if err == nil && (low.volts.from != high.volts.from || low.volts.to != high.volts.to) {
		err = fmt.Errorf("the two levels were read between different points")
	}
	return m, err
}

// errNoLimit is for a kind of step that the design sets no limit for.
var errNoLimit = errors.New("the design has no limit for it")

// nan stands for a design value that there is none of.
var nan = math.NaN()

// expected is the design value and limit of what a step checks, in the state
// that it was read in.
func (p *Performance) expected(what, circuit string, m measured, state, before airframe.State) (limits.Expected, error) {
	source := ""
	if len(state.Sources) > 0 {
		source = state.Sources[0]
	}
	switch what {
	case WhatBus:
		return p.limits.Bus(state, m.from, m.to)
	case WhatLoad:
		if m.from != circuit+".load+" || m.to != circuit+".load-" {
			return limits.Expected{}, fmt.Errorf("load voltage of %s: it was read between %s and %s, not at the load", circuit, m.from, m.to)
		}
		return p.limits.LoadVolts(state, circuit, p.reference())
	case WhatDrop, WhatReturn:
		return p.limits.Drop(state, m.from, m.to)
	case WhatFeeder:
		return p.limits.FeederDrop(state, m.from, m.to)
	case WhatProtector:
		if m.to != circuit+".breaker" {
			return limits.Expected{}, fmt.Errorf("protector drop of %s: it was read to %s, not to its load side", circuit, m.to)
		}
		return p.limits.ProtectorDrop(state, circuit)
	case WhatCurrent:
		return p.currentLimit(circuit, source, m, state, before)
	case WhatTotal:
		return p.limits.Total(state, source)
	case WhatThrough:
		return p.limits.Continuity(state, m.from, m.to)
	case WhatApart:
		return p.limits.Apart(state, m.from, m.to, m.joined...)
	}
	return limits.Expected{}, fmt.Errorf("%q: %w; give low or high", what, errNoLimit)
}

// reference is the terminal that the black probe is clipped to: the battery's
// minus.
func (p *Performance) reference() string {
	if b := p.Design.SourceOf(design.Battery); b != nil {
		return b.Name + "-"
	}
	return p.Design.Sources[0].Name + "-"
}

// check judges a reading and keeps the step. What it rests on is in the journal
// already, so it is worked out anew on each run and only recorded once.
func (p *Performance) check(what, circuit, title string, m measured, e limits.Expected) (Step, error) {
	s := p.judged(what, circuit, m, e)
	if title != "" {
		s.Title = p.Design.Called(circuit) + ": " + title
	}
	return s, p.record(kindStep, s)
}

// judged is a step with its verdict.
func (p *Performance) judged(what, circuit string, m measured, e limits.Expected) Step {
	s := p.step(what, circuit, m)
	if e.Design < limits.Open { // not for what should be open, nor where there is none
		s.Design = &e.Design
	}
	if e.Limit.Low != nil {
		s.Low = &e.Limit.Low.At
	}
	if e.Limit.High != nil {
		s.High = &e.Limit.High.At
	}
	if b := e.Limit.Governing(m.value); b != nil {
		s.Rule = b.Rule
	}
	if m.open {
		s.judgeOpen(m.above, e.Limit)
		return s
	}
	v := verdict.Judge(m.value, m.u, e.Limit)
	if v.Word == verdict.Undecided && what == WhatThrough {
		v = s.judgeJoined(m, e.Limit, v)
	}
	s.Verdict, s.Probability = string(v.Word), &v.Probability
	switch {
	case v.Word != verdict.Undecided:
	case m.ohms:
		s.Decide = verdict.WhatDecidesBy(verdict.OhmsWays, m.value, m.u, e.Limit, s.Unit)
	default:
		s.Decide = verdict.WhatDecides(m.value, m.u, e.Limit, s.Unit)
	}
	if why, dead := p.provesNothing(what, circuit, e.Design); dead && v.Word == verdict.Pass {
		s.Verdict, s.Probability, s.Note = string(verdict.NotDone), nil, why
	}
	s.Fell = m.fell && what == WhatCurrent
	if m.known != "" && s.Note == "" {
		s.judgeKnown(m)
	}
	if m.gap && s.Note == "" {
		s.Note = "the program was stopped between its two readings; a person confirmed the state"
	}
	if m.asIs && s.Note == "" {
		s.Note = "taken as shown: a person confirmed that the probes were on the points"
	}
	return s
}

// judgeJoined is for a way whose ohmmeter cannot tell whether it is as good as the
// design has it, as one that shows tenths of an ohm: whether it is joined at all
// it tells all the same. Where it is, the step passes as that, and says what it
// leaves open; a way that is plainly too bad has failed already.
func (s *Step) judgeJoined(m measured, l verdict.Limit, v verdict.Verdict) verdict.Verdict {
	if l.High == nil || l.Low != nil || l.High.Rule != limits.RingsThrough {
		return v
	}
	most := limits.Joined(*l.High)
	joined := verdict.Judge(m.value, m.u, verdict.Limit{High: most})
	if joined.Word != verdict.Pass {
		return v
	}
	s.Note = fmt.Sprintf("it is joined; whether it has no more than the %s of sound parts and probes this meter cannot tell, to ±%s. Its drop with the load on tells it, or a milliohm meter",
		units.Format(l.High.At, s.Unit), units.Format(2*m.u, s.Unit))
	s.High, s.Rule = &most.At, most.Rule
	return joined
}

// judgeOpen judges a resistance above what the meter can show, which is above, or 0
// for every range that it has: it keeps a lower limit that is no higher, and no
// upper one that is.
func (s *Step) judgeOpen(above float64, l verdict.Limit) {
	s.Reading, s.Uncertainty = nil, nil
	s.Note = "open: above the meter's highest range"
	if above > 0 {
		s.Note = "open: above " + units.Format(above, s.Unit) + ", the largest that the meter shows there"
	}
	limit := l.High
	switch reaches := func(b *verdict.Bound) bool { return above == 0 || above >= b.At }; {
	case l.High != nil && reaches(l.High):
		s.Verdict = string(verdict.Fail)
		return
	case l.High == nil && (l.Low == nil || reaches(l.Low)):
		s.Verdict = string(verdict.Pass)
		return
	case l.High == nil:
		limit = l.Low
	}
	s.Verdict = string(verdict.Undecided)
	s.Decide = fmt.Sprintf("a range that goes beyond the limit of %s: turn the meter to a higher range, or to automatic, and read again", units.Format(limit.At, s.Unit))
}

// deadShare: a circuit that carries less than this part of its design current is
// dead. Common practice; no published source.
const deadShare = 0.1

// provesNothing tells why a good reading says nothing about the wire: no current
// flows that could be lost over it.
func (p *Performance) provesNothing(what, circuit string, expected float64) (why string, dead bool) {
	if !slices.Contains([]string{WhatDrop, WhatProtector, WhatReturn, WhatFeeder, WhatLoad}, what) {
		return "", false
	}
	if what != WhatLoad && math.Abs(expected) < noDrop {
		return "nothing flows there in this state: a drop of nothing proves nothing", true
	}
	s := p.latest(circuit, WhatCurrent)
	if s == nil || s.Reading == nil || *s.Reading >= deadShare**s.Design {
		return "", false
	}
	return fmt.Sprintf("the circuit carries %s where the design has %s: without its current a good reading proves nothing",
		units.Format(*s.Reading, s.Unit), units.Format(*s.Design, s.Unit)), true
}

// noDrop is a design drop in volts below which nothing flows.
const noDrop = 1e-6

// latest is the last step of a circuit that checked something; nil if none did.
func (p *Performance) latest(circuit, what string) *Step {
	for i := len(p.steps) - 1; i >= 0; i-- {
		if s := &p.steps[i]; s.Circuit == circuit && s.What == what {
			return s
		}
	}
	return nil
}

// step is a step's frame: what, where, how much.
func (p *Performance) step(what, circuit string, m measured) Step {
	expanded := 2 * m.u
	value := m.value
	s := Step{
		Circuit: circuit, What: what, From: m.from, To: m.to, Quantity: string(m.quantity), Unit: m.quantity.Unit(),
		Reading: &value, Uncertainty: &expanded, Captures: m.captures, Section: p.section, At: time.Now().UTC(),
	}
	s.Point = s.From
	s.Place = place(p.Design, s.From)
	if s.To != "" && s.To != p.reference() {
		s.Point = s.From + " to " + s.To
		s.Place += " to " + place(p.Design, s.To)
	}
	s.Title = p.title(what, circuit, m)
	s.ID = p.stepID(what, circuit, m)
	return s
}

// stepID names a step: the same in each performance of a procedure on a design.
func (p *Performance) stepID(what, circuit string, m measured) string {
	id := circuit + "/" + what
	if what == WhatDrop || what == WhatThrough || what == WhatApart {
		id += "/" + m.from + "/" + m.to
	}
	for n, base := 2, id; slices.ContainsFunc(p.steps, func(s Step) bool { return s.ID == id }); n++ {
		id = fmt.Sprintf("%s#%d", base, n)
	}
	return id
}

func (p *Performance) title(what, circuit string, m measured) string {
	name := p.Design.Called(circuit)
	switch what {
	case WhatBus:
		by := ""
		if p.Bench.Node != nil && m.source == p.Bench.Node.Identity().Name {
			by = ", by the node"
		}
		return fmt.Sprintf("%s: bus voltage at %s%s", name, place(p.Design, m.from), by)
	case WhatTotal:
		return fmt.Sprintf("%s: total current, %s", name, p.switchedOn())
	case WhatDrop:
		return fmt.Sprintf("%s: lost over %s", name, p.between(m.from, m.to))
	case WhatProtector:
		return name + ": lost over its protector"
	case WhatReturn:
		return name + ": lost on the way back"
	case WhatThrough:
		return fmt.Sprintf("%s: continuity over %s", name, p.between(m.from, m.to))
	case WhatApart:
		return fmt.Sprintf("%s: nothing joins %s to what it should be apart from", name, place(p.Design, m.from))
	case WhatFeeder:
		return name + ": lost from the source to the bus"
	}
	return name + ": " + what
}

// between names what lies between two terminals.
func (p *Performance) between(from, to string) string {
	for _, k := range p.Design.All() {
		for _, r := range k.Runs {
			if r.From == from && r.To == to || r.From == to && r.To == from {
				return "run " + r.Name
			}
		}
		if from == k.Name+".switch.in" && to == k.Name+".switch.out" {
			return "its switch"
		}
	}
	for _, c := range p.Design.Connectors {
		if len(from) > len(c.Name) && from[:len(c.Name)+1] == c.Name+"." && to == c.Plug+from[len(c.Name):] {
			return "contact " + from
		}
	}
	return place(p.Design, from) + " to " + place(p.Design, to)
}

// place is a terminal as a person would say it.
func place(d *design.Design, terminal string) string {
	if t := d.Terminal(terminal); t != nil {
		return t.Say
	}
	return terminal
}

// switchedOn says briefly what is on.
func (p *Performance) switchedOn() string {
	loads, feeders := 0, []string{}
	for _, k := range p.Design.All() {
		closed := k.Protector() == nil || p.state.Closed[k.Name]
		on := k.Switch == nil || p.state.On[k.Name]
		switch {
		case !closed || !on || k.Protector() == nil && k.Switch == nil:
		case k.Feeder:
			feeders = append(feeders, k.Called())
		default:
			loads++
		}
	}
	switch {
	case loads > 0:
		return fmt.Sprintf("%d circuits on", loads)
	case len(feeders) > 0:
		return "only " + join(feeders) + " on"
	}
	return "all off"
}

// marking is the step of what is marked on a protector, and how a person said it.
func (p *Performance) marking(circuit string, marked float64, said string) Step {
	k := p.Design.Circuit(circuit)
	rating := float64(k.Protector().Rating)
	s := p.step(WhatMarking, circuit, measured{value: marked, quantity: probe.Current})
	s.Point, s.Place = circuit+".breaker", place(p.Design, circuit+".breaker")
	s.Title, s.Uncertainty = k.Called()+": rating marked on its protector", nil
	s.Design, s.Low, s.High = &rating, &rating, &rating
	s.Rule.Text, s.Rule.Status = "rating in the design", "design"
	if said != "" {
		s.Note = "read by a person: " + said
	}
	word := verdict.Pass
	if math.Abs(marked-rating) > 1e-9 {
		word = verdict.Fail
	}
	s.Verdict = string(word)
	return s
}

// checkCut keeps that the watch cut the power.
func (p *Performance) checkCut(circuit string, c Cut) (Step, error) {
	quantity := probe.Current
	if c.Unit == "V" {
		quantity = probe.Voltage
	}
	s := p.step(WhatCut, circuit, measured{value: c.Value, quantity: quantity})
	s.Uncertainty = nil
	s.Point, s.Place, s.Why, s.Blind = c.Source, c.Source, c.Why, c.Blind
	if k := p.Design.Circuit(c.Before); k != nil {
		s.Note = "it was just being switched on; " + k.Called() + " was, before it"
	}
	s.Title = fmt.Sprintf("%s: %s, power cut", p.Design.Circuit(circuit).Called(), c.Why)
	if c.Value < c.Limit {
		s.Low = &c.Limit
	} else {
		s.High = &c.Limit
	}
	s.Rule.Text, s.Rule.Status = "ceiling for what is switched on", "design"
	s.Verdict = string(verdict.Fail)
	return s, p.record(kindStep, s)
}

// notDone keeps that something was left out, and why.
func (p *Performance) notDone(what, circuit, why string, needed bool) (Step, error) {
	s := p.step(what, circuit, measured{})
	s.Reading, s.Uncertainty, s.Note, s.Verdict, s.Unproven = nil, nil, why, string(verdict.NotDone), needed
	return s, p.record(kindStep, s)
}
