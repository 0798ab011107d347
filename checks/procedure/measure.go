package procedure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"loomproof/checks/airframe"
	"loomproof/checks/limits"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/checks/wire"
	"loomproof/probe"
	"loomproof/probe/steady"
)

// touchShare: a meter that shows less than this part of the design value is
// taken as not touching. Common practice; no published source.
const touchShare = 0.25

// asIsShare is the drift to allow, as part of the nominal voltage, where a person
// says that the probes are on the points and it is not what was expected: a dead
// point wanders by more than a meter's accuracy on its lowest range. Common
// practice; no published source.
const asIsShare = 0.005

// detectable is the smallest design value, in volts, whose presence tells that
// the probes touch.
const detectable = 1.0

// taken is a reading with the state that it was taken in; Cut is set when the
// watch cut the power instead.
type taken struct {
	Captured Captured `json:"captured"`
	Cut      *Cut     `json:"cut,omitempty"`
	Skipped  string   `json:"skipped,omitempty"` // why it was left out

	state airframe.State
	run   int // of the program, counted from 1
}

// take runs one reading as an effect, until it is there or the watch cuts.
func (p *Performance) take(call string, args map[string]any, read func(ctx context.Context) (Captured, error)) (taken, error) {
	p.captures++
	return p.taking(fmt.Sprintf("r%d", p.captures), call, args, read)
}

// taking is take for a reading with a name of its own.
func (p *Performance) taking(id, call string, args map[string]any, read func(ctx context.Context) (Captured, error)) (taken, error) {
	args["id"] = id
	var out taken
	err := p.effect(call, args, &out, func(ctx context.Context) error {
		if p.unanswered != nil {
			out.Cut = p.unanswered
			return nil
		}
		ctx, done := p.untilTripped(ctx)
		defer done()
		c, err := read(ctx)
		if p.tripped(err) {
			out.Cut, err = p.dealWithCut()
			return err
		}
		c.ID = id
		out.Captured = c
		return err
	})
	out.state, out.run = p.state.Clone(), p.runs
	out.Captured.ID = id
	p.reading[id] = out
	if out.Cut != nil {
		p.lost()
	}
	return out, err
}

// An aim is what the meter is to read, and where.
type aim struct {
	Now
	expected float64 // the design value; +Inf where nothing joins the points
	stays    bool    // the probes are there already
	leave    float64 // ohms that the reading must leave, upwards
}

// resting is where the probes were put for the reading before.
type resting struct {
	red, black string
	quantity   probe.Quantity
}

// measure has the probes put on two terminals and takes the reading when it is
// steady. Where n names a circuit, a hand closes its protector and its switch
// meanwhile: the way reads as open before and as joined after, so that nobody has to
// say that they are closed.
func (p *Performance) measure(n Now, stays bool) (taken, error) {
	args := map[string]any{"red": n.Red, "black": n.Black}
	if n.Quantity != probe.Voltage {
		args["quantity"] = n.Quantity
	}
	if len(n.Joined) > 0 {
		args["joined"] = n.Joined
	}
	before, after := p.state, p.state
	if n.Circuit != "" {
		args["closing"] = n.Circuit
		after = moved(p.Design, before, "in", n.Circuit)
	}
	defer p.clip(n)
	p.state = after
	t, err := p.take("measure", args, func(ctx context.Context) (Captured, error) {
		p.state = after
		c, err := p.readAim(ctx, n, stays)
		if err != nil { // it may be asked again, after something else
			p.state = before
		}
		return c, err
	})
	if err != nil || t.Skipped != "" {
		p.state = before
	}
	return t, err
}

// A clip is where the probes of the meter were, and in which section of the script.
type clip struct {
	Now
	section string
}

// clip keeps where the probes are. Between two readings on a comb it stays clipped on.
func (p *Performance) clip(n Now) {
	if n.Comb || !p.before.Comb || p.before.section != p.section {
		p.before = clip{n, p.section}
	}
}

