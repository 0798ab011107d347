package procedure

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"strings"

	"loomproof/checks/airframe"
	"loomproof/checks/limits"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/probe"
)

// A Redo is a step done once more. What was read or answered before it stays in the
// journal and in the report; the verdict is that of the last.
type Redo struct {
	Step     Step           `json:"step"`
	Captured []Captured     `json:"captured"`
	State    airframe.State `json:"state"`
	By       string         `json:"by"`
	Reason   string         `json:"reason,omitempty"`
}

// Again tells whether a step can be done again: it was read, seen, or is a marking.
func (s Step) Again() bool {
	return len(s.Captures) > 0 || s.What == WhatMarking || s.Rule == ruleSeen
}

// redo does a step again, in the state that the aircraft is in now. A step that
// cannot be done in it is left as it is, and the person is told why.
func (p *Performance) redo(w Word) error {
	s := p.byID(w.Step)
	r, err := p.doAgain(s, w)
	var cannot *cannotRedo
	left := errors.As(err, &cannot)
	if left {
		_, err = p.askAgain(Now{Kind: DoHold, Say: "That cannot be done again now: " + cannot.why + ".", Detail: s.Title, Answers: []string{"Go on"}})
	}
	switch {
	case p.tripped(err):
		return p.interrupted()
	case err != nil || left:
		return err
	}
	record, err := p.Sheet.Append(context.WithoutCancel(p.ctx), kindRedo, r)
	if err != nil {
		return err
	}
	p.showAgain(record)
	return nil
}

// cannotRedo says why a step cannot be read again.
type cannotRedo struct{ why string }

func (c *cannotRedo) Error() string { return c.why }

func (p *Performance) byID(id string) Step {
	for i := len(p.steps) - 1; i >= 0; i-- {
		if p.steps[i].ID == id {
			return p.steps[i]
		}
	}
	return Step{}
}

// doAgain does a step again by its kind.
func (p *Performance) doAgain(s Step, w Word) (r Redo, err error) {
	r = Redo{State: p.state.Clone(), By: w.By, Reason: w.Reason, Captured: []Captured{}}
	switch {
	case s.What == WhatMarking:
		r.Step, err = p.markAgain(s)
	case len(s.Captures) == 0:
		r.Step, err = p.lookAgain(s)
	case p.wentOff(s):
		return r, &cannotRedo{"it compares the circuit on and off, and it is off now"}
	case len(s.Captures) > 2:
		r, err = p.slopeAgain(s, r)
	default:
		r, err = p.readAgain(s, r)
	}
	r.Step.ID, r.Step.Title, r.Step.Section, r.Step.Last, r.Step.Redo = s.ID, s.Title, s.Section, s.Last, s.Redo+1
	return r, err
}

// askAgain asks a person, unless the watch cuts meanwhile.
func (p *Performance) askAgain(n Now) (outcome, error) {
	ctx, done := p.untilTripped(p.ctx)
	defer done()
	a, err := p.ask(ctx, n)
	return outcome{Choice: a.Choice, By: a.By, Number: a.Number}, err
}

// markAgain has a person read the marking on a protector again.
func (p *Performance) markAgain(s Step) (Step, error) {
	out, err := p.askAgain(Now{
		Kind: DoHold, Say: fmt.Sprintf("Once more: which rating is marked on the protector of %s?", p.Design.Called(s.Circuit)),
		Detail: s.Title, Circuit: s.Circuit, Number: probe.Current.Unit(),
	})
	if err != nil {
		return s, err
	}
	return p.marking(s.Circuit, out.Number, "marked "+units.Format(out.Number, s.Unit)), nil
}

// lookAgain has a person look or listen again.
func (p *Performance) lookAgain(s Step) (Step, error) {
	o, ok := p.observations[s.ID]
	switch {
	case !ok:
		return s, &cannotRedo{"nobody looked at it"}
	case o.in != nil && !reflect.DeepEqual(*o.in, p.state):
		return s, &cannotRedo{"it was seen or heard in another state of the aircraft"}
	}
	n := o.Now
	n.CanSkip = false // "Leave it out" is among its answers
	n.Say = "Once more. " + n.Say
	out, err := p.askAgain(n)
	if err != nil {
		return s, err
	}
	return p.observed(o, out), nil
}

// slopeAgain takes those of a slope's readings again that were taken in the state
// that the aircraft is in now; those at the other load stay.
func (p *Performance) slopeAgain(s Step, r Redo) (Redo, error) {
	all := make([]Captured, len(s.Captures))
	for i, id := range s.Captures {
		had, ok := p.reading[id]
		if !ok {
			return r, &cannotRedo{"what it rests on is not at hand"}
		}
		if all[i] = had.Captured; !reflect.DeepEqual(had.state, p.state) {
			continue
		}
		again, err := p.captureAgain(p.ctx, had.Captured, s.Title, fmt.Sprintf("read again %d", s.Redo+1))
		if err != nil {
			return r, err
		}
		all[i] = again
		r.Captured = append(r.Captured, again)
	}
	if len(r.Captured) == 0 {
		return r, &cannotRedo{"it compares two loads of the aircraft, and neither is there now"}
	}
	low, err := levelOf(all[:len(all)/2])
	if err != nil {
		return r, err
	}
	high, err := levelOf(all[len(all)/2:])
	if err != nil {
		return r, err
	}
	m, err := slope(low, high)
	if err != nil {
		return r, &cannotRedo{err.Error()}
	}
	r.Step = p.judged(s.What, s.Circuit, m, limitsOf(s))
	return r, nil
}

// levelOf is one load of a slope, from its readings as a step lists them: a
// voltage or two, and the current.
func levelOf(c []Captured) (l level, err error) {
	l.volts, l.amperes = single(c[0]), single(c[len(c)-1])
	if len(c) == 3 {
		l.volts, err = difference(c[0], c[1])
	}
	return l, err
}

