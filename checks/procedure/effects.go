package procedure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/units"
)

// outcome is what became of something that a hand did.
type outcome struct {
	OK     bool    `json:"ok"`
	Choice string  `json:"choice"`
	By     string  `json:"by"`
	Cut    *Cut    `json:"cut,omitempty"`
	Number float64 `json:"number,omitempty"`
	Text   string  `json:"text,omitempty"`
	Felt   float64 `json:"felt,omitempty"` // amperes that the supply's current changed by, which answered

	Skipped string `json:"skipped,omitempty"` // why it was left out
}

// hold asks and waits.
func (p *Performance) hold(n Now) (outcome, error) {
	var out outcome
	args := map[string]any{"say": n.Say, "answers": n.Answers, "number": n.Number}
	if n.Write != "" {
		args["write"] = n.Write
	}
	err := p.effect("hold", args, &out, func(ctx context.Context) error {
		a, err := p.ask(ctx, n)
		out = outcome{OK: true, Choice: a.Choice, By: a.By, Number: a.Number, Text: a.Text}
		return err
	})
	return out, err
}

// act has a hand close or open a protector, or switch something on or off. The
// state that design values are worked out for follows. With the power on, the
// watch is set for the new state before the hand moves. After one of the answers
// in stay the hand has not moved.
func (p *Performance) act(n Now, stay []string) (outcome, error) {
	before, lastBefore := p.state.Clone(), p.last
	after := moved(p.Design, p.state, n.Action, n.Circuit)
	stays := func() { p.state, p.last = before, lastBefore }
	moves := func() { p.state, p.last = after, n.Circuit }
	n.CanSkip = true
	var out outcome
	args := map[string]any{"action": n.Action, "circuit": n.Circuit, "answers": n.Answers}
	err := p.effect("act", args, &out, func(ctx context.Context) (err error) {
		if p.unanswered != nil {
			out.Cut = p.unanswered
			return nil
		}
		defer func() {
			if err != nil { // it may be asked again, after something else
				stays()
			}
		}()
		if err := p.armNode(before, after); err != nil {
			return err
		}
		// Until the hand has moved for certain, the larger of the two states
		// holds: switching on, the one to come; switching off, the one before.
		p.last = n.Circuit
		adds := n.Action == "close" || n.Action == "on" || n.Action == "key" || n.Action == "in"
		if adds {
			p.state = after
			earlier := lastBefore
			if earlier == n.Circuit {
				earlier = ""
			}
			if err := p.arm(earlier); err != nil {
				return err
			}
		}
		ctx, done := p.untilTripped(ctx)
		defer done()
		a, felt, err := p.askOrFeel(ctx, n, before, after)
		if p.tripped(err) {
			out.Cut, err = p.dealWithCut()
			return err
		}
		if err != nil {
			return err
		}
		out = outcome{OK: !slices.Contains(stay, a.Choice), Choice: a.Choice, By: a.By, Felt: felt}
		if out.OK {
			moves()
		} else {
			stays()
		}
		if adds && out.OK {
			p.watch.moved()
		} else if err := p.arm(""); err != nil {
			return err
		}
		return p.armNode(p.state)
	})
	if stays(); err == nil && (out.OK || out.Cut != nil) {
		moves()
	}
	if out.Cut != nil {
		p.lost()
	}
	return out, err
}

// untilTripped gives a context that ends when the watch cuts the power. With the
// power off already, as while a person opens the breaker that was cut, nothing
// is left to cut.
func (p *Performance) untilTripped(ctx context.Context) (context.Context, context.CancelFunc) {
	if !p.powered {
		return ctx, func() {}
	}
	return p.watch.untilTripped(ctx)
}