// readAim takes the reading.
func (p *Performance) readAim(ctx context.Context, n Now, stays bool) (Captured, error) {
	if p.Bench.Meter == nil {
		return Captured{}, errors.New("this procedure needs a meter; name one with --meter")
	}
	e, err := p.toRead(n)
	if err != nil {
		return Captured{}, err
	}
	n.CanSkip = true
	n.Step = &Step{Point: n.Red, Unit: n.Quantity.Unit(), Design: &e.Design}
	if e.Limit.Low != nil {
		n.Step.Low = &e.Limit.Low.At
	}
	if e.Limit.High != nil {
		n.Step.High = &e.Limit.High.At
	}
	if e.Design >= limits.Open {
		n.Step.Design = nil
	}
	a := aim{Now: n, expected: e.Design, stays: stays}
	if here := (resting{n.Red, n.Black, n.Quantity}); here == p.resting && !a.quiet() && len(n.Joined) == 0 {
		// It was read there just now. Nobody lifts the probes to put them on the same
		// points; one that slipped off shows nothing, and is asked about.
		a.stays = true
		if a.Detail == "" {
			a.Detail = "The probes are there already: leave them."
		}
	}
	p.resting = resting{}
	c, err := p.takeUpright(ctx, a)
	if err == nil && !c.Reversed {
		p.resting = resting{n.Red, n.Black, n.Quantity}
	}
	c.Red, c.Black, c.Joined = n.Red, n.Black, n.Joined
	c.Circuit, _, _ = p.bridged(n.Quantity, n.Red, n.Black, p.state)
	return c, err
}

// takeUpright takes the reading, and asks at once what a minus means where the
// design has a plus.
func (p *Performance) takeUpright(ctx context.Context, a aim) (Captured, error) {
	for {
		c, err := p.takeSteady(ctx, a)
		if err != nil || !a.minus(c) {
			return c, err
		}
		word, err := p.ask(ctx, p.minus(a, c))
		if err != nil {
			return Captured{}, err
		}
		if word.Choice != leadsCrossed {
			c.Reversed = true
			return c, nil
		}
		a.stays = false
	}
}

// minus tells a voltage that stands the wrong way round.
func (a aim) minus(c Captured) bool {
	return c.Quantity == probe.Voltage && a.expected >= detectable && c.Value <= -touchShare*a.expected
}

// The answers where a reading is below zero.
const (
	leadsCrossed = "The leads were crossed: read again"
	wrongWay     = "The leads are right: it is off"
)

// minus is what a person is told, and asked, of such a reading.
func (p *Performance) minus(a aim, c Captured) Now {
	n := Now{Kind: DoHold, Warn: true, CanSkip: true, Answers: []string{leadsCrossed, wrongWay}}
	fed, off := "battery", p.offByHand()
	switch {
	case p.powered:
		fed, off = "supply", "Its output off now, before anything else is switched on."
	case off == "":
		off = "Take it off now, before anything is switched on."
	}
	n.Say = fmt.Sprintf("MINUS %s at %s: the %s is connected the wrong way round, or the meter's leads are crossed. %s",
		units.Format(-c.Value, "V"), place(p.Design, a.Red), fed, off)
	n.Detail = fmt.Sprintf("Look at the meter first: red lead in the socket for V, black in COM; red probe on %s, black on %s. The wrong way round, it destroys every unit that is switched on.",
		place(p.Design, a.Red), place(p.Design, a.Black))
	return n
}

// keepReversed keeps that something stood the wrong way round, and ends the worksheet.
func (p *Performance) keepReversed(t taken) error {
	what := "battery"
	if len(p.state.Sources) > 0 {
		what = p.state.Sources[0]
	}
	s := p.step(WhatPolarity, what, single(t.Captured))
	s.Verdict, s.Rule = string(verdict.Fail), wire.Citation{Text: "plus of what feeds the aircraft stands on plus", Status: wire.OfDesign}
	s.Title = p.Design.Called(what) + ": plus on plus"
	s.Finding = fmt.Sprintf("Minus %s at %s: what feeds the aircraft is connected the wrong way round.", units.Format(-t.Captured.Value, "V"), s.Place)
	s.Try = "Leave it off. Look at the marks on both leads and both poles, and put plus on plus; then read again with every switch and breaker open. What was switched on meanwhile may be damaged: test each unit by itself."
	if err := p.record(kindStep, s); err != nil {
		return err
	}
	if err := p.record(kindNote, Note{Stop: true, Text: "What feeds the aircraft is connected the wrong way round. It stays off."}); err != nil {
		return err
	}
	return effectError{errStopped}
}

