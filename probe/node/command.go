package node

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"loomproof/probe"
)

// tries is how often a command is sent that got no answer.
const tries = 5

// send writes one frame. A zero byte goes before it, so that what a disturbed
// line left over does not spoil it.
func (n *Node) send(ctx context.Context, t Type, body ...byte) error {
	select {
	case n.writing <- struct{}{}:
		defer func() { <-n.writing }()
	case <-n.gone:
		return n.whyGone()
	case <-ctx.Done():
		return fmt.Errorf("node %s: %w", n.config.Name, ctx.Err())
	}
	if n.isGone() {
		return n.whyGone()
	}
	if _, err := n.conn.Write(AppendFrame([]byte{0}, t, body...)); err != nil {
		n.fail(err)
		return n.whyGone()
	}
	return nil
}

// order sends a command until the board says what became of it.
func (n *Node) order(ctx context.Context, t Type, body ...byte) error {
	return n.orderWithin(ctx, answerWithin, t, body...)
}

// orderWithin is for a command that takes the board so long.
func (n *Node) orderWithin(ctx context.Context, within time.Duration, t Type, body ...byte) error {
	answer := make(chan Note, 1)
	n.mu.Lock()
	n.waiting[t] = append(n.waiting[t], answer)
	n.mu.Unlock()
	defer func() {
		n.mu.Lock()
		defer n.mu.Unlock()
		n.waiting[t] = slices.DeleteFunc(n.waiting[t], func(c chan Note) bool { return c == answer })
	}()
	for range tries {
		if err := n.send(ctx, t, body...); err != nil {
			return err
		}
		timeout := time.NewTimer(within)
		select {
		case note := <-answer:
			timeout.Stop()
			return n.told(note)
		case <-timeout.C:
		case <-n.gone:
			timeout.Stop()
			return n.whyGone()
		case <-ctx.Done():
			timeout.Stop()
			return fmt.Errorf("node %s: no answer to command %#02x: %w", n.config.Name, uint8(t), ctx.Err())
		}
	}
	return fmt.Errorf("node %s on %s: %w to command %#02x in %v; look at the board and its lead",
		n.config.Name, n.conn.Name(), probe.ErrSilent, uint8(t), tries*within)
}

func (n *Node) told(note Note) error {
	switch note.Code {
	case Done:
		return nil
	case Refused:
		return n.refusal(probe.InstrumentErr, "the board keeps power cut: a limit is passed, or a limited channel is not sampled",
			"bring the channel inside its limit, or change the limit")
	}
	return n.refusal(probe.InstrumentErr, fmt.Sprintf("command %#02x: %v", uint8(note.To), note.Code),
		"put the firmware of this program on the board")
}

// Cut takes power away: the cut-out output goes low. It returns when the board
// has confirmed it. An error leaves it in doubt, but for a board that hears
// nothing, which cuts by itself within half a second.
func (n *Node) Cut(ctx context.Context) error { return n.order(ctx, CutCommand) }

// Restore allows power: the cut-out output goes high. The board refuses while a limit
// is passed. Power stays only as long as the Node is open.
func (n *Node) Restore(ctx context.Context) error { return n.order(ctx, RestorePower) }

// SetLimit makes the board itself cut power when a sample of the channel is
// outside low to high, in the unit of the channel. A sample is the mean over the config's
// Oversampling. The limit is drawn up to one step of the converter
// inwards. An infinite side is no limit on that side.
func (n *Node) SetLimit(ctx context.Context, channel string, low, high float64) error {
	ch := n.channel(channel)
	if ch == nil {
		return n.noChannel(channel)
	}
	if ch.onMonitor() {
		return n.config.mistake("a limit on %q: the board watches pins 0 to 7 alone; watch it from this computer", channel)
	}
	limit, err := n.limitCodes(ch, low, high)
	if err != nil {
		return err
	}
	n.mu.Lock()
	n.limits[limit.Channel] = limit
	n.mu.Unlock()
	return n.order(ctx, LimitCommand, limit.Append(nil)...)
}

// limitCodes are the lowest and highest codes whose whole step is inside.
func (n *Node) limitCodes(ch *ChannelConfig, low, high float64) (Limit, error) {
	if math.IsNaN(low) || math.IsNaN(high) || low >= high {
		return Limit{}, fmt.Errorf("node %s: limits %v to %v of %q: the low one must be below the high one", n.config.Name, low, high, ch.Name)
	}
	steps := func(value float64) float64 {
		volts := (value - ch.Offset) / ch.Scale
		return volts / (float64(n.hello.ReferenceMV) / 1000) * math.Exp2(float64(n.hello.Bits))
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	bottom, top := steps(low), steps(high)
	if ch.Scale < 0 {
		bottom, top = top, bottom
	}
	first, last := max(0, math.Ceil(bottom)), min(float64(n.top()), math.Floor(top)-1)
	if first > last {
		return Limit{}, fmt.Errorf("node %s: limits %v to %v of %q leave no code of the converter between them; check the channel's scale and offset",
			n.config.Name, low, high, ch.Name)
	}
	return Limit{Channel: uint8(ch.Pin), Low: uint16(first), High: uint16(last)}, nil
}

// Power tells how the cut-out output stands, as the board last said, and why.
// It is false before the board's first word.
func (n *Node) Power() (State, bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.state, n.stateKnown
}

// Passed is, for a state whose Why is [WhyLimit], the channel whose limit was
// passed and the value that passed it, in the channel's unit. The channel is ""
// for other reasons, and for a pin that no channel of the config is on.
func (n *Node) Passed(s State) (channel string, value float64) {
	if s.Why != WhyLimit {
		return "", 0
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	for i := range n.config.Channels {
		if ch := &n.config.Channels[i]; ch.Pin == int(s.Channel) {
			t := tally{scans: 1, total: float64(s.Sample), conversions: n.config.Oversampling}
			return ch.Name, n.reading(ch, &t, time.Time{}).Value
		}
	}
	return "", 0
}
