package procedure

import (
	"fmt"
	"math"

	"go.starlark.net/starlark"

	"loomproof/checks/airframe"
	"loomproof/checks/limits"
	"loomproof/checks/plan"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/checks/wire"
	"loomproof/probe"
)

// asCurrent makes a current of a voltage that was read where a current is checked:
// the drop over parts whose resistance the design knows. The current is to the
// drop as the design's current is to the design's drop; how far sound parts
// differ from the usual ones goes into its uncertainty.
func (p *Performance) asCurrent(what, circuit string, m measured, state airframe.State) (measured, error) {
	if m.quantity != probe.Voltage || what != WhatCurrent && what != WhatTotal {
		return m, nil
	}
	m.known = "the drop over a known resistance"
	e, err := p.expected(what, circuit, m, state, airframe.State{})
	if err != nil {
		return m, err
	}
	drop, err := p.limits.Between(state, m.from, m.to)
	if err != nil {
		return m, err
	}
	if math.Abs(drop.Design) < noDrop {
		return m, fmt.Errorf("%s of %s: by the design nothing is lost between %s and %s in this state, which could tell a current", what, circuit, m.from, m.to)
	}
	r, err := p.limits.Known(state, m.from, m.to)
	if err != nil {
		return m, err
	}
	perVolt := e.Design / drop.Design
	parts := (r.Most - r.Least) / 2 / r.Usual / math.Sqrt(3) // rectangular, JCGM 100:2008 4.3.7
	m.value *= perVolt
	m.u = math.Hypot(m.u*perVolt, m.value*parts)
	m.quantity = probe.Current
	return m, nil
}

// judgeKnown marks a step whose current was told by a drop. Where that cannot
// decide, it is not done rather than undecided: no better meter would help.
func (s *Step) judgeKnown(m measured) {
	s.Note = fmt.Sprintf("told by the drop from %s to %s, of parts whose resistance the design knows", m.from, m.to)
	if s.Verdict == string(verdict.Undecided) {
		s.Note = fmt.Sprintf("the drop from %s to %s tells it as %s, no better: as far as sound parts differ. What would prove it: %s",
			m.from, m.to, units.Format(m.value, s.Unit)+" ± "+units.Format(2*m.u, s.Unit), plan.ProvesCurrent)
		s.Verdict, s.Decide, s.Unproven = string(verdict.NotDone), "", true
		s.Reading, s.Uncertainty, s.Probability = nil, nil, nil
	}
}

// DoesNotHold is a person's answer where a protector opens as it is closed.
const DoesNotHold = "It does not hold"

// slCheckHeld keeps whether a protector held as it was closed, as a person saw it.
func (p *Performance) slCheckHeld(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var circuit, said string
	var held bool
	if err := starlark.UnpackArgs(name, args, kwargs, "circuit", &circuit, "held", &held, "said?", &said); err != nil {
		return nil, err
	}
	if err := p.circuitNamed(circuit); err != nil {
		return nil, err
	}
	if p.Design.Circuit(circuit).Protector() == nil {
		return nil, fmt.Errorf("circuit %q has no protector that could hold", circuit)
	}
	s := p.step(WhatHeld, circuit, measured{})
	s.Reading, s.Uncertainty = nil, nil
	s.Title = p.Design.Called(circuit) + ": its protector holds"
	s.Point, s.Place = circuit+".breaker", place(p.Design, circuit+".breaker")
	s.Rule = wire.Citation{Text: "the protector of a sound circuit holds", Status: wire.OfDesign}
	if said != "" {
		s.Note = "seen by a person: " + said
	}
	if s.Verdict = string(verdict.Pass); !held {
		s.Verdict = string(verdict.Fail)
		s.Finding = p.Design.Called(circuit) + ": its protector opens as it is closed: something behind it is shorted."
		s.Try = "Leave it open. Power off; ohmmeter from its load side to the airframe; take plugs and far ends off one at a time until the short is gone."
	}
	return starlark.String(s.Verdict), p.record(kindStep, s)
}

// slNotProven keeps as a step what nothing on the bench can prove, why, and what
// would: the worksheet is then incomplete, whatever else passes.
func (p *Performance) slNotProven(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var what, circuit string
	kind := string(plan.Current)
	if err := starlark.UnpackArgs(name, args, kwargs, "what", &what, "circuit", &circuit, "kind?", &kind); err != nil {
		return nil, err
	}
	w, err := p.want(starlark.Tuple{starlark.String(kind), starlark.String(circuit), starlark.String(""), starlark.String("")})
	if err != nil {
		return nil, err
	}
	made := plan.For([]plan.Want{w}, p.planned())
	if len(made.Cannot) == 0 {
		return nil, fmt.Errorf("%s of %s can be found out on this bench: %s", kind, circuit, made.Items[0].Way)
	}
	gap := made.Cannot[0]
	s := p.step(what, circuit, measured{})
	s.Reading, s.Uncertainty, s.Verdict, s.Unproven = nil, nil, string(verdict.NotDone), true
	s.Note = fmt.Sprintf("%s. What would prove it: %s", gap.Why, gap.Addition)
	return starlark.String(s.Verdict), p.record(kindStep, s)
}

// whole tells whether the readings are of a circuit's own current, and not of what
// a source's rose by.
func whole(m measured, before airframe.State) bool { return m.known != "" || before.Closed == nil }

// currentLimit is the limit of a circuit's current.
func (p *Performance) currentLimit(circuit, source string, m measured, state, before airframe.State) (limits.Expected, error) {
	if of, with, ok := p.bridged(m.quantity, m.from, m.to, state); ok && of == circuit {
		return p.limits.Current(with, circuit)
	}
	if whole(m, before) {
		return p.limits.Current(state, circuit)
	}
	return p.limits.StepCurrent(before, state, source, circuit)
}
