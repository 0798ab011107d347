package recording

import (
	"fmt"
	"iter"
	"math"
	"sort"
	"time"
)

// A Memory is a recording that is held in memory: of a short log, a test, an
// emulation. Its zero value has no channels.
type Memory struct {
	start    time.Time
	channels []Channel
	blocks   [][]Block
	markers  []Marker
}

// NewMemory makes a recording without samples.
func NewMemory(start time.Time, channels ...Channel) *Memory {
	return &Memory{start: start, channels: channels, blocks: make([][]Block, len(channels))}
}

// Append adds a block at the end of a channel; the codes are kept, not copied.
// It refuses a block that begins before the end of the one before it.
func (m *Memory) Append(channel int, b Block) error {
	if len(b.Codes) == 0 {
		return nil
	}
	switch {
	case math.IsNaN(b.Start) || math.IsInf(b.Start, 0) || math.IsNaN(b.Step) || math.IsInf(b.Step, 0):
		return fmt.Errorf("channel %s: a block's time is no number", m.channels[channel].Name)
	case b.Step < 0 || b.Step == 0 && len(b.Codes) > 1:
		return fmt.Errorf("channel %s at %.6f s: %d samples need a step above 0", m.channels[channel].Name, b.Start, len(b.Codes))
	}
	if had := m.blocks[channel]; len(had) > 0 {
		last := had[len(had)-1]
		if b.Start < last.End()-last.Step/2 || b.Start <= last.At(len(last.Codes)-1) {
			return fmt.Errorf("channel %s at %.6f s: time runs backwards; the samples before it end at %.6f s", m.channels[channel].Name, b.Start, last.End())
		}
	}
	m.blocks[channel] = append(m.blocks[channel], b)
	return nil
}

// Mark adds a marker.
func (m *Memory) Mark(marker Marker) {
	m.markers = append(m.markers, marker)
	sort.SliceStable(m.markers, func(i, j int) bool { return m.markers[i].At < m.markers[j].At })
}

// Start is the moment that times count from.
func (m *Memory) Start() time.Time { return m.start }

// Channels are what was recorded.
func (m *Memory) Channels() []Channel { return m.channels }

// Markers are in the order of time.
func (m *Memory) Markers() []Marker { return m.markers }

// Span is the time of a channel's first sample and the end of its last one.
func (m *Memory) Span(channel int) (from, to float64) {
	b := m.blocks[channel]
	if len(b) == 0 {
		return 0, 0
	}
	return b[0].Start, b[len(b)-1].End()
}

// Blocks are the blocks of a channel with samples in [from, to).
func (m *Memory) Blocks(channel int, from, to float64) iter.Seq2[Block, error] {
	return func(yield func(Block, error) bool) {
		all := m.blocks[channel]
		first := sort.Search(len(all), func(i int) bool { return all[i].At(len(all[i].Codes)-1) >= from })
		for _, b := range all[first:] {
			if b.Start >= to || !yield(b, nil) {
				return
			}
		}
	}
}

// View gives n buckets of [from, to). It reads every sample between.
func (m *Memory) View(channel int, from, to float64, n int) ([]Bucket, error) {
	if n <= 0 || !(from < to) {
		return nil, fmt.Errorf("a view from %.6g s to %.6g s in %d buckets: the end must lie after the begin, and there must be a bucket", from, to, n)
	}
	width := (to - from) / float64(n)
	out := make([]Bucket, n)
	for i := range out {
		out[i].From, out[i].To = from+float64(i)*width, from+float64(i+1)*width
	}
	c := m.channels[channel]
	for b := range m.Blocks(channel, from, to) {
		for i, code := range b.Codes {
			t := b.At(i)
			if t < from || t >= to {
				continue
			}
			out[min(n-1, int((t-from)/width))].take(c.Value(code))
		}
	}
	for i := range out {
		if out[i].Count > 0 {
			out[i].Mean /= float64(out[i].Count)
		}
	}
	return out, nil
}

// take adds a value; Mean holds the sum until all are in.
func (k *Bucket) take(v float64) {
	if k.Count == 0 || v < k.Min {
		k.Min = v
	}
	if k.Count == 0 || v > k.Max {
		k.Max = v
	}
	k.Mean += v
	k.Count++
}
