package procedure

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"time"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"loomproof/checks/airframe"
	"loomproof/checks/limits"
	"loomproof/checks/verdict"
	"loomproof/checks/wire"
	"loomproof/probe"
)

// takenValue gives a script a reading that it can hand back.
func (p *Performance) takenValue(t taken) starlark.Value {
	value := starlark.Value(starlark.Float(t.Captured.Value))
	if t.Captured.Open || t.Cut != nil || t.Skipped != "" {
		value = starlark.None
	}
	return record("reading", "skipped", starlark.String(t.Skipped), "id", starlark.String(t.Captured.ID), "value", value, "open", starlark.Bool(t.Captured.Open), "cut", p.cutValue(t.Cut))
}

func (p *Performance) slMeasure(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	n := Now{Kind: DoProbe}
	quantity, joined, stays := string(probe.Voltage), starlark.NewList(nil), false
	if err := starlark.UnpackArgs(name, args, kwargs, "red", &n.Red, "black", &n.Black, "say", &n.Say, "detail?", &n.Detail,
		"quantity?", &quantity, "joined?", &joined, "stays?", &stays, "closing?", &n.Circuit, "comb?", &n.Comb); err != nil {
		return nil, err
	}
	var err error
	if joined.Len() > 0 {
		if n.Joined, err = stringsOf(joined); err != nil {
			return nil, err
		}
	}
	n.Quantity = probe.Quantity(quantity)
	switch n.Quantity {
	case probe.Voltage, probe.Current, probe.Resistance:
	default:
		return nil, fmt.Errorf("a meter reads voltage, current or resistance, not %q", quantity)
	}
	if err := p.terminalsNamed(append([]string{n.Red, n.Black}, n.Joined...), n.Quantity); err != nil {
		return nil, err
	}
	if n.Circuit != "" {
		k := p.Design.Circuit(n.Circuit)
		if k == nil || k.Protector() == nil || n.Quantity != probe.Resistance {
			return nil, fmt.Errorf("closing: %q is no circuit with a protector, or it is not resistance that is read", n.Circuit)
		}
		n.Action, stays = "in", false
	}
	t, err := p.measure(n, stays)
	if err == nil && t.Captured.Reversed {
		err = p.keepReversed(t)
	}
	return p.takenValue(t), err
}

// terminalsNamed refuses a terminal that is not there. For ohms "" is the airframe.
func (p *Performance) terminalsNamed(names []string, q probe.Quantity) error {
	for _, t := range names {
		if p.Design.Terminal(t) == nil && (t != "" || q != probe.Resistance) {
			return fmt.Errorf("there is no terminal %q", t)
		}
	}
	return nil
}

func (p *Performance) slPulse(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	n := Now{Kind: DoProbe, Quantity: probe.Voltage}
	seconds, pick := number(3), "least"
	if err := starlark.UnpackArgs(name, args, kwargs, "red", &n.Red, "black", &n.Black, "say", &n.Say, "seconds?", &seconds, "pick?", &pick, "detail?", &n.Detail); err != nil {
		return nil, err
	}
	if err := p.terminalsNamed([]string{n.Red, n.Black}, probe.Voltage); err != nil {
		return nil, err
	}
	if seconds <= 0 || seconds > 60 {
		return nil, fmt.Errorf("seconds: %v is outside 0 to 60", seconds)
	}
	if pick != "least" && pick != "most" {
		return nil, fmt.Errorf("pick: %q is neither \"least\" nor \"most\"", pick)
	}
	t, err := p.pulse(n, time.Duration(float64(seconds)*float64(time.Second)), pick == "most")
	return p.takenValue(t), err
}

func (p *Performance) slRead(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var what, circuit string
	if err := starlark.UnpackArgs(name, args, kwargs, "what", &what, "circuit?", &circuit); err != nil {
		return nil, err
	}
	if (what == "node current") != (circuit != "") {
		return nil, fmt.Errorf("read: a circuit is named for \"node current\", and for nothing else")
	}
	t, err := p.readFixed(what, circuit)
	return p.takenValue(t), err
}

// taken finds the reading that a script hands back.
func (p *Performance) taken(v starlark.Value) (taken, error) {
	if s, ok := v.(*starlarkstruct.Struct); ok {
		if id, err := s.Attr("id"); err == nil {
			text, _ := starlark.AsString(id)
			if t, ok := p.reading[text]; ok {
				return t, nil
			}
		}
	}
	return taken{}, fmt.Errorf("%s is no reading; hand back what measure or read returned", v)
}

