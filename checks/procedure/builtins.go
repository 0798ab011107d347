package procedure

import (
	"fmt"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"loomproof/checks/design"
	"loomproof/checks/sandbox"
	"loomproof/checks/verdict"
)

// builtins are what a script can use: the words of the table in vocabulary.go.
func (p *Performance) builtins() starlark.StringDict {
	env := starlark.StringDict{}
	for _, w := range ScriptWords() {
		if w.value != nil {
			env[w.Name()] = w.value(p)
		}
		if w.do == nil {
			continue
		}
		env[w.Name()] = starlark.NewBuiltin(w.Name(), func(t *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			if p.Called != nil {
				p.Called(sandbox.Place(t))
			}
			return w.do(p, b.Name(), args, kwargs)
		})
	}
	return env
}

// record makes a value with fields, from names and values in turn.
func record(kind string, fields ...any) starlark.Value {
	d := starlark.StringDict{}
	for i := 0; i < len(fields); i += 2 {
		d[fields[i].(string)] = fields[i+1].(starlark.Value)
	}
	return starlarkstruct.FromStringDict(starlark.String(kind), d)
}

func list[T any](from []T, value func(T) starlark.Value) *starlark.List {
	values := make([]starlark.Value, len(from))
	for i, x := range from {
		values[i] = value(x)
	}
	l := starlark.NewList(values)
	l.Freeze()
	return l
}

func texts(from []string) starlark.Value {
	return list(from, func(s string) starlark.Value { return starlark.String(s) })
}

func (p *Performance) busValue(b *design.Bus) starlark.Value {
	feeder, breaker, marked, sw, parent := "", starlark.Bool(false), "", "", ""
	for _, k := range p.Design.Feeders {
		for _, r := range k.Runs {
			if (r.To == b.Name || r.From == b.Name) && k.Bus != b.Name {
				feeder, breaker, parent = k.Name, starlark.Bool(k.Protector() != nil), k.Bus
				if breaker {
					marked = k.Called()
					if k.Protector().Label != "" {
						marked = k.Protector().Label
					}
				}
				if k.Switch != nil {
					sw = label(k)
				}
			}
		}
	}
	return record("bus", "name", starlark.String(b.Name), "title", starlark.String(b.Title), "feeder", starlark.String(feeder),
		"breaker", breaker, "label", starlark.String(marked), "switch", starlark.String(sw), "parent", starlark.String(parent))
}

func label(k *design.Circuit) string {
	if k.Switch.Label != "" {
		return k.Switch.Label
	}
	return k.Called()
}

func (p *Performance) circuitValue(k *design.Circuit) starlark.Value {
	rating, sw, marked := starlark.Float(0), "", k.Name
	if b := k.Protector(); b != nil {
		rating = starlark.Float(b.Rating)
		if b.Label != "" {
			marked = b.Label
		}
	}
	if k.Switch != nil {
		sw = label(k)
	}
	var feed []string
	for _, t := range p.Design.Feed(k) {
		if p.Design.Terminal(t).Reach == design.Easy {
			feed = append(feed, t)
		}
	}
	return record("circuit", "name", starlark.String(k.Name), "title", starlark.String(k.Called()), "bus", starlark.String(k.Bus),
		"rating", rating, "label", starlark.String(marked), "switch", starlark.String(sw), "feed", texts(feed),
		"minus", starlark.String(k.Name+".load-"), "skip", starlark.String(k.NoBench), "essential", starlark.Bool(k.Essential),
		"continuous", starlark.Bool(k.Load != nil && k.Load.Duty == design.Continuous), "transmits", starlark.Bool(k.Load != nil && k.Load.Intermittent != nil),
		"short_draw", starlark.Float(p.shortDraw(k)), "nature", starlark.String(nature(k)),
		"brief", starlark.Bool(brief(k)))
}

// brief tells a load that is on for long in flight only: with the engine stopped a
// field or another winding heats without its airflow, and a pump may run dry. Common
// practice; no published source.
func brief(k *design.Circuit) bool {
	return k.Load != nil && k.NoBench == "" && k.Load.Duty == design.Continuous && (k.Load.Nature == design.Inductive || k.Load.Nature == design.Motor)
}

