package procedure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"go.starlark.net/starlark"

	"loomproof/checks/airframe"
	"loomproof/checks/locator"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/checks/wire"
	"loomproof/probe"
)

// What a person can say of something looked at that is neither good nor bad.
const leftOut = "Leave it out"

// ruleSeen is the rule of a step that a person saw or heard.
var ruleSeen = wire.Citation{Text: "seen or heard by a person", Status: wire.CommonPractice}

// slObserve has a person look or listen; the answer is a step without a number.
func (p *Performance) slObserve(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	o := observation{Now: Now{Kind: DoHold, CanSkip: true}}
	yes, no, hand := "Yes", "No", starlark.NewList(nil)
	if err := starlark.UnpackArgs(name, args, kwargs, "what", &o.What, "where", &o.Where, "say", &o.Say, "detail?", &o.Detail,
		"yes?", &yes, "no?", &no, "finding?", &o.finding, "attempt?", &o.attempt, "needed?", &o.needed, "hand?", &hand); err != nil {
		return nil, err
	}
	o.Answers = []string{yes, no, leftOut}
	out, err := p.look(o.Now, hand)
	if err != nil {
		return nil, err
	}
	s := p.observed(o, out)
	if hand.Len() > 0 {
		state := p.state.Clone()
		o.in = &state
	}
	p.observations[s.ID] = o
	return starlark.String(s.Verdict), p.record(kindStep, s)
}

// look asks a person what is seen or heard, after a hand has moved what is in hand,
// a list of (action, circuit): the answer says that it has moved, too.
func (p *Performance) look(n Now, hand *starlark.List) (outcome, error) {
	if hand.Len() == 0 {
		return p.hold(n)
	}
	if p.powered {
		return outcome{}, errors.New("hand: the watched supply is on, and a cut would not be told: have each moved by move, before it is looked at")
	}
	after := p.state.Clone()
	moves := make([][2]string, hand.Len())
	for i := range moves {
		pair, ok := hand.Index(i).(starlark.Tuple)
		if !ok || len(pair) != 2 {
			return outcome{}, fmt.Errorf("hand: %s is no move; write it like (\"in\", \"radio\")", hand.Index(i))
		}
		action, _ := starlark.AsString(pair[0])
		circuit, _ := starlark.AsString(pair[1])
		if err := canMove(p.Design, action, circuit); err != nil {
			return outcome{}, err
		}
		moves[i] = [2]string{action, circuit}
		after = moved(p.Design, after, action, circuit)
	}
	n.Restore, n.CanSkip = &after, false // "Leave it out" is among its answers, and says that the hand has moved
	return p.change(n, "look", map[string]any{"say": n.Say, "answers": n.Answers, "hand": moves}, after)
}

// An observation is what a person is asked to look at or listen to, and what it
// means when it is not good. Its answers are good, bad, left out.
type observation struct {
	Now
	finding, attempt string
	needed           bool            // the whole cannot pass without it
	in               *airframe.State // that hands brought the aircraft into for it; nil if none moved
}

// observed is the step that an answer makes.
func (p *Performance) observed(o observation, out outcome) Step {
	s := p.step(o.What, o.Where, measured{})
	s.Reading, s.Uncertainty, s.Rule = nil, nil, ruleSeen
	s.Note = fmt.Sprintf("%s %s: %s", o.Say, o.Detail, out.Choice)
	switch out.Choice {
	case o.Answers[0]:
		s.Verdict = string(verdict.Pass)
	case o.Answers[1]:
		s.Verdict, s.Finding, s.Try = string(verdict.Fail), o.finding, o.attempt
	default:
		s.Verdict, s.Unproven = string(verdict.NotDone), o.needed
	}
	if out.Skipped != "" {
		s.Note = out.Skipped
	}
	return s
}

// keyboard is the name of the source of what a person types.
const keyboard = "keyboard"

