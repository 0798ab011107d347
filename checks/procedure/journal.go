package procedure

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"strings"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/logbook"
)

// ErrScriptChanged is returned, wrapped, when a worksheet cannot be resumed
// because its script asks for something else than it did.
var ErrScriptChanged = errors.New("the script does not ask what it asked before")

// effectError is a failure of the world, not of the script.
type effectError struct{ error }

func (e effectError) Unwrap() error { return e.error }

// effect answers a call of the script from the journal, or does it and keeps
// what it brought. result is a pointer to the result's type.
func (p *Performance) effect(call string, args, result any, do func(ctx context.Context) error) error {
	if p.at < len(p.records) {
		found, err := p.replay(call, args, result)
		if found || err != nil {
			return err
		}
	}
	if err := p.bridge(); err != nil {
		return effectError{err}
	}
	if err := p.happen(result, do); err != nil {
		return effectError{err}
	}
	if c := cutOf(result); c != nil && c.Smoke {
		return effectError{p.endForSmoke(*c)}
	}
	// What has been done is kept, even if the stop came meanwhile.
	if _, err := p.Sheet.Append(context.WithoutCancel(p.ctx), kindEffect, effectRecord{call, args, reflect.ValueOf(result).Elem().Interface()}); err != nil {
		return effectError{err}
	}
	return nil
}

// takesCut tells whether an effect is told of a cut. One that only asks is not:
// the next that needs the power is.
func takesCut(call string) bool {
	return call != "hold" && call != "date" && call != "clock" && call != "last" && call != "crept"
}

// cutOf is the cut that an effect ended with; nil if it did not.
func cutOf(result any) *Cut {
	switch r := result.(type) {
	case *outcome:
		return r.Cut
	case *taken:
		return r.Cut
	}
	return nil
}

// replay looks for the next effect in the journal. Records of other kinds in
// between are not the script's; steps and notes are shown again.
func (p *Performance) replay(call string, args, result any) (found bool, err error) {
	for ; p.at < len(p.records); p.at++ {
		r := p.records[p.at]
		if r.Kind != kindEffect {
			p.showAgain(r)
			continue
		}
		var had struct {
			Call   string
			Args   json.RawMessage
			Result json.RawMessage
		}
		if err := r.Decode(&had); err != nil {
			return false, effectError{err}
		}
		if takesCut(had.Call) {
			p.unanswered = nil
		}
		asked, err := json.Marshal(args)
		if err != nil {
			return false, effectError{err}
		}
		if had.Call != call || string(had.Args) != string(asked) {
			return false, effectError{fmt.Errorf("worksheet %d, record %d: %w: it was %s%s, now it is %s%s; begin a new worksheet",
				p.Sheet.ID(), r.Seq, ErrScriptChanged, had.Call, had.Args, call, asked)}
		}
		p.at++
		return true, json.Unmarshal(had.Result, result)
	}
	return false, nil
}

func (p *Performance) showAgain(r logbook.Record) {
	switch r.Kind {
	case kindStep:
		var s Step
		if r.Decode(&s) == nil {
			p.showStep(s)
		}
	case kindNote:
		var n Note
		if r.Decode(&n) == nil {
			p.showNote(n)
		}
	case kindBench:
		p.runs++
	case kindCut:
		var c Cut
		if r.Decode(&c) == nil {
			p.unanswered = &c
		}
	case kindRedo:
		var again Redo
		if r.Decode(&again) == nil {
			p.took(again)
		}
	case kindHands:
		var h Hands
		if r.Decode(&h) == nil {
			p.holder = h.By
		}
	}
}

// record keeps something that is not an effect, unless the journal has it.
func (p *Performance) record(kind string, body any) error {
	for ; p.at < len(p.records); p.at++ {
		r := p.records[p.at]
		switch r.Kind {
		case kind:
			p.at++
			p.showAgain(r)
			return nil
		case kindEffect:
			return effectError{fmt.Errorf("worksheet %d, record %d: %w: a %s is missing here; begin a new worksheet", p.Sheet.ID(), r.Seq, ErrScriptChanged, kind)}
		default:
			p.showAgain(r)
		}
	}
	if err := p.bridge(); err != nil {
		return effectError{err}
	}
	if s, ok := body.(Step); ok {
		if had, ok := p.Earlier[s.ID]; ok {
			s.Last = &had
			body = s
		}
	}
	r, err := p.Sheet.Append(context.WithoutCancel(p.ctx), kind, body)
	if err != nil {
		return effectError{err}
	}
	p.showAgain(r)
	return nil
}

// bridge is called before the first effect that really happens: it records the
// instruments. After a gap it has a person confirm the state, and restores the supply.
func (p *Performance) bridge() error {
	if p.live {
		return nil
	}
	p.live = true
	if _, err := p.Sheet.Append(p.ctx, kindBench, BenchRecord{p.Bench.Instruments()}); err != nil {
		return err
	}
	p.runs++
	if len(p.records) == 1 {
		return nil // a new worksheet
	}
	if err := p.goOnRecording(); err != nil {
		return err
	}
	if p.unanswered != nil {
		p.state.Sources, p.powered = nil, false
		if p.unanswered.Smoke {
			return p.endForSmoke(*p.unanswered)
		}
	}
	if atRest(p.state) {
		return nil
	}
	return p.restore()
}

// restore has a person put the aircraft as the worksheet left it, and switches
// the supply on again if it was on.
func (p *Performance) restore() error {
	state := p.state.Clone()
	n := Now{
		Kind: DoHold, Restore: &state, Say: "The worksheet goes on. Put the aircraft as it was: " + describe(p.Design, p.state) + ".",
		Detail: "Lift the probes." + p.clipped(), Answers: []string{"It is so"},
	}
	switch {
	case p.powered:
		n.Detail += " The supply comes on when you confirm."
	case len(p.state.Sources) > 0:
		n.Detail += " Breakers and switches first; what feeds it last, plus before minus."
	case p.Bench.Supply != nil:
		n.Detail += " The supply stays off."
	}
	a, err := p.ask(p.ctx, n)
	if err != nil {
		return err
	}
	if p.powered {
		if err := p.drive(p.ctx, true); err != nil {
			return err
		}
	}
	_, err = p.Sheet.Append(p.ctx, kindResume, Resume{a.By, state})
	return err
}

// clipped says where the probe that stays, and the clips of a comb, were at the
// reading before.
func (p *Performance) clipped() string {
	switch at := p.before; {
	case at.Comb && at.section == p.section:
		return fmt.Sprintf(" Black probe on the comb; the comb's clips on the airframe and on: %s.", places(p.Design, at.Joined))
	case at.Black != "" && at.section == p.section:
		return fmt.Sprintf(" Black probe was on %s.", place(p.Design, at.Black))
	}
	return ""
}

// places says terminals in words.
func places(d *design.Design, terminals []string) string {
	said := make([]string, len(terminals))
	for i, t := range terminals {
		said[i] = place(d, t)
	}
	return strings.Join(said, "; ")
}

// atRest tells whether a state is how every aircraft is found: nothing feeds it,
// nothing is closed or on, and every unit is on its plug.
func atRest(s airframe.State) bool {
	return len(s.Sources) == 0 && !s.Unplugged && !anything(s.Closed) && !anything(s.On) && !anything(s.Working)
}

// anything tells whether any of them is true.
func anything(m map[string]bool) bool {
	for _, yes := range m {
		if yes {
			return true
		}
	}
	return false
}
