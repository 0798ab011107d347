package recorder

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
	"loomproof/probe/node"
	"loomproof/probe/sources"
)

// A nodeFeed takes every sample of a node. The channels of one node are one
// stream. A scan takes them one after the other; they are told at its begin, so
// that one may be late by a part of the time from scan to scan.
type nodeFeed struct {
	source   *sources.Source
	stream   int
	channels []boardChannel
	era      int
	begun    bool
}

type boardChannel struct {
	node.Streamed
	sign int32 // codes are counted so that the scale is above 0
}

func newNodeFeed(s *sources.Source, stream int) *nodeFeed {
	return &nodeFeed{source: s, stream: stream}
}

func isStreamed(n *node.Node, channel string) bool {
	_, ok := streamed(n, channel)
	return ok
}

func streamed(n *node.Node, channel string) (node.Streamed, bool) {
	all, _ := n.Streamed()
	i := slices.IndexFunc(all, func(s node.Streamed) bool { return s.Name == channel })
	if i < 0 {
		return node.Streamed{}, false
	}
	return all[i], true
}

func (f *nodeFeed) begin(n *node.Node) store.Stream {
	return store.Stream{Device: f.source.Name(), TickHz: n.TickHz()}
}

// add makes a channel of the recording.
func (f *nodeFeed) add(n *node.Node, in Input) recording.Channel {
	c, _ := streamed(n, in.Channel)
	all, rate := n.Streamed()
	out := recording.Channel{
		Name: in.Name, Role: in.Role, Where: f.source.Name() + "/" + in.Channel, Quantity: c.Quantity,
		Scale: c.Scale, Offset: c.Offset, Low: c.Low, High: c.High,
		Rate: rate, Window: 1 / (rate * float64(len(all))), Accuracy: c.Accuracy, FullScale: c.FullScale,
	}
	b := boardChannel{c, 1}
	if c.Scale < 0 {
		b.sign = -1
		out.Scale, out.Low, out.High = -c.Scale, -c.High, -c.Low
	}
	f.channels = append(f.channels, b)
	return out
}

func (f *nodeFeed) run(ctx context.Context, s *Session) {
	t := trouble{s: s, name: f.source.Name()}
	for ctx.Err() == nil {
		err := f.source.Open(ctx)
		var n *node.Node
		if err == nil {
			if n, _ = f.source.Instrument().(*node.Node); n == nil {
				continue // it has just gone again
			}
			err = f.same(n)
		}
		if t.is(ctx, err) {
			t.pause(ctx)
			continue
		}
		f.take(ctx, s, n)
		if ctx.Err() == nil {
			// The source learns by this that it is gone, and tells why.
			_, err := f.source.Read(ctx, f.channels[0].Name)
			t.is(ctx, err)
		}
	}
}

// same refuses a board whose samples stand for something else than before.
func (f *nodeFeed) same(n *node.Node) error {
	for _, c := range f.channels {
		now, ok := streamed(n, c.Name)
		if !ok || now.Pin != c.Pin || now.Scale != c.Scale || now.Offset != c.Offset {
			return fmt.Errorf("%s: channel %s is scaled otherwise than when the recording began, by another calibration on the board; start another recording", f.source.Name(), c.Name)
		}
	}
	return nil
}

// take brings blocks until the board is gone.
func (f *nodeFeed) take(ctx context.Context, s *Session, n *node.Node) {
	blocks, cancel := n.Subscribe()
	defer cancel()
	anew := f.begun
	for {
		select {
		case b, ok := <-blocks:
			if !ok {
				return
			}
			if f.begun && (anew || b.Restarted) {
				f.era++
				s.tell("%s began anew; what is missing before it is a gap", f.source.Name())
			}
			f.begun, anew = true, false
			p, err := f.piece(b)
			if err != nil {
				s.tell("%v", err)
				return
			}
			s.bring(ctx, p)
		case <-ctx.Done():
			return
		}
	}
}

func (f *nodeFeed) piece(b node.Block) (piece, error) {
	if b.Clock > math.MaxInt64 {
		return piece{}, errors.New("the board's clock is past all bounds")
	}
	p := piece{stream: f.stream, at: b.At, Piece: store.Piece{Era: f.era, Tick: int64(b.Clock), Period: int64(b.Period)}}
	for _, c := range f.channels {
		at := slices.Index(b.Pins, c.Pin)
		if at < 0 {
			return piece{}, fmt.Errorf("%s: channel %s is not sampled any more", f.source.Name(), c.Name)
		}
		codes := make([]int32, 0, b.Scans())
		for i := at; i < len(b.Sums); i += len(b.Pins) {
			codes = append(codes, c.sign*int32(b.Sums[i]))
		}
		p.Codes = append(p.Codes, codes)
	}
	return p, nil
}
