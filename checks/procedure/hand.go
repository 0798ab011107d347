package procedure

import (
	"context"
	"fmt"
	"slices"

	"go.starlark.net/starlark"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
)

// change has hands bring the aircraft into another state, whatever it takes: the
// state that design values are worked out for follows. With the supply on, the
// watch allows what the larger of the two states draws until a person says that
// it is done.
func (p *Performance) change(n Now, call string, args map[string]any, after airframe.State) (outcome, error) {
	before, lastBefore := p.state.Clone(), p.last
	stays := func() { p.state, p.last = before, lastBefore }
	var out outcome
	err := p.effect(call, args, &out, func(ctx context.Context) (err error) {
		if p.unanswered != nil {
			out.Cut = p.unanswered
			return nil
		}
		defer func() {
			if err != nil { // it may be asked again, after something else
				stays()
			}
		}()
		larger, err := p.larger(before, after)
		if err != nil {
			return err
		}
		if err := p.watchFor(larger, before, after); err != nil {
			return err
		}
		ctx, done := p.untilTripped(ctx)
		defer done()
		a, err := p.ask(ctx, n)
		if p.tripped(err) {
			out.Cut, err = p.dealWithCut()
			return err
		}
		if err != nil {
			return err
		}
		out = outcome{OK: true, Choice: a.Choice, By: a.By}
		return p.watchFor(after, after)
	})
	if stays(); err == nil && (out.OK || out.Cut != nil) {
		p.state, p.last = after, ""
	}
	if out.Cut != nil {
		p.lost()
	}
	return out, err
}

// watchFor sets the watch for a state, while the aircraft may be in any of some.
func (p *Performance) watchFor(s airframe.State, in ...airframe.State) error {
	p.state, p.last = s, ""
	if err := p.armNode(in...); err != nil {
		return err
	}
	return p.arm("")
}

// larger is that of two states in which the supply gives more.
func (p *Performance) larger(a, b airframe.State) (airframe.State, error) {
	if !p.onSupply() {
		return b, nil
	}
	var most [2]float64
	for i, s := range []airframe.State{a, b} {
		s = s.Clone()
		s.SupplyLimit = unlimited
		ceiling, err := p.limits.Ceiling(s, s.Sources[0])
		if err != nil {
			return a, err
		}
		most[i] = ceiling
	}
	if most[0] > most[1] {
		return a, nil
	}
	return b, nil
}

// onSupply tells whether the bench supply feeds the aircraft.
func (p *Performance) onSupply() bool {
	s := p.Design.SourceOf(design.BenchSupply)
	return s != nil && p.Bench.Supply != nil && slices.Contains(p.state.Sources, s.Name)
}

// canMove tells what keeps a hand from an action.
func canMove(d *design.Design, action, circuit string) error {
	k := d.Circuit(circuit)
	switch {
	case k == nil:
		return fmt.Errorf("there is no circuit %q", circuit)
	case action == "key" || action == "release":
		if k.Load == nil || k.Load.Intermittent == nil {
			return fmt.Errorf("circuit %q has no short work to key", circuit)
		}
	case (action == "close" || action == "open" || action == "in" || action == "out") && k.Protector() == nil:
		return fmt.Errorf("circuit %q has no protector to %s", circuit, action)
	case (action == "on" || action == "off") && k.Switch == nil:
		return fmt.Errorf("circuit %q has no switch", circuit)
	case !slices.Contains([]string{"close", "open", "on", "off", "in", "out"}, action):
		return fmt.Errorf("%q: a hand can close, open, on, off, in, out, key or release", action)
	}
	return nil
}

func (p *Performance) movedValue(out outcome) starlark.Value {
	return record("moved", "ok", starlark.Bool(out.OK), "answer", starlark.String(out.Choice), "skipped", starlark.String(out.Skipped), "cut", p.cutValue(out.Cut))
}

// slFeed has a hand connect a battery, or start an alternator.
func (p *Performance) slFeed(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	return p.source("feed", name, args, kwargs, func(s *airframe.State, source string) error {
		if slices.Contains(s.Sources, source) {
			return fmt.Errorf("%s feeds the aircraft already", source)
		}
		s.Sources = append(s.Sources, source)
		return nil
	})
}

// slUnfeed has a hand take a battery off, or stop an alternator.
func (p *Performance) slUnfeed(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	return p.source("unfeed", name, args, kwargs, func(s *airframe.State, source string) error {
		if !slices.Contains(s.Sources, source) {
			return fmt.Errorf("%s does not feed the aircraft", source)
		}
		s.Sources = slices.DeleteFunc(s.Sources, func(x string) bool { return x == source })
		return nil
	})
}

func (p *Performance) source(action, name string, args starlark.Tuple, kwargs []starlark.Tuple, alter func(*airframe.State, string) error) (starlark.Value, error) {
	n := Now{Kind: DoAct, Action: action, Answers: []string{"Done"}}
	if err := starlark.UnpackArgs(name, args, kwargs, "source", &n.Source, "say", &n.Say, "detail?", &n.Detail, "warn?", &n.Warn); err != nil {
		return nil, err
	}
	s := p.Design.Source(n.Source)
	switch {
	case s == nil:
		return nil, fmt.Errorf("there is no source %q", n.Source)
	case s.Kind == design.BenchSupply:
		return nil, fmt.Errorf("%s is a bench supply: switch it with power and power_off", s.Name)
	case p.powered:
		return nil, fmt.Errorf("the supply is on: power_off first, two sources drive current into each other")
	}
	after := p.state.Clone()
	if err := alter(&after, s.Name); err != nil {
		return nil, err
	}
	out, err := p.change(n, "act", map[string]any{"action": action, "source": s.Name}, after)
	return p.movedValue(out), err
}

// slPut has hands bring all breakers and switches into a named state.
func (p *Performance) slPut(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	n := Now{Kind: DoHold, Answers: []string{"Done"}}
	var state string
	if err := starlark.UnpackArgs(name, args, kwargs, "state", &state, "say", &n.Say, "detail?", &n.Detail, "warn?", &n.Warn); err != nil {
		return nil, err
	}
	named, err := airframe.Named(p.Design, state)
	if err != nil {
		return nil, err
	}
	after := p.state.Clone()
	after.Closed, after.On, after.Working = named.Closed, named.On, named.Working
	n.Restore = &after
	out, err := p.change(n, "put", map[string]any{"state": state}, after)
	return p.movedValue(out), err
}

// slPlugs has hands take all units off their plugs, or put them back on.
func (p *Performance) slPlugs(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	n := Now{Kind: DoAct, Action: "plug", Answers: []string{"Done"}}
	var off bool
	if err := starlark.UnpackArgs(name, args, kwargs, "out", &off, "say", &n.Say, "detail?", &n.Detail); err != nil {
		return nil, err
	}
	if len(p.state.Sources) > 0 {
		return nil, fmt.Errorf("something feeds the aircraft: plugs come off with the power off only")
	}
	if off {
		n.Action = "unplug"
	}
	after := p.state.Clone()
	after.Unplugged = off
	out, err := p.change(n, "act", map[string]any{"action": n.Action}, after)
	return p.movedValue(out), err
}