// slTyped takes a reading that a person reads off and types.
func (p *Performance) slTyped(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	n := Now{Kind: DoHold}
	var quantity, accuracy string
	var least, most starlark.Value
	if err := starlark.UnpackArgs(name, args, kwargs, "say", &n.Say, "quantity", &quantity, "where", &n.Where, "detail?", &n.Detail,
		"accuracy?", &accuracy, "least?", &least, "most?", &most, "what?", &n.What); err != nil {
		return nil, err
	}
	unit, ok := typedUnits[probe.Quantity(quantity)]
	if !ok {
		return nil, fmt.Errorf("%q cannot be typed; what can is: %s", quantity, typedNames())
	}
	n.Number, n.CanSkip = unit, true
	var err error
	if n.Least, err = optional(least); err != nil {
		return nil, err
	}
	if n.Most, err = optional(most); err != nil {
		return nil, err
	}
	var a probe.Accuracy
	if accuracy != "" {
		if a, err = probe.ParseAccuracy(accuracy); err != nil {
			return nil, err
		}
	}
	t, err := p.take("typed", map[string]any{"say": n.Say, "where": n.Where}, func(ctx context.Context) (Captured, error) {
		return p.askTyped(ctx, readOff{n, probe.Quantity(quantity), a})
	})
	p.typed[t.Captured.ID] = readOff{n, probe.Quantity(quantity), a}
	return p.takenValue(t), err
}

// A readOff is a reading that a person reads off and types, as accurate as the
// script says that its instrument is.
type readOff struct {
	Now
	quantity probe.Quantity
	accuracy probe.Accuracy
}

func (p *Performance) askTyped(ctx context.Context, t readOff) (Captured, error) {
	answer, err := p.ask(ctx, t.Now)
	now := time.Now().UTC()
	last := probe.Reading{Value: answer.Number, Quantity: t.quantity, Source: keyboard, Channel: t.Where, At: now, Accuracy: t.accuracy}
	c := Captured{Quantity: t.quantity, Value: answer.Number, Count: 1, Last: last, At: now, By: answer.By}
	if answer.Above {
		c.Open, c.Above, c.Value, c.Last.Value = true, answer.Number, 0, 0
	}
	return c, err
}

// typedUnits are the units of what can be typed. An angle is in degrees, as
// compasses show it, not in radians.
var typedUnits = map[probe.Quantity]string{
	probe.Voltage: "V", probe.Current: "A", probe.Resistance: "Ω", probe.Temperature: "°C", probe.Frequency: "Hz",
	"angle": "°", "ratio": "1", "minute of the hour": "min",
}

func typedNames() string {
	var names []string
	for q := range typedUnits {
		names = append(names, string(q))
	}
	slices.Sort(names)
	return join(names)
}

// optional reads a number that may be None or left out.
func optional(v starlark.Value) (*float64, error) {
	if v == nil || v == starlark.None {
		return nil, nil
	}
	f, ok := starlark.AsFloat(v)
	if !ok {
		return nil, fmt.Errorf("got %s, want a number", v.Type())
	}
	return &f, nil
}

// slCheckNumber judges a number that a script worked out, with its standard
// uncertainty, against limits that the script gives.
func (p *Performance) slCheckNumber(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var what, where, unit, rule, title, note string
	var value, u number
	status := string(wire.CommonPractice)
	var low, high, usual starlark.Value
	if err := starlark.UnpackArgs(name, args, kwargs, "what", &what, "where", &where, "value", &value, "unit", &unit, "low?", &low, "high?", &high,
		"design?", &usual, "u?", &u, "rule?", &rule, "status?", &status, "title?", &title, "note?", &note); err != nil {
		return nil, err
	}
	if math.IsNaN(float64(value)) || math.IsInf(float64(value), 0) || !(u >= 0) {
		return nil, fmt.Errorf("%s of %s: %v ± %v is no value to judge", what, where, value, u)
	}
	s := p.step(what, where, measured{value: float64(value), u: float64(u)})
	s.Unit, s.Note = unit, note
	if title != "" {
		s.Title = p.Design.Called(where) + ": " + title
	}
	var err error
	if s.Low, err = optional(low); err != nil {
		return nil, err
	}
	if s.High, err = optional(high); err != nil {
		return nil, err
	}
	if s.Design, err = optional(usual); err != nil {
		return nil, err
	}
	s.judge(float64(u), wire.Citation{Text: rule, Status: wire.Status(status)})
	return starlark.String(s.Verdict), p.record(kindStep, s)
}

