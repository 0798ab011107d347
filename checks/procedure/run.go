package procedure

import (
	"errors"
	"fmt"
	"math"

	"go.starlark.net/starlark"

	"loomproof/checks/limits"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/probe"
)

// WhatRun is the resistance of a run.
const WhatRun = "run resistance"

// slCheckRun finds the resistance of a circuit's run from two levels of load: the
// circuit on and off. Off, nothing is lost over it, so that the second level takes no
// probe: the meter's offset drops out between the two ends, the supply's between
// on and off.
func (p *Performance) slCheckRun(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var circuit string
	var volts, minus, on, off starlark.Value
	if err := starlark.UnpackArgs(name, args, kwargs, "circuit", &circuit, "volts", &volts, "minus", &minus, "on", &on, "off", &off); err != nil {
		return nil, err
	}
	if err := p.circuitNamed(circuit); err != nil {
		return nil, err
	}
	lost, state, _, err := p.pair(WhatDrop, volts, minus)
	if err != nil {
		return p.orNotDone(WhatRun, circuit, err)
	}
	fell, with, without, err := p.pair(WhatCurrent, on, off)
	if err != nil {
		return p.orNotDone(WhatRun, circuit, err)
	}
	switch {
	case lost.quantity != probe.Voltage || fell.quantity != probe.Current:
		return nil, fmt.Errorf("check_run takes two voltages, and the supply's current with the circuit on and off, not %s and %s", lost.quantity, fell.quantity)
	case len(with.Sources) == 0:
		return nil, fmt.Errorf("check_run: nothing fed the aircraft as the current was read")
	}
	share, err := p.limits.PerStep(state, with, without, with.Sources[0], circuit)
	if err != nil && !errors.Is(err, limits.ErrDoesNotFall) {
		return nil, err
	}
	var m measured
	if err == nil {
		m, err = resistance(lost, fell, share)
	}
	if err != nil {
		return p.orNotDone(WhatRun, circuit, &leftOutError{err.Error()})
	}
	e, err := p.limits.Resistance(state, m.from, m.to)
	if err != nil {
		return nil, err
	}
	s := p.judged(WhatRun, circuit, m, e)
	s.leaveToDrop(m)
	return starlark.String(s.Verdict), p.record(kindStep, s)
}

// leaveToDrop is for a run that the instruments cannot tell from a bad one even if
// it is as the design has it, as of a load that draws little: it is not done then,
// and what is lost over it was judged by itself.
func (s *Step) leaveToDrop(m measured) {
	if s.Verdict != string(verdict.Undecided) || s.High == nil || s.Design == nil || 2*m.u < *s.High-*s.Design {
		return
	}
	s.Note = fmt.Sprintf("told to ±%s only, too little to judge it by; what is lost over it is judged by itself", units.Format(2*m.u, s.Unit))
	s.Reading, s.Uncertainty, s.Probability, s.Decide, s.Verdict = nil, nil, nil, "", string(verdict.NotDone)
}

// toldFrom is how many standard uncertainties a fall of the current must be to tell a
// resistance by. Common practice; no published source.
const toldFrom = 3

// resistance is that of what a voltage was lost over while a circuit drew share
// times what a source's current fell by as the circuit went off. The share comes
// from the design: it may be off by as much as it differs from 1 (common practice;
// no published source).
func resistance(lost, fell measured, share float64) (measured, error) {
	m := lost
	amperes := fell.value * share
	if amperes < toldFrom*fell.u {
		return m, errors.New("the supply's current does not tell what it draws: it fell by " + units.Format(fell.value, fell.quantity.Unit()) + " as it went off")
	}
	m.value, m.quantity = lost.value/amperes, probe.Resistance
	m.u = math.Hypot(lost.u/amperes, m.value*math.Hypot(fell.u/fell.value, (share-1)/math.Sqrt(3)))
	m.captures = append(m.captures[:len(m.captures):len(m.captures)], fell.captures...)
	m.asIs, m.gap = m.asIs || fell.asIs, m.gap || fell.gap
	return m, nil
}

// wentOff tells a run's resistance from the circuit on and off, four readings with
// the two of the voltage first, from a slope, whose two levels come one after the
// other.
func (p *Performance) wentOff(s Step) bool {
	return s.What == WhatRun && len(s.Captures) == 4 && p.reading[s.Captures[1]].Captured.Quantity == probe.Voltage
}