// toRead is what the meter should show there.
func (p *Performance) toRead(n Now) (limits.Expected, error) {
	switch {
	case n.Quantity == probe.Voltage:
		return p.limits.Between(p.state, n.Red, n.Black)
	case n.Quantity == probe.Current:
		if circuit, with, ok := p.bridged(n.Quantity, n.Red, n.Black, p.state); ok {
			return p.limits.Current(with, circuit)
		}
		return limits.Expected{}, nil // where it is put in series, the design has no part
	case len(p.state.Sources) > 0:
		return limits.Expected{}, errors.New("ohms are read with the power off: something feeds the aircraft here")
	}
	e, err := p.limits.Apart(p.state, n.Red, n.Black, n.Joined...)
	if err != nil || e.Design >= limits.Open || len(n.Joined) > 0 {
		return e, err
	}
	return p.limits.Continuity(p.state, n.Red, n.Black)
}

// feel says what of the readings is to be taken.
func (a aim) feel() feel {
	f := feel{ohms: a.Quantity == probe.Resistance, above: a.leave, shorted: a.Red == a.Black}
	switch {
	case f.ohms:
		f.open = a.expected >= limits.Open
		f.rule.MustLift = !a.stays && !f.open
	case a.quiet():
	default:
		f.rule = steady.Rule{Touch: touchShare * math.Abs(a.expected), MustLift: !a.stays}
	}
	return f
}

// quiet tells whether touching the points cannot be felt: a person has to say it.
func (a aim) quiet() bool {
	switch a.Quantity {
	case probe.Voltage:
		return math.Abs(a.expected) < detectable
	case probe.Resistance:
		return a.expected >= limits.Open
	case probe.Current:
		return math.Abs(a.expected) < feltAmperes
	}
	return true
}

// takeSteady reads the meter until a reading is steady and plausible. If none
// comes, it asks whether the probes are on the point.
func (p *Performance) takeSteady(ctx context.Context, a aim) (Captured, error) {
	typed, _ := p.Bench.Meter.(probe.Settled)
	switch {
	case !a.quiet() || a.stays || typed != nil && typed.Settled():
		// felt; or who types a reading says by it that the probes are on
	case a.onComb():
		return p.takeOnComb(ctx, a)
	default:
		on := a.Now
		on.Detail, on.Answers, on.Step = "It cannot be felt by itself: say when both probes are on.", []string{"They are on"}, nil
		if _, err := p.ask(ctx, on); err != nil {
			return Captured{}, err
		}
	}
	return p.patiently(ctx, a)
}

// patiently reads until a reading is steady, and asks when none comes in time.
func (p *Performance) patiently(ctx context.Context, a aim) (Captured, error) {
	channel := string(a.Quantity)
	begun := time.Now()
	p.Desk.show(a.Now)
	for {
		c, err := p.untilSteady(ctx, p.Bench.Meter, channel, a.feel(), p.patience())
		if !errors.Is(err, errImpatient) {
			p.Desk.show(Now{Kind: DoNothing})
			if err == nil && p.Took != nil {
				p.Took(time.Since(begun))
			}
			return c, err
		}
		sure := a.Now
		sure.Say, sure.Detail, sure.Answers = "Nothing steady there. Are the probes on the points?", a.Say, []string{"Yes, take what it shows", "No, wait"}
		word, err := p.ask(ctx, sure)
		if err != nil {
			return Captured{}, err
		}
		if word.Choice == sure.Answers[0] {
			c, err := p.untilSteady(ctx, p.Bench.Meter, channel, a.asItIs(float64(p.Design.Aircraft.Nominal)), p.patience())
			c.TakenAsIs = true
			p.Desk.show(Now{Kind: DoNothing})
			return c, err
		}
		p.Desk.show(a.Now)
	}
}

// asItIs takes whatever the meter shows, as a person says that the probes are on.
func (a aim) asItIs(nominal float64) feel {
	f := feel{ohms: a.Quantity == probe.Resistance, open: true}
	if a.Quantity == probe.Voltage {
		f.rule.Drift = asIsShare * nominal
	}
	return f
}

func (p *Performance) patience() time.Duration {
	if p.Bench.Patience > 0 {
		return p.Bench.Patience
	}
	return 20 * time.Second
}

// errImpatient is when no steady reading has come in time.
var errImpatient = errors.New("no steady reading")

// A feel says which readings count. With ohms an overload is open leads: lifted
// probes, or with open a result.
type feel struct {
	rule steady.Rule
	ohms bool
	open bool

	shorted bool // both probes are on one point: nothing can be open there

	above, below float64 // ohms that do not count yet: up to above, and from below on; 0 for none
}