// A leftOutError is for a reading that a person left out: what rests on it is not
// done, for the same reason.
type leftOutError struct{ why string }

func (e *leftOutError) Error() string { return e.why }

// orNotDone keeps a step that rests on a reading that was left out as not done.
func (p *Performance) orNotDone(what, circuit string, err error) (starlark.Value, error) {
	var left *leftOutError
	if !errors.As(err, &left) {
		return nil, err
	}
	s, err := p.notDone(what, circuit, left.why, false)
	return starlark.String(s.Verdict), err
}

// handed finds a reading that can be checked.
func (p *Performance) handed(v starlark.Value) (taken, error) {
	t, err := p.taken(v)
	switch {
	case err != nil:
	case t.Skipped != "":
		err = &leftOutError{t.Skipped}
	case t.Cut != nil:
		err = fmt.Errorf("the power was cut while %s was read: there is nothing to check", t.Captured.ID)
	}
	return t, err
}

// pair is a reading, less another one if there is one, with the states that both
// were read in.
func (p *Performance) pair(what string, reading, minus starlark.Value) (m measured, state, before airframe.State, err error) {
	a, err := p.handed(reading)
	if err != nil {
		return m, state, before, err
	}
	if minus == nil || minus == starlark.None {
		return single(a.Captured), a.state, airframe.State{}, nil
	}
	b, err := p.handed(minus)
	if err != nil {
		return m, state, before, err
	}
	// What the leads of an ohmmeter measure is the same in every state.
	if what != WhatCurrent && b.Captured.Quantity != probe.Resistance && !reflect.DeepEqual(a.state, b.state) {
		return m, state, before, fmt.Errorf("%s and %s were read in two states of the aircraft", a.Captured.ID, b.Captured.ID)
	}
	noted := false
	if a.run != b.run && a.Captured.Quantity != probe.Resistance {
		fresh, stays, err := p.afterGap(a, b)
		switch noted = stays; {
		case err != nil:
			return m, state, before, err
		case fresh.Cut != nil || fresh.Skipped != "":
			return m, state, before, &leftOutError{"its first reading was taken before a gap and could not be taken again"}
		case !stays && a.run < b.run:
			a = fresh
		case !stays:
			b = fresh
		}
	}
	m, err = difference(a.Captured, b.Captured)
	m.gap = noted
	return m, a.state, b.state, err
}

func (p *Performance) slCheck(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var what, circuit, title string
	var reading, minus starlark.Value
	var own bounds
	if err := starlark.UnpackArgs(name, args, kwargs, "what", &what, "circuit", &circuit, "reading", &reading, "minus?", &minus,
		"low?", &own.low, "high?", &own.high, "design?", &own.design, "rule?", &own.rule, "status?", &own.status, "title?", &title); err != nil {
		return nil, err
	}
	m, state, before, err := p.pair(what, reading, minus)
	if err != nil {
		return p.orNotDone(what, circuit, err)
	}
	var e limits.Expected
	given, err := own.expected(&e)
	if err != nil {
		return nil, err
	}
	if !given {
		if m, err = p.asCurrent(what, circuit, m, state); err != nil {
			return nil, err
		}
		if e, err = p.expected(what, circuit, m, state, before); err != nil {
			return nil, err
		}
	}
	s, err := p.check(what, circuit, title, m, e)
	return starlark.String(s.Verdict), err
}

// bounds are limits that a script brings, with the rule that they come from.
type bounds struct {
	low, high, design maybe
	rule, status      string
}

// expected tells whether the script has brought limits, and what they are.
func (b bounds) expected(e *limits.Expected) (given bool, err error) {
	if !b.low.is && !b.high.is {
		if b.design.is || b.rule != "" || b.status != "" {
			return false, fmt.Errorf("design, rule and status go with limits of the script's own: give low or high, too")
		}
		return false, nil
	}
	if b.rule == "" {
		return false, fmt.Errorf("a limit needs its rule: where it comes from")
	}
	status := wire.Status(b.status)
	switch status {
	case "":
		status = wire.CommonPractice
	case wire.Verified, wire.Secondary, wire.Derived, wire.Memory, wire.CommonPractice, wire.OfDesign:
	default:
		return false, fmt.Errorf("status: %q is none of verified, secondary, derived, memory, common practice, design", b.status)
	}
	rule := wire.Citation{Text: b.rule, Status: status}
	if b.low.is {
		e.Limit.Low = verdict.AtLeast(b.low.value, rule)
	}
	if b.high.is {
		e.Limit.High = verdict.AtMost(b.high.value, rule)
	}
	if b.low.is && b.high.is && b.low.value > b.high.value {
		return false, fmt.Errorf("low %v is above high %v", b.low.value, b.high.value)
	}
	if e.Design = nan; b.design.is {
		e.Design = b.design.value
	}
	return true, nil
}