// readAgain takes the readings and judges them.
func (p *Performance) readAgain(s Step, r Redo) (Redo, error) {
	first, ok := p.reading[s.Captures[0]]
	if !ok {
		return r, &cannotRedo{"what it rests on is not at hand"}
	}
	if len(first.state.Sources) != len(p.state.Sources) {
		return r, &cannotRedo{"the power is not as it was"}
	}
	second, pair := taken{}, len(s.Captures) == 2
	before := airframe.State{}
	if pair {
		second = p.reading[s.Captures[1]]
	}
	states := pair && !reflect.DeepEqual(first.state, second.state)
	if states && !reflect.DeepEqual(first.state, p.state) {
		return r, &cannotRedo{"it compares two states of the aircraft, and the first is not there now"}
	}
	a, err := p.captureAgain(p.ctx, first.Captured, s.Title, fmt.Sprintf("read again %d", s.Redo+1))
	if err != nil {
		return r, err
	}
	r.Captured = append(r.Captured, a)
	m := single(a)
	if pair {
		b := second.Captured
		before = second.state
		if !states {
			if b, err = p.captureAgain(p.ctx, b, s.Title, fmt.Sprintf("read again %d", s.Redo+1)); err != nil {
				return r, err
			}
			r.Captured = append(r.Captured, b)
		}
		if m, err = difference(a, b); err != nil {
			return r, err
		}
	}
	r.Step, err = p.judgeAgain(s, m, before)
	return r, err
}

// judgeAgain is a step with another reading, held to the limits of the present
// state, or to those that the script gave.
func (p *Performance) judgeAgain(s Step, m measured, before airframe.State) (Step, error) {
	if s.Quantity == string(probe.Current) {
		var err error
		if m, err = p.asCurrent(s.What, s.Circuit, m, p.state); err != nil {
			return s, err
		}
	}
	e, err := p.expected(s.What, s.Circuit, m, p.state, before)
	if errors.Is(err, errNoLimit) {
		e, err = limitsOf(s), nil
	}
	if err != nil {
		return s, err
	}
	return p.judged(s.What, s.Circuit, m, e), nil
}

// limitsOf are the limits that a step was held to.
func limitsOf(s Step) limits.Expected {
	e := limits.Expected{Design: nan}
	if s.Design != nil {
		e.Design = *s.Design
	}
	if s.Low != nil {
		e.Limit.Low = verdict.AtLeast(*s.Low, s.Rule)
	}
	if s.High != nil {
		e.Limit.High = verdict.AtMost(*s.High, s.Rule)
	}
	return e
}

// captureAgain reads what a capture had read, for what title says; the new one's
// name is the old one's with a mark.
func (p *Performance) captureAgain(ctx context.Context, c Captured, title, mark string) (Captured, error) {
	ctx, done := p.watch.untilTripped(ctx)
	defer done()
	id := c.ID + " " + mark
	var again Captured
	var err error
	taken, _, _ := strings.Cut(c.ID, " ") // the name that it was first taken under
	typed, byHand := p.typed[taken]
	switch {
	case byHand:
		typed.CanSkip = false
		typed.Say = "Once more. " + typed.Say
		again, err = p.askTyped(ctx, typed)
	case p.Bench.Meter != nil && c.Last.Source == p.Bench.Meter.Identity().Name && c.Red != "":
		now := Now{
			Kind: DoProbe, Say: fmt.Sprintf("Once more: red probe on %s, black on %s.", place(p.Design, c.Red), place(p.Design, c.Black)),
			Detail: title, Red: c.Red, Black: c.Black, Joined: c.Joined, Quantity: c.Quantity,
		}
		again, err = p.readAim(ctx, now, false)
	case p.Bench.Supply != nil && c.Last.Source == p.Bench.Supply.Identity().Name:
		again, err = p.steadyFixed(ctx, p.Bench.Supply, c.Last.Channel)
	case p.Bench.Node != nil && c.Last.Source == p.Bench.Node.Identity().Name:
		again, err = p.steadyFixed(ctx, p.Bench.Node, c.Last.Channel)
		again.Red, again.Black, again.Circuit = c.Red, c.Black, c.Circuit
	default:
		return c, &cannotRedo{"what it was read with is not on the bench"}
	}
	again.ID = id
	return again, err
}

// took keeps what a redo brought, at once and when it is replayed.
func (p *Performance) took(r Redo) {
	for _, c := range r.Captured {
		p.reading[c.ID] = taken{Captured: c, state: r.State}
	}
	for i := range p.steps {
		if p.steps[i].ID == r.Step.ID {
			p.steps[i] = r.Step
		}
	}
	p.showSteps(r.Step)
}

// afterGap reads the older of two readings again where the program was not there
// between the two: what it was read under may hold no longer. A reading of another
// state, of the other's or of the present one, cannot be taken again; the step then
// says so.
func (p *Performance) afterGap(a, b taken) (fresh taken, noted bool, err error) {
	older := a
	if b.run < a.run {
		older = b
	}
	if !reflect.DeepEqual(a.state, b.state) || !reflect.DeepEqual(older.state, p.state) {
		return older, true, nil
	}
	id := older.Captured.ID
	fresh, err = p.taking(id+" after a gap", "again", map[string]any{"of": id}, func(ctx context.Context) (Captured, error) {
		c, err := p.captureAgain(ctx, older.Captured, "It was read before the gap.", "after a gap")
		var cannot *cannotRedo
		if errors.As(err, &cannot) {
			return older.Captured, nil // typed, or from an instrument that is gone
		}
		return c, err
	})
	if err == nil {
		p.reading[id] = fresh
	}
	return fresh, false, err
}