// judge gives a step with one rule for both sides its verdict.
func (s *Step) judge(u float64, rule wire.Citation) {
	var l verdict.Limit
	if s.Low != nil {
		l.Low = verdict.AtLeast(*s.Low, rule)
	}
	if s.High != nil {
		l.High = verdict.AtMost(*s.High, rule)
	}
	v := verdict.Judge(*s.Reading, u, l)
	s.Rule, s.Verdict, s.Probability = rule, string(v.Word), &v.Probability
	if v.Word == verdict.Undecided {
		s.Decide = verdict.WhatDecides(*s.Reading, u, l, s.Unit)
	}
}

// slDate asks for a date, and tells how many days ago it was when it was typed.
func (p *Performance) slDate(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	n := Now{Kind: DoHold, Write: WriteDate}
	if err := starlark.UnpackArgs(name, args, kwargs, "say", &n.Say, "detail?", &n.Detail, "what?", &n.What, "where?", &n.Where); err != nil {
		return nil, err
	}
	var out struct {
		Text string `json:"text"`
		Days int    `json:"days"`
		By   string `json:"by"`
	}
	err := p.effect("date", map[string]any{"say": n.Say}, &out, func(ctx context.Context) error {
		a, err := p.ask(ctx, n)
		if err != nil {
			return err
		}
		day, err := time.Parse(time.DateOnly, a.Text)
		out.Text, out.By = a.Text, a.By
		out.Days = int(time.Now().UTC().Truncate(24*time.Hour).Sub(day).Hours() / 24)
		return err
	})
	return record("date", "text", starlark.String(out.Text), "days", starlark.MakeInt(out.Days), "skipped", starlark.String("")), err
}

// slClock has a person compare this computer's clock with one that can be
// trusted. A clock that stands before the last record of the worksheet was set
// back, and is not trusted whatever a person says.
func (p *Performance) slClock(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var n Now
	if err := starlark.UnpackArgs(name, args, kwargs, "say?", &n.Say, "detail?", &n.Detail); err != nil {
		return nil, err
	}
	var out struct {
		OK  bool      `json:"ok"`
		At  time.Time `json:"at"`
		Why string    `json:"why"`
		By  string    `json:"by"`
	}
	err := p.effect("clock", map[string]any{"say": n.Say}, &out, func(ctx context.Context) error {
		var err error
		out.At, out.Why, out.By, err = p.compareClock(ctx, n)
		out.OK = out.Why == ""
		return err
	})
	p.clockTrusted = out.OK && err == nil
	return record("clock", "ok", starlark.Bool(out.OK), "hour", starlark.MakeInt(out.At.Hour()), "minute", starlark.MakeInt(out.At.Minute()),
		"date", starlark.String(out.At.Format(time.DateOnly)), "why", starlark.String(out.Why)), err
}

// compareClock has a person compare this computer's clock; why says what is wrong
// with it.
func (p *Performance) compareClock(ctx context.Context, n Now) (at time.Time, why, by string, err error) {
	n.Kind, n.What, n.Answers = DoHold, "clock", []string{"Agrees to half a minute", "Differs"}
	n.Say = fmt.Sprintf("This computer says %s UTC. %s", time.Now().UTC().Format("15:04"), n.Say)
	a, err := p.ask(ctx, n)
	if err != nil {
		return at, "", "", err
	}
	now := time.Now()
	at = now.UTC().Truncate(time.Second)
	switch {
	case at.Before(p.latestRecord().Truncate(time.Second)):
		return at, "it stands before a record of this worksheet: it was set back", a.By, nil
	case a.Choice != n.Answers[0]:
		return at, "a person says that it differs", a.By, nil
	}
	p.clockAt = now
	return at, "", a.By, nil
}

// clockMoved tells whether the clock was set since a person compared it, or
// whether that was in an earlier run of the program.
func (p *Performance) clockMoved() bool {
	if p.clockAt.IsZero() {
		return true
	}
	now := time.Now()
	set := now.Round(0).Sub(p.clockAt.Round(0)) - now.Sub(p.clockAt) // by the wall, less by the monotonic clock
	return set.Abs() > clockTrust
}

// clockTrust is how far the clock may be off for a window that is minutes long.
const clockTrust = 30 * time.Second