// shortDraw is what a load draws while it does its short work, in amperes.
func (p *Performance) shortDraw(k *design.Circuit) float64 {
	if k.Load == nil || k.Load.Intermittent == nil {
		return 0
	}
	return k.Load.Intermittent.At(float64(p.Design.Aircraft.Nominal))
}

func nature(k *design.Circuit) string {
	if k.Load == nil {
		return ""
	}
	return string(k.Load.Nature)
}

func (p *Performance) slCaution(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	n := Note{Caution: true}
	if err := starlark.UnpackArgs(name, args, kwargs, "text", &n.Text, "source?", &n.Source); err != nil {
		return nil, err
	}
	return starlark.None, p.record(kindNote, n)
}

func (p *Performance) slHold(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	n := Now{Kind: DoHold}
	answers := defaultAnswers()
	var within starlark.Tuple
	if err := starlark.UnpackArgs(name, args, kwargs, "say", &n.Say, "detail?", &n.Detail, "answers?", &answers, "warn?", &n.Warn, "within?", &within, "what?", &n.What, "where?", &n.Where); err != nil {
		return nil, err
	}
	var err error
	if n.Answers, err = stringsOf(answers); err != nil {
		return nil, err
	}
	if within != nil {
		out, err := p.holdWithin(n, within)
		return starlark.String(out.Choice), err
	}
	out, err := p.hold(n)
	return starlark.String(out.Choice), err
}

func (p *Performance) slWords(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	n := Now{Kind: DoHold, Write: WriteWords}
	if err := starlark.UnpackArgs(name, args, kwargs, "say", &n.Say, "detail?", &n.Detail); err != nil {
		return nil, err
	}
	out, err := p.hold(n)
	return starlark.String(out.Text), err
}

func (p *Performance) slNote(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var text string
	if err := starlark.UnpackArgs(name, args, kwargs, "text", &text); err != nil {
		return nil, err
	}
	return starlark.None, p.record(kindNote, Note{Text: text})
}

func defaultAnswers() *starlark.List {
	return starlark.NewList([]starlark.Value{starlark.String("Done")})
}

func stringsOf(l *starlark.List) ([]string, error) {
	out := make([]string, l.Len())
	for i := range out {
		s, ok := starlark.AsString(l.Index(i))
		if !ok || s == "" {
			return nil, fmt.Errorf("answers must be words, not %s", l.Index(i))
		}
		out[i] = s
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("a hold point needs at least one answer")
	}
	return out, nil
}

func (p *Performance) slNumber(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	n := Now{Kind: DoHold}
	if err := starlark.UnpackArgs(name, args, kwargs, "say", &n.Say, "unit", &n.Number, "circuit?", &n.Circuit, "detail?", &n.Detail); err != nil {
		return nil, err
	}
	out, err := p.hold(n)
	return starlark.Float(out.Number), err
}

func (p *Performance) slPower(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var volts, limit number
	if err := starlark.UnpackArgs(name, args, kwargs, "volts", &volts, "limit", &limit); err != nil {
		return nil, err
	}
	if !(volts > 0 && limit > 0) {
		return nil, fmt.Errorf("power needs volts and a limit above zero")
	}
	return starlark.None, p.power(true, float64(volts), float64(limit))
}

func (p *Performance) slPowerOff(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	if err := starlark.UnpackArgs(name, args, kwargs); err != nil {
		return nil, err
	}
	return starlark.None, p.power(false, 0, 0)
}

func (p *Performance) slMove(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	n := Now{Kind: DoAct}
	answers, stay := defaultAnswers(), starlark.NewList(nil)
	if err := starlark.UnpackArgs(name, args, kwargs, "action", &n.Action, "circuit", &n.Circuit, "say", &n.Say, "detail?", &n.Detail, "answers?", &answers, "stay?", &stay, "warn?", &n.Warn); err != nil {
		return nil, err
	}
	err := canMove(p.Design, n.Action, n.Circuit)
	if err != nil {
		return nil, err
	}
	if n.Answers, err = stringsOf(answers); err != nil {
		return nil, err
	}
	var stays []string
	if stay.Len() > 0 {
		if stays, err = stringsOf(stay); err != nil {
			return nil, err
		}
	}
	out, err := p.act(n, stays)
	return p.movedValue(out), err
}