// early tells whether a reading does not count yet.
func (f feel) early(ohms float64) bool {
	return f.above > 0 && ohms <= f.above || f.below > 0 && ohms >= f.below
}

// openReadings is how many overloads in a row are an open way.
const openReadings = 5

// untilSteady reads a source until it is steady. Refusals, silence and a pulled
// cable are shown and waited out.
func (p *Performance) untilSteady(ctx context.Context, s probe.Source, channel string, f feel, patience time.Duration) (Captured, error) {
	deadline, stop := context.WithTimeoutCause(ctx, patience, errImpatient)
	defer stop()
	settled, _ := s.(probe.Settled)
	typed := settled != nil && settled.Settled()
	if typed {
		deadline = ctx // a person takes the time that it takes
	}
	rule, opens := f.rule, 0
	lifted := !f.ohms || !rule.MustLift
	if f.ohms {
		rule.MustLift = false // an ohmmeter's lifted probes give no reading to see it by
	}
	d := steady.New(rule)
	for {
		r, err := p.readOnce(deadline, s, channel)
		var refused *probe.Refusal
		switch {
		case deadline.Err() != nil:
			return Captured{}, context.Cause(deadline)
		case typed && f.ohms && !f.shorted && errors.As(err, &refused) && refused.Reason == probe.Overload:
			at := time.Now().UTC() // a person who types it has seen it at the points
			last := probe.Reading{Source: s.Identity().Name, Channel: channel, Quantity: probe.Resistance, At: at}
			return Captured{Quantity: probe.Resistance, Open: true, Above: refused.Above, Count: 1, Last: last, At: at}, nil
		case typed && f.ohms && errors.As(err, &refused) && refused.Reason == probe.Overload:
			p.Desk.live(Live{Phase: refused.Detail + ", with both probes on one point: press the tips together there and type what the leads show"})
			continue
		case f.ohms && errors.As(err, &refused) && refused.Reason == probe.Overload:
			lifted, d = true, steady.New(rule)
			p.Desk.live(Live{Phase: "open"})
			if opens++; f.open && opens >= openReadings {
				at := time.Now().UTC()
				return Captured{Quantity: probe.Resistance, Open: true, Count: opens, Last: probe.Reading{Source: s.Identity().Name, Channel: channel, Quantity: probe.Resistance, At: at}, At: at}, nil
			}
			continue
		case errors.As(err, &refused), errors.Is(err, probe.ErrSilent), errors.Is(err, probe.ErrAway):
			if refused != nil {
				d.Refused(refused)
			}
			p.Desk.live(Live{Phase: err.Error()})
			continue
		case err != nil:
			return Captured{}, err
		}
		if typed && !p.watch.beyond(r) {
			return Captured{Quantity: r.Quantity, Value: r.Value, Count: 1, Last: r, At: r.At.UTC()}, nil
		}
		if opens = 0; !lifted || f.early(r.Value) {
			d = steady.New(rule)
			p.Desk.live(Live{Value: r.Value, Unit: r.Quantity.Unit(), Phase: string(steady.WaitLift)})
			continue
		}
		sum := d.Add(r)
		p.Desk.live(Live{Value: r.Value, Unit: r.Quantity.Unit(), Phase: string(sum.Phase)})
		if sum.Phase == steady.Steady && !p.watch.beyond(r) {
			return Captured{Quantity: r.Quantity, Value: sum.Mean, Deviation: sum.Deviation, Count: sum.Count, Drift: sum.Drift, Last: r, At: r.At.UTC()}, nil
		}
	}
}

func (p *Performance) readOnce(ctx context.Context, s probe.Source, channel string) (probe.Reading, error) {
	if p.Bench.Supply != nil && s == probe.Source(p.Bench.Supply) {
		return p.watch.readSupply(ctx, channel)
	}
	return s.Read(ctx, channel)
}

// readFixed takes a steady reading from a source that needs no hand.
func (p *Performance) readFixed(name, circuit string) (taken, error) {
	args := map[string]any{"what": name}
	if circuit != "" {
		args["circuit"] = circuit
	}
	return p.take("read", args, func(ctx context.Context) (Captured, error) {
		var s probe.Source
		channel := ""
		switch name {
		case "supply current":
			s, channel = p.Bench.Supply, "current"
		case "supply voltage":
			s, channel = p.Bench.Supply, "voltage"
		case "node bus":
			s, channel = p.Bench.Node, p.Bench.NodeVolts
		case "node current":
			s, channel = p.Bench.Node, p.Bench.NodeShunts[circuit]
		}
		if s == nil || channel == "" {
			return Captured{}, fmt.Errorf("there is no %q on this bench", name)
		}
		c, err := p.steadyFixed(ctx, s, channel)
		switch name {
		case "node bus":
			c.Red, c.Black = p.Bench.NodeBus, p.reference()
		case "node current":
			c.Circuit = circuit
		}
		return c, err
	})
}