// holdWithin waits for a word that may be given only in some minutes past each
// hour, UTC, by a clock that was confirmed and not set since. Outside them a
// person can wait or leave it out; a word that comes as the window closes is
// asked for again in the next.
func (p *Performance) holdWithin(n Now, within starlark.Tuple) (outcome, error) {
	var w locator.Window
	if len(within) != 2 || starlark.AsInt(within[0], &w.From) != nil || starlark.AsInt(within[1], &w.To) != nil || w.From < 0 || w.To > 60 || w.From >= w.To {
		return outcome{}, fmt.Errorf("within: %s is no span of minutes; write it like (0, 5)", within)
	}
	if !p.clockTrusted {
		return outcome{}, fmt.Errorf("within: the clock has not been confirmed; ask clock() first, and go on only when it is ok")
	}
	var out outcome
	args := map[string]any{"say": n.Say, "answers": n.Answers, "within": []int{w.From, w.To}}
	err := p.effect("hold", args, &out, func(ctx context.Context) error {
		for {
			if p.clockMoved() && !p.Rehearsed {
				_, why, by, err := p.compareClock(ctx, Now{Say: "Compare once more: it was set, or the program was not there, since."})
				if err != nil {
					return err
				}
				if why != "" {
					out = outcome{By: by}
					return nil
				}
			}
			asked, until := n, w.Closes(time.Now())
			switch {
			case p.Rehearsed:
				until = time.Now().Add(time.Hour)
			case !w.Open(time.Now()):
				until = w.Opens(time.Now())
				asked = Now{Kind: DoHold, Say: fmt.Sprintf("Not now: wait until %s UTC.", until.UTC().Format("15:04")), Detail: n.Say, Answers: []string{leftOut}}
			}
			a, err := p.askUntil(ctx, asked, until)
			switch {
			case ctx.Err() != nil:
				return context.Cause(ctx)
			case err != nil: // the window has opened or closed meanwhile
			case a.Choice == leftOut && len(asked.Answers) == 1:
				out = outcome{By: a.By}
				return nil
			case p.Rehearsed || w.Open(time.Now()) && !p.clockMoved():
				out = outcome{OK: true, Choice: a.Choice, By: a.By}
				return nil
			}
		}
	})
	return out, err
}

// askUntil asks until a moment; its error is the deadline's then.
func (p *Performance) askUntil(ctx context.Context, n Now, until time.Time) (Answer, error) {
	ctx, cancel := context.WithDeadline(ctx, until)
	defer cancel()
	return p.ask(ctx, n)
}

// latestRecord is the latest time in the worksheet. After a clock was set back that
// is not the time of its last record.
func (p *Performance) latestRecord() time.Time {
	var latest time.Time
	for _, r := range p.Sheet.Records() {
		if r.At.After(latest) {
			latest = r.At
		}
	}
	return latest
}

// slSection begins a part of the procedure: a heading.
func (p *Performance) slSection(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var title string
	if err := starlark.UnpackArgs(name, args, kwargs, "title", &title); err != nil {
		return nil, err
	}
	p.section = title
	return starlark.None, p.record(kindNote, Note{Section: true, Text: title})
}

// A Row is one row of a table that a script keeps.
type Row struct {
	Table  string      `json:"table"`
	Fields [][2]string `json:"fields"` // name and value
}

// slRow keeps a row of a table: row("deviation card", For="030", Steer="028").
func (p *Performance) slRow(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	if len(args) != 1 || len(kwargs) == 0 {
		return nil, fmt.Errorf("%s: give the table's name, then each field as name=value", name)
	}
	table, ok := starlark.AsString(args[0])
	if !ok {
		return nil, fmt.Errorf("%s: the table's name must be words", name)
	}
	r := Row{Table: table}
	for _, kv := range kwargs {
		field, _ := starlark.AsString(kv[0])
		value, ok := starlark.AsString(kv[1])
		if f, isNumber := starlark.AsFloat(kv[1]); !ok && isNumber {
			value, ok = strings.TrimSpace(units.Format(f, "")), true
		}
		if !ok {
			return nil, fmt.Errorf("%s: %s is neither words nor a number", name, field)
		}
		r.Fields = append(r.Fields, [2]string{field, value})
	}
	return starlark.None, p.record(kindNote, Note{Row: &r})
}
