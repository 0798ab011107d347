package sources

import (
	"context"
	"fmt"
	"time"

	"loomproof/probe"
	"loomproof/probe/node"
)

// A Supply is a programmable supply of the file. It implements probe.Supply.
type Supply struct{ *Source }

// A Node is a node of the file. It is a probe.Source and a probe.Cutter.
type Node struct{ *Source }

var (
	_ probe.Source = (*Source)(nil)
	_ probe.Supply = Supply{}
	_ probe.Cutter = Node{}

	_ probe.Settled = Typed{}
)

// Kept is the source itself, whatever else it can do.
func (s *Source) Kept() *Source { return s }

// capable gives a source what its kind can do.
func capable(s *Source) probe.Source {
	switch s.entry.(type) {
	case *scpiSupply:
		return Supply{s}
	case *nodeBoard:
		return Node{s}
	case *typedMeter:
		return Typed{s}
	}
	return s
}

// Cut takes power away at once; see probe.Cutter. While the supply is away the
// error says so, and it is cut before anything else when it is back.
func (s Supply) Cut(ctx context.Context) error { return s.cut(ctx) }

// Set gives the output voltage in volts and the current limit in amperes.
func (s Supply) Set(ctx context.Context, volts, amperes float64) error {
	return s.with(ctx, func(p probe.Source) error { return p.(probe.Supply).Set(ctx, volts, amperes) })
}

// Output switches the output on or off.
func (s Supply) Output(ctx context.Context, on bool) error {
	if !on {
		return s.cut(ctx)
	}
	if err := s.with(ctx, func(p probe.Source) error { return p.(probe.Supply).Output(ctx, true) }); err != nil {
		return err
	}
	s.owe(false) // whoever switches it on has dealt with what was before
	return nil
}

// with uses the open instrument, which is opened if it must be.
func (s *Source) with(ctx context.Context, f func(probe.Source) error) error {
	inner, err := s.ready(ctx)
	if err != nil {
		return err
	}
	return s.note(inner, f(inner))
}

// Cut takes power away at once; see probe.Cutter.
func (n Node) Cut(ctx context.Context) error { return n.cut(ctx) }

// board is the open board, or nil.
func (n Node) board() *node.Node {
	b, _ := n.now().(*node.Node)
	return b
}

// away is what the node's own methods return while it is away. They do not look
// for it: who watches a limit must know at once that nobody watches.
func (n Node) away() error { return fmt.Errorf("%s: %w", n.Name(), probe.ErrAway) }

// Latest is the newest reading of a channel; false while there is none.
func (n Node) Latest(channel string) (probe.Reading, bool) {
	if b := n.board(); b != nil {
		return b.Latest(channel)
	}
	return probe.Reading{}, false
}

// SetLimit sets the limits at which the board cuts by itself.
func (n Node) SetLimit(ctx context.Context, channel string, low, high float64) error {
	if b := n.board(); b != nil {
		return b.SetLimit(ctx, channel, low, high)
	}
	return n.away()
}

// Restore lets power through again.
func (n Node) Restore(ctx context.Context) error {
	b := n.board()
	if b == nil {
		return n.away()
	}
	if err := b.Restore(ctx); err != nil {
		return err
	}
	n.owe(false) // whoever lets power through has dealt with what was before
	return nil
}

// Power is the board's cut-out; false while it is not known.
func (n Node) Power() (node.State, bool) {
	if b := n.board(); b != nil {
		return b.Power()
	}
	return node.State{}, false
}

// Passed says which limit a state tells was passed.
func (n Node) Passed(s node.State) (channel string, value float64) {
	if b := n.board(); b != nil {
		return b.Passed(s)
	}
	return "", 0
}

// Warnings tells of calibrations on the board that cannot be used.
func (n Node) Warnings() []string {
	if b := n.board(); b != nil {
		return b.Warnings()
	}
	return nil
}

// month is how long before its due date a calibration is warned about.
const month = 31 * 24 * time.Hour

// DueWarning says that an instrument's calibration is due, or will be within a
// month; empty when it is not, or when nobody set a date.
func DueWarning(id probe.Identity, now time.Time) string {
	day := id.Due.Format(time.DateOnly)
	switch left := id.Due.Sub(now); {
	case id.Due.IsZero() || left > month:
		return ""
	case left < 0:
		return fmt.Sprintf("%s: its calibration was due on %s; have it calibrated before its readings are relied on", id.Name, day)
	}
	return fmt.Sprintf("%s: its calibration is due on %s, within a month", id.Name, day)
}