// moved is a state after a hand has done something.
func moved(d *design.Design, before airframe.State, action, circuit string) airframe.State {
	s := before.Clone()
	switch action {
	case "in", "out":
		s.Closed[circuit] = action == "in"
		if k := d.Circuit(circuit); k != nil && k.Switch != nil {
			s.On[circuit] = action == "in"
		}
	case "close", "open":
		s.Closed[circuit] = action == "close"
	case "on", "off":
		s.On[circuit] = action == "on"
	case "key", "release":
		s.Working[circuit] = action == "key"
	}
	return s
}

// tripped tells whether an effect stopped short because the watch cuts: by its
// error, or because the cut took the instrument from under it.
func (p *Performance) tripped(err error) bool {
	if err == nil {
		return false
	}
	c, _ := p.watch.state()
	return c != nil || errors.Is(err, errTripped)
}

// dealWithCut keeps what the watch did, and if something may still feed the
// aircraft has a person switch it off. The cut is nil if the watch did nothing.
func (p *Performance) dealWithCut() (*Cut, error) {
	c, err := p.keepCut()
	if err != nil || c == nil || len(c.ByHand) == 0 {
		return c, err
	}
	_, err = p.ask(p.ctx, Now{
		Kind: DoHold, Warn: true, Say: upper(allOff(c.ByHand)),
		Detail: strings.Join(append([]string{c.Why}, c.Failed...), "; "), Answers: []string{"It is off"},
	})
	return c, err
}

// keepCut writes down what the watch did. The cut is nil if it did nothing.
func (p *Performance) keepCut() (*Cut, error) {
	c, tripped := p.watch.state()
	if c == nil {
		return nil, nil
	}
	<-tripped // from then on it says what was cut
	p.watch.reset()
	c.ByHand = p.byHand(c)
	if c.Smoke && c.Circuit == "" { // on a battery no watch knows it
		c.Circuit = p.last
	}
	_, err := p.Sheet.Append(context.WithoutCancel(p.ctx), kindCut, c)
	return c, err
}

// lost is for when the watch took the power away: nothing feeds the aircraft
// until the script switches the power on again.
func (p *Performance) lost() {
	p.state = dark(p.state)
	p.powered = false
	p.unanswered = nil
	p.resting = resting{} // hands go elsewhere when the power goes
}

// dark is a state after a cut: nothing feeds the aircraft, and who keyed something
// has let go of it.
func dark(s airframe.State) airframe.State {
	s = s.Clone()
	s.Sources = nil
	clear(s.Working)
	return s
}

// power switches the supply, and with it the source of the design.
func (p *Performance) power(on bool, volts, limit float64) error {
	var out outcome
	args := map[string]any{"on": on, "volts": volts, "limit": limit}
	next := p.state.Clone()
	if p.powered {
		next.Sources = nil
	}
	if len(next.Sources) > 0 && on {
		return fmt.Errorf("%s feeds the aircraft: unfeed it first, two sources drive current into each other", join(next.Sources))
	}
	if s := p.Design.SourceOf(design.BenchSupply); on && s != nil {
		next.Sources = []string{s.Name}
		next.SupplyVolts, next.SupplyLimit = volts, limit
	}
	err := p.effect("power", args, &out, func(ctx context.Context) error {
		p.unanswered = nil
		c, err := p.dealWithCut()
		if err != nil {
			return err
		}
		if c != nil && c.Smoke { // nothing comes on after it
			out.Cut = c
			return nil
		}
		p.state, p.last = next, ""
		if !on {
			p.watch.disarm()
		}
		out.OK = true
		return p.drive(ctx, on)
	})
	p.state, p.last, p.powered = next, "", on
	return err
}

