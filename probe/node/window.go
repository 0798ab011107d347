package node

import (
	"context"
	"fmt"
	"math"
	"time"

	"loomproof/probe"
)

// staleAfter is how old the latest scans may be, beyond the time that the
// board gathers a block.
const staleAfter = 200 * time.Millisecond

// A window gathers one pin's samples for one reading. It opens when the board
// answers a keep-alive that was sent after the call; only scans that begin
// later by the board's own clock count, so none was in a buffer at the call.
type window struct {
	pin     int
	monitor bool  // its samples come from the shunt monitor
	want    int   // scans
	tag     uint8 // of the keep-alive that opens it

	open  bool
	from  uint32 // the board's clock when it opened
	tally tally
	came  bool   // samples came, fresh or not
	spoil string // what is missing, when something is
	at    time.Time
	done  chan struct{} // closed when full or spoilt
	over  bool
}

// fill ends the window when it is full.
func (w *window) fill(now time.Time) {
	if w.tally.scans == w.want {
		w.at = now
		w.finish()
	}
}

func (w *window) finish() {
	if !w.over {
		w.over = true
		close(w.done)
	}
}

// Read averages over the config's window and takes that long, and a block's
// time more. It refuses on overload (a sample at the end of the converter's range),
// on lost frames (a scan is missing in the window), and when samples come but
// none that is fresh (stale).
func (n *Node) Read(ctx context.Context, channel string) (probe.Reading, error) {
	ch := n.channel(channel)
	if ch == nil {
		return probe.Reading{}, n.noChannel(channel)
	}
	if n.isGone() {
		return probe.Reading{}, n.whyGone()
	}
	w, patience, err := n.openWindow(ctx, ch)
	defer n.closeWindow(w)
	if err != nil {
		return probe.Reading{}, err
	}
	timeout := time.NewTimer(patience)
	defer timeout.Stop()
	select {
	case <-w.done:
		return n.conclude(ch, w)
	case <-n.gone:
		return probe.Reading{}, n.whyGone()
	case <-ctx.Done():
		if ctx.Err() == context.Canceled {
			return probe.Reading{}, fmt.Errorf("node %s: %w", n.config.Name, ctx.Err())
		}
		return probe.Reading{}, n.nothingCame(w)
	case <-timeout.C:
		return probe.Reading{}, n.nothingCame(w)
	}
}

func (n *Node) openWindow(ctx context.Context, ch *ChannelConfig) (w *window, patience time.Duration, err error) {
	n.mu.Lock()
	scan := n.scanTime()
	if ch.onMonitor() {
		scan = n.config.MonitorInterval
	}
	w = &window{pin: ch.Pin, monitor: ch.onMonitor(), done: make(chan struct{})}
	w.want = max(1, int(math.Round(float64(n.config.Window)/float64(scan))))
	patience = time.Duration(w.want)*scan + 2*n.blockTime() + streamSilence
	n.lastTag++
	w.tag = n.lastTag
	n.windows[w] = true
	n.mu.Unlock()
	return w, patience, n.send(ctx, KeepAlive, w.tag)
}

func (n *Node) closeWindow(w *window) {
	n.mu.Lock()
	defer n.mu.Unlock()
	delete(n.windows, w)
}

// fillWindows hands a block to those who wait. With the lock held.
func (n *Node) fillWindows(s Samples, now time.Time) {
	for w := range n.windows {
		if w.monitor {
			continue
		}
		w.came = true
		if w.over || !w.open {
			continue
		}
		at, channels := place(n.stream.pins, w.pin), s.Channels()
		for scan := range int(s.Scans) {
			begun := s.Clock + uint32(scan)*s.Period
			if int32(begun-w.from) < 0 || w.over {
				continue
			}
			w.tally.add(s.Sum(scan*channels+at), 1<<s.Shift, int(n.top()))
			w.fill(now)
		}
	}
}

// spoilWindows ends the waiting of those whose scans, or readings of the shunt
// monitor, are not all there. With the lock held.
func (n *Node) spoilWindows(monitor bool, why string) {
	for w := range n.windows {
		if w.monitor == monitor && w.open && !w.over {
			w.spoil = why
			w.finish()
		}
	}
}

func (n *Node) conclude(ch *ChannelConfig, w *window) (probe.Reading, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	switch {
	case w.spoil == monitorGone:
		return probe.Reading{}, n.monitorLost()
	case w.spoil != "":
		return probe.Reading{}, n.refusal(probe.LostFrames, w.spoil, "read again; if it goes on, look at the board's cable and supply")
	case w.tally.saturated(ch):
		n.tally.Refuse(probe.Overload)
		end := "lower"
		if w.tally.high {
			end = "upper"
		}
		return probe.Reading{}, n.refusal(probe.Overload, fmt.Sprintf("%s is at the %s end of its input's range", ch.Name, end),
			"check the wiring of the input and that its divider or shunt suits what is measured")
	}
	return n.reading(ch, &w.tally, w.at), nil
}

func (n *Node) nothingCame(w *window) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	if w.came {
		n.tally.Refuse(probe.Stale)
		return n.refusal(probe.Stale, "samples came, but too few that were begun after the call",
			"give it more time than its window, or find out what keeps this computer busy")
	}
	if w.monitor && n.monitor.lost {
		return n.monitorLost()
	}
	n.tally.Silence()
	return fmt.Errorf("node %s on %s: %w: no samples; look at the board and its lead", n.config.Name, n.conn.Name(), probe.ErrSilent)
}

// keepLatest is for [Node.Latest]. With the lock held.
func (n *Node) keepLatest(s Samples, now time.Time) {
	channels := s.Channels()
	for at, pin := range n.stream.pins {
		var t tally
		for scan := range int(s.Scans) {
			t.add(s.Sum(scan*channels+at), 1<<s.Shift, int(n.top()))
		}
		n.latest[pin] = latest{tally: t, at: now}
	}
}

// Latest is the mean over the newest block, which is as long as the config's
// Block, or one scan when that is longer; of the shunt monitor, its newest reading. It is for a fast watch of limits, and does not wait. It
// is false when the newest is old, at the end of its range, or there is none:
// a watch must then act as if the limit were passed.
func (n *Node) Latest(channel string) (probe.Reading, bool) {
	ch := n.channel(channel)
	if ch == nil {
		return probe.Reading{}, false
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	l, ok := n.latest[ch.Pin]
	gather := n.blockTime()
	if ch.onMonitor() {
		gather = n.config.MonitorInterval
	}
	if !ok || n.isGone() || time.Since(l.at) > staleAfter+gather || l.tally.saturated(ch) {
		return probe.Reading{}, false
	}
	return n.reading(ch, &l.tally, l.at), true
}

func (n *Node) channel(name string) *ChannelConfig {
	for i := range n.config.Channels {
		if n.config.Channels[i].Name == name {
			return &n.config.Channels[i]
		}
	}
	return nil
}

func (n *Node) noChannel(name string) error {
	return n.config.mistake("no channel %q; it has %s", name, n.channelNames())
}

func (n *Node) channelNames() string {
	names := ""
	for i, ch := range n.config.Channels {
		if i > 0 {
			names += ", "
		}
		names += ch.Name
	}
	return names
}

func place(pins []int, pin int) int {
	for i, p := range pins {
		if p == pin {
			return i
		}
	}
	panic("a window on a pin that is not sampled")
}
