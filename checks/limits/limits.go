// Package limits says what a quantity of the aircraft should be in a state and
// what is allowed there.
//
//	l := limits.New(design)
//	e, err := l.Drop(state, "radio.breaker", "radio.load+")
//	e.Design  // the design value
//	e.Limit   // the tighter of two limits, with the rule that sets each side
//
// Two limits meet: what a published rule allows, and the most that sound parts
// of this design can show. A corroded joint is found by the second while it is
// still well inside the first.
package limits

import (
	"errors"
	"fmt"
	"math"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/verdict"
	"loomproof/checks/wire"
)

// An Expected is a design value with its limits.
type Expected struct {
	Design float64       `json:"design"`
	Limit  verdict.Limit `json:"limit"`
}

// Limits works limits out for one design. It is not for several goroutines.
type Limits struct {
	design *design.Design
	model  *airframe.Model
}

// New makes the limits of a design.
func New(d *design.Design) *Limits { return &Limits{d, airframe.New(d)} }

// SoundParts is the rule of the second limit: the most, or the least, that sound
// parts of the design can show.
var SoundParts = wire.Citation{Text: "sound wire, joints and loads of this design", Status: wire.OfDesign}

// expect takes both sides of what sound parts can show.
func (l *Limits) expect(s airframe.State, q airframe.Quantity) (Expected, error) {
	e, err := l.model.Expect(s, q)
	if err != nil {
		return Expected{}, err
	}
	return Expected{e.Value, verdict.Limit{Low: verdict.AtLeast(e.Least, SoundParts), High: verdict.AtMost(e.Most, SoundParts)}}, nil
}

// Between is the voltage between two terminals, held to sound parts only.
func (l *Limits) Between(s airframe.State, from, to string) (Expected, error) {
	return l.expect(s, airframe.Between(from, to))
}

// Drop is the voltage lost between two terminals that current passes in turn:
// over a run, a contact, a switch. No part of a path may lose more than the
// rule allows the whole. There is no lower limit: a smaller drop harms nothing.
func (l *Limits) Drop(s airframe.State, from, to string) (Expected, error) {
	e, err := l.expect(s, airframe.Between(from, to))
	if err != nil {
		return e, err
	}
	allowed, rule := wire.AllowedDrop(float64(l.design.Aircraft.Nominal), false)
	e.Limit.Low = nil
	e.Limit = e.Limit.Tighten(verdict.Limit{High: verdict.AtMost(allowed, rule)})
	return e, nil
}

// ProtectorDrop is the voltage lost over a circuit's breaker or fuse, held to
// both sides: one that loses too little is of another rating.
func (l *Limits) ProtectorDrop(s airframe.State, circuit string) (Expected, error) {
	k := l.design.Circuit(circuit)
	if k == nil || k.Protector() == nil {
		return Expected{}, fmt.Errorf("limits: circuit %q has no protector", circuit)
	}
	return l.expect(s, airframe.Between(k.Bus, k.Name+".breaker"))
}

// FeederDrop is the voltage lost between a source's terminal and a bus.
func (l *Limits) FeederDrop(s airframe.State, from, bus string) (Expected, error) {
	e, err := l.expect(s, airframe.Between(from, bus))
	if err != nil {
		return e, err
	}
	allowed, rule := wire.FeederDrop(float64(l.design.Aircraft.Nominal))
	e.Limit.Low = nil
	e.Limit = e.Limit.Tighten(verdict.Limit{High: verdict.AtMost(allowed, rule)})
	return e, nil
}

// Bus is the voltage of a bus against a reference terminal: not lower than
// sound parts leave it, nor than the feeder's allowance below the terminals that
// the source feeds.
func (l *Limits) Bus(s airframe.State, bus, reference string) (Expected, error) {
	e, err := l.expect(s, airframe.Between(bus, reference))
	if err != nil {
		return e, err
	}
	source := l.feeding(s)
	if source == nil {
		return e, nil
	}
	plus := source.Plus // where a supply is clipped on: its own leads are not the aircraft's
	if plus == "" {
		plus = source.Name + "+"
	}
	at, err := l.model.Value(airframe.Between(plus, reference))
	if err != nil {
		return e, err
	}
	if e.Design < unfed*at {
		return e, nil // a rule for what is lost on the way asks nothing where there is no way
	}
	allowed, rule := wire.FeederDrop(float64(l.design.Aircraft.Nominal))
	e.Limit = e.Limit.Tighten(verdict.Limit{Low: verdict.AtLeast(at-allowed, rule)})
	return e, nil
}

// unfed is the part of the source's voltage below which a bus hangs on nothing in
// the state: insulation leaks some millivolts onto it. Common practice; no published
// source.
const unfed = 0.1

// feeding is the connected source of the highest voltage.
func (l *Limits) feeding(s airframe.State) (best *design.Source) {
	for _, name := range s.Sources {
		if x := l.design.Source(name); x != nil && (best == nil || x.Volts > best.Volts) {
			best = x
		}
	}
	return best
}