// drive switches the supply for the present state. Its own current limit and the
// watch are set before the output comes on.
func (p *Performance) drive(ctx context.Context, on bool) error {
	if p.Bench.Supply == nil {
		return errors.New("this procedure needs a programmable supply; name one with --supply")
	}
	if !on {
		err := p.watch.withSupply(ctx, func() error { return p.Bench.Supply.Output(ctx, false) })
		if p.watch.node != nil {
			err = errors.Join(err, p.watch.node.stop(ctx))
		}
		return err
	}
	ceiling, err := p.guard(ctx)
	if err != nil {
		return err
	}
	if p.watch.node != nil {
		if err := p.watch.node.allow(ctx, p.state.SupplyVolts); err != nil {
			return err
		}
	}
	p.watch.arm(ceiling, 0, ceilingShare*p.state.SupplyVolts, p.last, "") // the voltage has yet to rise
	if err := p.watch.withSupply(ctx, func() error { return p.Bench.Supply.Output(ctx, true) }); err != nil {
		return err
	}
	if c, _ := p.watch.state(); c != nil { // cut on the way: the output may have come on behind it
		return p.cut()
	}
	p.watch.arm(ceiling, floorShare*p.state.SupplyVolts, ceilingShare*p.state.SupplyVolts, p.last, "")
	return p.armNode(p.state)
}

// armNode sets the node's watch for the states that the aircraft may be in: its
// bus should be live if it has power in all of them.
func (p *Performance) armNode(states ...airframe.State) error {
	if p.watch.node == nil || !p.onSupply() {
		return nil
	}
	live := true
	for _, s := range states {
		bus, err := p.limits.Between(s, p.Bench.NodeBus, p.reference())
		if err != nil {
			return err
		}
		live = live && bus.Design >= floorShare*s.SupplyVolts
	}
	return p.watch.node.arm(p.ctx, p.state.SupplyVolts, live)
}

// floorShare: a supply below this part of what it is set to has collapsed.
// Common practice; no published source.
const floorShare = 0.8

// limitShare is how far above the watch's ceiling the supply's own limit is set.
// Common practice; no published source.
const limitShare = 1.2

// unlimited stands for a supply's limit where what counts is what the loads would
// draw, not what the limit lets them.
const unlimited = 1e6

// guard sets the supply's own limit for the present state, so that it holds the
// current by itself before any program can, and gives the ceiling for the watch.
func (p *Performance) guard(ctx context.Context) (ceiling float64, err error) {
	free := p.state.Clone()
	free.SupplyLimit = unlimited
	if ceiling, err = p.limits.Ceiling(free, p.state.Sources[0]); err != nil {
		return 0, err
	}
	limit := math.Min(limitShare*ceiling, p.state.SupplyLimit)
	return ceiling, p.watch.withSupply(ctx, func() error { return p.Bench.Supply.Set(ctx, p.state.SupplyVolts, limit) })
}

// arm sets the watch and the supply's limit for the present state, with the
// output on. See [watcher.arm] for before.
func (p *Performance) arm(before string) error {
	if !p.onSupply() {
		p.watch.disarm()
		return nil
	}
	ceiling, err := p.guard(p.ctx)
	if err != nil {
		return err
	}
	p.watch.arm(ceiling, floorShare*p.state.SupplyVolts, ceilingShare*p.state.SupplyVolts, p.last, before)
	return nil
}

// describe says a state in words.
func describe(d *design.Design, s airframe.State) string {
	list := func(m map[string]bool, what string) string {
		var names []string
		for name, yes := range m {
			if yes {
				names = append(names, d.Circuit(name).Called())
			}
		}
		sort.Strings(names)
		if len(names) == 0 {
			return what + ": none"
		}
		return what + ": " + strings.Join(names, ", ")
	}
	supply := "nothing feeds it"
	if len(s.Sources) > 0 {
		supply = "fed by " + join(s.Sources)
		if d.Source(s.Sources[0]).Kind == design.BenchSupply {
			supply = fmt.Sprintf("supply at %s", units.Volts(s.SupplyVolts))
		}
	}
	if s.Unplugged {
		supply += ", all units off their plugs"
	}
	parts := []string{supply, list(s.Closed, "closed"), list(s.On, "switched on")}
	if anything(s.Working) {
		parts = append(parts, list(s.Working, "at work, as transmitting"))
	}
	return strings.Join(parts, "; ")
}