// steadyFixed reads until it is steady. If that does not come, a person looks
// at the instrument, and it goes on.
func (p *Performance) steadyFixed(ctx context.Context, s probe.Source, channel string) (Captured, error) {
	rule := steady.Rule{}
	for {
		c, err := p.untilSteady(ctx, s, channel, feel{rule: rule}, p.patience())
		c.TakenAsIs = rule != steady.Rule{}
		if !errors.Is(err, errImpatient) {
			return c, err
		}
		a, err := p.ask(ctx, Now{
			Kind: DoHold, Say: fmt.Sprintf("Nothing steady from %s, %s. Look at its wiring.", s.Identity().Name, channel),
			Detail: "Its value wanders, or none comes. What it shows stands above.", Answers: []string{"Try again", "Take what it shows"},
		})
		if err != nil {
			return Captured{}, err
		}
		rule = steady.Rule{}
		if a.Choice == "Take what it shows" {
			rule.Drift = asIsShare * float64(p.Design.Aircraft.Nominal)
		}
	}
}

// pulse takes the least, or the greatest, of the readings in a stretch of time
// that begins with a person's word.
func (p *Performance) pulse(n Now, lasts time.Duration, most bool) (taken, error) {
	args := map[string]any{"red": n.Red, "black": n.Black, "seconds": lasts.Seconds(), "most": most}
	return p.take("pulse", args, func(ctx context.Context) (Captured, error) {
		s, channel := p.fastest(n)
		if s == nil {
			return Captured{}, errors.New("this needs a meter, or a node on that bus; name one with --meter or --node")
		}
		n.Answers, n.CanSkip = []string{"Now"}, true
		if _, err := p.ask(ctx, n); err != nil {
			return Captured{}, err
		}
		n.Answers = nil
		p.Desk.show(n)
		defer p.Desk.show(Now{Kind: DoNothing})
		c, err := p.extreme(ctx, s, channel, lasts, most)
		c.Red, c.Black = n.Red, n.Black
		return c, err
	})
}

// fastest is what reads a voltage oftenest: the node, where it is wired to it.
func (p *Performance) fastest(n Now) (probe.Source, string) {
	if p.Bench.Node != nil && p.Bench.NodeVolts != "" && n.Red == p.Bench.NodeBus && n.Black == p.reference() {
		return p.Bench.Node, p.Bench.NodeVolts
	}
	if p.Bench.Meter == nil {
		return nil, ""
	}
	return p.Bench.Meter, string(probe.Voltage)
}

// extreme reads for a while and keeps the least or the greatest reading.
func (p *Performance) extreme(ctx context.Context, s probe.Source, channel string, lasts time.Duration, most bool) (c Captured, err error) {
	until, stop := context.WithTimeoutCause(ctx, lasts, errImpatient)
	defer stop()
	var first time.Time // by the source's own clock
	for {
		r, err := p.readOnce(until, s, channel)
		if err == nil && first.IsZero() {
			first = r.At
		}
		var refused *probe.Refusal
		switch {
		case ctx.Err() != nil:
			return c, context.Cause(ctx)
		case until.Err() != nil && c.Count > 0:
			return c, nil
		case until.Err() != nil:
			return c, fmt.Errorf("%s gave no reading in %v", s.Identity().Name, lasts)
		case errors.As(err, &refused), errors.Is(err, probe.ErrSilent), errors.Is(err, probe.ErrAway):
			continue
		case err != nil:
			return c, err
		case r.At.Sub(first) > lasts:
			return c, nil
		}
		p.Desk.live(Live{Value: r.Value, Unit: r.Quantity.Unit(), Phase: "reading"})
		if n := c.Count + 1; n == 1 || most == (r.Value > c.Value) {
			c = Captured{Quantity: r.Quantity, Value: r.Value, Last: r, At: r.At.UTC(), Extreme: true}
			c.Count = n
		} else {
			c.Count = n
		}
	}
}