// LoadVolts is the voltage at a circuit's load: not lower than sound parts
// leave it, nor than the allowed drop below its bus.
func (l *Limits) LoadVolts(s airframe.State, circuit, reference string) (Expected, error) {
	k := l.design.Circuit(circuit)
	if k == nil || k.Load == nil {
		return Expected{}, fmt.Errorf("limits: circuit %q has no load", circuit)
	}
	e, err := l.expect(s, airframe.Between(k.Name+".load+", k.Name+".load-"))
	if err != nil {
		return e, err
	}
	bus, err := l.model.Value(airframe.Between(k.Bus, reference))
	if err != nil {
		return e, err
	}
	allowed, rule := wire.AllowedDrop(float64(l.design.Aircraft.Nominal), false)
	e.Limit = e.Limit.Tighten(verdict.Limit{Low: verdict.AtLeast(bus-allowed, rule)})
	return e, nil
}

// Current is the current into a circuit: what sound loads draw, and not more
// than the protector's rating.
func (l *Limits) Current(s airframe.State, circuit string) (Expected, error) {
	e, err := l.expect(s, airframe.Into(circuit))
	if err != nil {
		return e, err
	}
	return l.heldToProtector(e, circuit), nil
}

func (l *Limits) heldToProtector(e Expected, circuit string) Expected {
	if p := l.design.Circuit(circuit).Protector(); p != nil {
		e.Limit = e.Limit.Tighten(verdict.Limit{High: verdict.AtMost(float64(p.Rating), wire.BreakerRule)})
	}
	return e
}

// StepCurrent is the rise of a source's current as a circuit is switched on:
// the circuit's own current, less what the others give up because the bus
// falls a little. It must not exceed the protector's rating.
func (l *Limits) StepCurrent(before, after airframe.State, source, circuit string) (Expected, error) {
	k := l.design.Circuit(circuit)
	if k == nil {
		return Expected{}, fmt.Errorf("limits: there is no circuit %q", circuit)
	}
	e, err := l.expect(after, airframe.Into(circuit))
	if err != nil {
		return e, err
	}
	rise, err := l.model.Value(airframe.OutOf(source))
	if err != nil {
		return e, err
	}
	l.model.Set(before)
	was, err := l.model.Value(airframe.OutOf(source))
	if err != nil {
		return e, err
	}
	shift := rise - was - e.Design
	e.Design += shift
	e.Limit.Low.At += shift
	e.Limit.High.At += shift
	if p := k.Protector(); p != nil {
		e.Limit = e.Limit.Tighten(verdict.Limit{High: verdict.AtMost(float64(p.Rating)+shift, wire.BreakerRule)})
	}
	return e, nil
}

// ErrDoesNotFall is returned, wrapped, where by the design a source's current tells
// nothing of a circuit: it falls by less than what indicators and clocks draw as the
// circuit goes off.
var ErrDoesNotFall = errors.New("by the design the current does not fall")

// PerStep is what a circuit draws in a state for each ampere that a source's
// current falls by as the circuit, or all that it feeds, goes off: 1, but for what
// the other loads take up as the bus rises, and for a bus that was lower or higher
// when the state was read. It fails with [ErrDoesNotFall].
func (l *Limits) PerStep(state, on, off airframe.State, source, circuit string) (float64, error) {
	amperes := func(s airframe.State, q airframe.Quantity) (float64, error) {
		l.model.Set(s)
		return l.model.Value(q)
	}
	own, err := amperes(state, airframe.Into(circuit))
	if err != nil {
		return 0, err
	}
	with, err := amperes(on, airframe.OutOf(source))
	if err != nil {
		return 0, err
	}
	without, err := amperes(off, airframe.OutOf(source))
	if err != nil {
		return 0, err
	}
	if with-without < standing {
		return 0, fmt.Errorf("%w: that of %s, as %s goes off", ErrDoesNotFall, source, l.design.Called(circuit))
	}
	return own / (with - without), nil
}

// standing is the current in amperes that may flow beyond what the design
// says: what a few indicators and clocks draw. Common practice; no published
// source.
const standing = 0.020

// Total is the current out of a source with everything that is on.
func (l *Limits) Total(s airframe.State, source string) (Expected, error) {
	e, err := l.expect(s, airframe.OutOf(source))
	if err != nil {
		return e, err
	}
	e.Limit.Low.At -= standing
	e.Limit.High.At += standing
	if x := l.design.Source(source); x != nil && x.Limit > 0 {
		e.Limit = e.Limit.Tighten(verdict.Limit{High: verdict.AtMost(float64(x.Limit), wire.Citation{Text: "rated output of the source", Status: wire.OfDesign})})
	}
	return e, nil
}

// Ceiling is the current in amperes above which a source is cut while the
// aircraft is in a state: a quarter and half an ampere above the most that
// sound loads draw. Common practice; no published source.
func (l *Limits) Ceiling(s airframe.State, source string) (float64, error) {
	e, err := l.model.Expect(s, airframe.OutOf(source))
	return math.Max(0, e.Most)*1.25 + 0.5, err
}