// cutValue gives a script a cut that it can hand back; None if there was none.
func (p *Performance) cutValue(c *Cut) starlark.Value {
	if c == nil {
		return starlark.None
	}
	p.cuts = append(p.cuts, *c)
	return record("cut", "n", starlark.MakeInt(len(p.cuts)-1), "why", starlark.String(c.Why),
		"circuit", starlark.String(c.Circuit), "before", starlark.String(c.Before))
}

// number takes an integer or a float of a script.
type number float64

// Unpack is called by starlark.UnpackArgs.
func (n *number) Unpack(v starlark.Value) error {
	f, ok := starlark.AsFloat(v)
	if !ok {
		return fmt.Errorf("got %s, want a number", v.Type())
	}
	*n = number(f)
	return nil
}

// circuitNamed refuses a circuit that is not there.
func (p *Performance) circuitNamed(circuit string) error {
	if p.Design.Circuit(circuit) == nil {
		return fmt.Errorf("there is no circuit %q", circuit)
	}
	return nil
}

func (p *Performance) slCheckMarking(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var circuit, said string
	var marked number
	if err := starlark.UnpackArgs(name, args, kwargs, "circuit", &circuit, "amperes", &marked, "said?", &said); err != nil {
		return nil, err
	}
	if err := p.circuitNamed(circuit); err != nil {
		return nil, err
	}
	if p.Design.Circuit(circuit).Protector() == nil {
		return nil, fmt.Errorf("circuit %q has no protector with a marking", circuit)
	}
	s := p.marking(circuit, float64(marked), said)
	return starlark.String(s.Verdict), p.record(kindStep, s)
}

// slOverdraws tells whether a circuit draws more than it should.
func (p *Performance) slOverdraws(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var circuit string
	if err := starlark.UnpackArgs(name, args, kwargs, "circuit", &circuit); err != nil {
		return nil, err
	}
	if err := p.circuitNamed(circuit); err != nil {
		return nil, err
	}
	s := p.latest(circuit, WhatCurrent)
	return starlark.Bool(s != nil && s.Verdict == string(verdict.Fail) && s.High != nil && *s.Reading > *s.High), nil
}

func (p *Performance) slCheckCut(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var circuit string
	var cut starlark.Value
	if err := starlark.UnpackArgs(name, args, kwargs, "circuit", &circuit, "cut", &cut); err != nil {
		return nil, err
	}
	if err := p.circuitNamed(circuit); err != nil {
		return nil, err
	}
	n := -1
	if c, ok := cut.(*starlarkstruct.Struct); ok {
		if v, err := c.Attr("n"); err == nil {
			_ = starlark.AsInt(v, &n)
		}
	}
	if n < 0 || n >= len(p.cuts) {
		return nil, fmt.Errorf("%s is no cut; hand back what move or measure returned as .cut", cut)
	}
	s, err := p.checkCut(circuit, p.cuts[n])
	return starlark.String(s.Verdict), err
}

func (p *Performance) slNotDone(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var what, circuit, why string
	var needed bool
	if err := starlark.UnpackArgs(name, args, kwargs, "what", &what, "circuit", &circuit, "why", &why, "needed?", &needed); err != nil {
		return nil, err
	}
	s, err := p.notDone(what, circuit, why, needed)
	return starlark.String(s.Verdict), err
}

func (p *Performance) slStop(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var why string
	if err := starlark.UnpackArgs(name, args, kwargs, "why", &why); err != nil {
		return nil, err
	}
	if err := p.record(kindNote, Note{Stop: true, Text: why}); err != nil {
		return nil, err
	}
	return nil, effectError{errStopped}
}

func (p *Performance) slSayPoint(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var terminal string
	if err := starlark.UnpackArgs(name, args, kwargs, "terminal", &terminal); err != nil {
		return nil, err
	}
	t := p.Design.Terminal(terminal)
	if t == nil {
		return nil, fmt.Errorf("there is no terminal %q", terminal)
	}
	return starlark.String(t.Say), nil
}
