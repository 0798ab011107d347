package procedure

import (
	"context"
	"errors"
	"fmt"
	"math"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
)

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
