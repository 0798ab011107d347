package procedure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"loomproof/probe"
	"loomproof/probe/node"
)

// A guard is a board that reads a bus all the time, holds limits on it by
// itself, and has an output through which the power goes: a [node.Node].
type guard interface {
	probe.Source
	probe.Cutter
	Latest(channel string) (probe.Reading, bool)
	SetLimit(ctx context.Context, channel string, low, high float64) error
	Restore(ctx context.Context) error
	Power() (node.State, bool)
	Passed(s node.State) (channel string, value float64)
}

// How the node's bus is watched. None of the figures has a published source:
// common practice.
const (
	nodeLookEvery = 5 * time.Millisecond
	// A reading beyond a limit must last this long: shorter ones may be the
	// inrush of a lamp.
	nodeLasting = 20 * time.Millisecond
	// A node whose newest reading is old or at the end of its range is blind. A
	// busy computer gets samples late, too; the board holds its limits by itself
	// all this while, and cuts when it hears nothing for half a second.
	nodeBlind = 700 * time.Millisecond
	// A bus this far above what the supply is set to runs away.
	ceilingShare = 1.2
	// What the board itself cuts at, at once and without this computer. Wide:
	// a single sample is enough for it.
	boardFloorShare = 0.5
	// A board that has only just begun to sample refuses to let power through.
	restoreTries = 10
)

// A nodeWatch holds the limits of the bus that the node reads. Its methods are
// called by one goroutine at a time: turn is held meanwhile.
type nodeWatch struct {
	guard   guard
	channel string
	turn    chan struct{} // holds one token

	armed      bool
	volts      float64 // the supply is set to
	live       bool    // the bus should have power
	seen       bool    // and has had it since
	boardFloor bool    // the board holds the lower limit, too
	badSince   time.Time
	badAt      time.Time // when the last bad reading came
	blindSince time.Time
}

// newNodeWatch is nil where no node can guard a bus.
func newNodeWatch(b *Bench) *nodeWatch {
	g, ok := b.Node.(guard)
	if !ok || b.NodeVolts == "" {
		return nil
	}
	n := &nodeWatch{guard: g, channel: b.NodeVolts, turn: make(chan struct{}, 1)}
	n.turn <- struct{}{}
	return n
}

// allow lets power through the node's output, with the upper limit set on the
// board. It is for before the supply comes on.
func (n *nodeWatch) allow(ctx context.Context, volts float64) error {
	<-n.turn
	defer func() { n.turn <- struct{}{} }()
	n.armed, n.seen, n.boardFloor = false, false, false
	if err := n.guard.SetLimit(ctx, n.channel, math.Inf(-1), ceilingShare*volts); err != nil {
		return err
	}
	var err error
	for range restoreTries {
		var refused *probe.Refusal
		if err = n.guard.Restore(ctx); !errors.As(err, &refused) {
			return err
		}
		select {
		case <-time.After(nodeLasting):
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	return err
}

// arm watches for a bus that should be live or not. A lower limit holds only
// once the bus was seen with power: a dead bus is a finding, no danger.
func (n *nodeWatch) arm(ctx context.Context, volts float64, live bool) error {
	<-n.turn
	defer func() { n.turn <- struct{}{} }()
	n.armed, n.volts, n.live = true, volts, live
	n.seen = n.seen && live
	n.badSince, n.blindSince = time.Time{}, time.Time{}
	if live || !n.boardFloor {
		return nil
	}
	n.boardFloor = false
	return n.guard.SetLimit(ctx, n.channel, math.Inf(-1), ceilingShare*volts)
}

// stop takes power away at the node's output, too.
func (n *nodeWatch) stop(ctx context.Context) error {
	<-n.turn
	defer func() { n.turn <- struct{}{} }()
	n.armed, n.seen, n.boardFloor = false, false, false
	return n.guard.Cut(ctx)
}

// run looks until the context ends, and trips the watch.
func (n *nodeWatch) run(ctx context.Context, trip func(Cut)) {
	tick := time.NewTicker(nodeLookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			<-n.turn
			if c := n.look(ctx, time.Now()); c != nil {
				n.armed = false
				trip(*c)
			}
			n.turn <- struct{}{}
		}
	}
}

// look takes one look: what to cut for, or nil.
func (n *nodeWatch) look(ctx context.Context, now time.Time) *Cut {
	if !n.armed {
		return nil
	}
	name := n.guard.Identity().Name
	if s, known := n.guard.Power(); known && !s.On {
		_, value := n.guard.Passed(s)
		return &Cut{Why: fmt.Sprintf("the node has cut: %v", s.Why), Blind: s.Why != node.WhyLimit, Source: name, Value: value, Unit: probe.Voltage.Unit(), Limit: n.boardLimit(value)}
	}
	r, ok := n.guard.Latest(n.channel)
	if !ok {
		return n.unseen(now, name)
	}
	n.blindSince = time.Time{}
	floor := floorShare * n.volts
	c := Cut{Source: r.Source, Value: r.Value, Unit: r.Quantity.Unit()}
	switch {
	case r.Value > ceilingShare*n.volts:
		c.Why, c.Limit = "bus voltage runs away", ceilingShare*n.volts
	case n.live && n.seen && r.Value < floor:
		c.Why, c.Limit = "bus collapsed", floor
	default:
		n.badSince = time.Time{}
		if n.live && r.Value >= floor {
			n.sawPower(ctx)
		}
		return nil
	}
	if n.badSince.IsZero() {
		n.badSince, n.badAt = now, r.At
	}
	if now.Sub(n.badSince) >= nodeLasting && r.At.After(n.badAt) {
		return &c
	}
	return nil
}

// boardLimit is the one of the board's limits that a value passed.
func (n *nodeWatch) boardLimit(value float64) float64 {
	if value > n.volts {
		return ceilingShare * n.volts
	}
	return boardFloorShare * n.volts
}

func (n *nodeWatch) unseen(now time.Time, name string) *Cut {
	if n.blindSince.IsZero() {
		n.blindSince = now
	}
	if now.Sub(n.blindSince) < nodeBlind {
		return nil
	}
	return &Cut{Why: "the node gives no good reading of the bus", Blind: true, Source: name, Unit: probe.Voltage.Unit(), Limit: ceilingShare * n.volts}
}

// sawPower gives the board its lower limit, once. Where that fails, the next
// look tries again, and this watch goes on meanwhile.
func (n *nodeWatch) sawPower(ctx context.Context) {
	n.seen = true
	if n.boardFloor {
		return
	}
	n.boardFloor = n.guard.SetLimit(ctx, n.channel, boardFloorShare*n.volts, ceilingShare*n.volts) == nil
}
