package node_test

import (
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/node"
)

// rewrite passes every frame from the board through change.
func rewrite(change func(t node.Type, body []byte)) func([]byte) []byte {
	var d node.Decoder
	return func(b []byte) []byte {
		out := []byte{0}
		for len(b) > 0 {
			var f node.Frame
			f, b, _ = d.Next(b)
			if f.Type != 0 {
				body := append([]byte(nil), f.Body...)
				change(f.Type, body)
				out = node.AppendFrame(out, f.Type, body...)
			}
		}
		return out
	}
}

// A device clock that jumps: no sample of what follows is taken at its word,
// it is counted, and the stream is begun anew.
func TestAClockThatJumpsIsRefused(t *testing.T) {
	jump := func(body []byte, at int, by uint32) {
		clock := uint32(body[at]) | uint32(body[at+1])<<8 | uint32(body[at+2])<<16 | uint32(body[at+3])<<24
		clock += by
		body[at], body[at+1], body[at+2], body[at+3] = byte(clock), byte(clock>>8), byte(clock>>16), byte(clock>>24)
	}
	for _, tt := range []struct {
		name string
		kind node.Type
		at   int
		by   int32
	}{
		{"a block a tick late", node.SamplesMessage, 4, 1},
		{"a block an hour late", node.SamplesMessage, 4, 2_000_000_000},
		{"a block before its time", node.SamplesMessage, 4, -40_000},
		{"a state from before", node.StateMessage, 9, -2_000_000},
		{"a state from long after", node.StateMessage, 9, 8_000_000},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var p pins
				p.set(0, 2)
				p.set(5, 2)
				_, w := served(t, &p, exact)
				var once atomic.Bool
				w.in = rewrite(func(kind node.Type, body []byte) {
					if kind == tt.kind && once.CompareAndSwap(true, false) {
						jump(body, tt.at, uint32(tt.by))
					}
				})
				n := open(t, w, twoBuses())
				blocks, cancel := n.Subscribe()
				defer cancel()
				time.Sleep(100 * time.Millisecond)
				require.Zero(t, n.Counters().Refused[probe.ClockJump])
				once.Store(true)
				time.Sleep(time.Second)
				c := n.Counters()
				assert.Equal(t, uint64(1), c.Refused[probe.ClockJump])
				assert.Equal(t, uint64(1), c.Restarts)
				assert.Positive(t, c.Lost)
				var clock, lost uint64
				for len(blocks) > 0 {
					b := <-blocks
					lost += b.Lost
					if b.Restarted {
						clock = b.Clock
						continue
					}
					assert.True(t, clock == 0 || b.Clock == clock+5*2000 || b.Lost > 0, "%d after %d", b.Clock, clock)
					clock = b.Clock
				}
				assert.Equal(t, c.Lost, lost, "the recording tells as many as the counter")
				read(t, n, "main bus")
			})
		})
	}
}

// A reading in work when the clock jumps is refused.
func TestAReadingAcrossAJumpIsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p pins
		p.set(0, 2)
		p.set(5, 2)
		_, w := served(t, &p, exact)
		var off atomic.Uint32
		w.in = rewrite(func(kind node.Type, body []byte) {
			if kind == node.SamplesMessage {
				body[4] ^= byte(off.Swap(0))
			}
		})
		n := open(t, w, twoBuses())
		time.AfterFunc(50*time.Millisecond, func() { off.Store(1) })
		_, err := n.Read(t.Context(), "main bus")
		assert.EqualError(t, err, "node: refused, lost frames: the board's clock jumped; read again; if it goes on, look at the board's cable and supply")
	})
}