// maybe is a number that a script may leave out.
type maybe struct {
	is    bool
	value float64
}

// Unpack is called by starlark.UnpackArgs.
func (m *maybe) Unpack(v starlark.Value) error {
	if v == starlark.None {
		return nil
	}
	var n number
	if err := n.Unpack(v); err != nil {
		return err
	}
	m.is, m.value = true, float64(n)
	return nil
}

func (p *Performance) slCheckSlope(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var what, circuit, title string
	var v1, v2, i1, i2, minus1, minus2 starlark.Value
	var own bounds
	if err := starlark.UnpackArgs(name, args, kwargs, "what", &what, "circuit", &circuit, "v1", &v1, "v2", &v2, "i1", &i1, "i2", &i2,
		"minus1?", &minus1, "minus2?", &minus2, "low?", &own.low, "high?", &own.high, "design?", &own.design, "rule?", &own.rule, "status?", &own.status, "title?", &title); err != nil {
		return nil, err
	}
	low, state, err := p.level(v1, minus1, i1)
	if err != nil {
		return p.orNotDone(what, circuit, err)
	}
	high, _, err := p.level(v2, minus2, i2)
	if err != nil {
		return p.orNotDone(what, circuit, err)
	}
	m, err := slope(low, high)
	if err != nil {
		return nil, err
	}
	var e limits.Expected
	given, err := own.expected(&e)
	if err != nil {
		return nil, err
	}
	if !given {
		if e, err = p.limits.Resistance(state, m.from, m.to); err != nil {
			return nil, err
		}
	}
	s, err := p.check(what, circuit, title, m, e)
	return starlark.String(s.Verdict), err
}

// level is a voltage over something and the current through it, at one load.
func (p *Performance) level(v, minus, i starlark.Value) (l level, s airframe.State, err error) {
	volts, s, _, err := p.pair(WhatDrop, v, minus)
	if err != nil {
		return l, s, err
	}
	amperes, err := p.handed(i)
	if err != nil {
		return l, s, err
	}
	if volts.quantity != probe.Voltage || amperes.Captured.Quantity != probe.Current {
		return l, s, fmt.Errorf("a slope needs voltages and currents, not %s over %s", volts.quantity, amperes.Captured.Quantity)
	}
	return level{volts, single(amperes.Captured)}, s, nil
}

// slNeeds ends a script that lacks an instrument before anything is asked.
func (p *Performance) slNeeds(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	if len(kwargs) > 0 {
		return nil, fmt.Errorf("needs takes names only")
	}
	have := map[string]bool{"meter": p.Bench.Meter != nil, "supply": p.Bench.Supply != nil, "node": p.Bench.Node != nil}
	var missing []string
	for _, a := range args {
		what, _ := starlark.AsString(a)
		there, known := have[what]
		switch {
		case !known:
			return nil, fmt.Errorf("%s is no instrument: meter, supply or node", a)
		case !there:
			missing = append(missing, what)
		}
	}
	if len(missing) > 0 {
		return nil, fmt.Errorf("this procedure needs a %s; name it with --%s PORT", join(missing), missing[0])
	}
	return starlark.None, nil
}

// slLast tells what a worksheet before this one read at a step.
func (p *Performance) slLast(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var what, circuit string
	if err := starlark.UnpackArgs(name, args, kwargs, "what", &what, "circuit", &circuit); err != nil {
		return nil, err
	}
	var out struct {
		Value *float64 `json:"value"`
	}
	// Another worksheet may be closed before this one goes on: what was answered stays.
	err := p.effect("last", map[string]any{"what": what, "circuit": circuit}, &out, func(context.Context) error {
		if had, ok := p.Earlier[circuit+"/"+what]; ok {
			out.Value = had.Reading
		}
		return nil
	})
	if err != nil || out.Value == nil {
		return starlark.None, err
	}
	return starlark.Float(*out.Value), nil
}
