package node_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/node"
)

// A cutter makes the power go when pin 0 is above 3 V.
type cutter struct {
	name string
	arm  func(t testing.TB, n *node.Node)
}

// byBoard: the hard limit on the board itself.
var byBoard = cutter{"limit on the board", func(t testing.TB, n *node.Node) {
	require.NoError(t, n.SetLimit(t.Context(), "pin 0", 1, 3))
}}

// byHost: this computer looks at each block and sends the command.
var byHost = cutter{"limit on this computer", func(t testing.TB, n *node.Node) {
	blocks, cancel := n.Subscribe()
	ended := make(chan struct{})
	t.Cleanup(func() { cancel(); <-ended })
	go func() {
		defer close(ended)
		for b := range blocks {
			if slices.Max(b.Sums) > 614 { // 3 V of 5
				_ = n.Cut(t.Context())
			}
		}
	}()
}}

// cutLatencies are the times from the step at the pin to the fall of the
// output, in ms of the emulated chip, at phases that chance picks.
func cutLatencies(t testing.TB, c cutter, times int) []float64 {
	cfg := allPins(1000, 1)
	cfg.Channels = cfg.Channels[:1]
	b, _, n := openBoard(t, cfg)
	b.SetVolts(0, 2)
	c.arm(t, n)
	rng := rand.New(rand.NewPCG(11, 12))
	var all []float64
	for range times {
		seen := len(b.Cuts())
		require.Eventually(t, func() bool {
			err := n.Restore(t.Context())
			var refused *probe.Refusal
			require.True(t, err == nil || errors.As(err, &refused), "%v", err)
			return err == nil
		}, 20*time.Second, time.Millisecond)
		require.True(t, b.AwaitCut(seen).On)
		for range rng.IntN(20) { // a slice of 0.25 ms each
			b.Stat()
		}
		step := b.StepVolts(0, 4)
		off := b.AwaitCut(seen + 1)
		require.False(t, off.On)
		all = append(all, (float64(off.Cycle)-float64(step))/ms)
		b.SetVolts(0, 2)
	}
	slices.Sort(all)
	return all
}

// Whatever this computer does, the board cuts within a scan and a conversion.
func TestTheBoardsLimitCutsWithinAScanEachTime(t *testing.T) {
	all := cutLatencies(t, byBoard, 40)
	assert.Less(t, all[len(all)-1], 1.2, "1 ms of scan, 0.1 ms of conversion, in ms: %v", all)
	assert.GreaterOrEqual(t, all[0], 0.0)
}

// How fast this computer cuts is measured and not asserted: that hangs on what
// else it does.
func BenchmarkLimitToCut(b *testing.B) {
	for _, c := range []cutter{byBoard, byHost} {
		b.Run(c.name, func(b *testing.B) {
			all := cutLatencies(b, c, b.N)
			b.ReportMetric(all[len(all)/2], "p50-ms")
			b.ReportMetric(all[int(math.Ceil(0.99*float64(len(all))))-1], "p99-ms")
			b.ReportMetric(all[len(all)-1], "most-ms")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// Oversampling gains bits on the chip itself: with a step of noise on
// the pin, a mean of 64 conversions and more tells the tenths of a step that one
// conversion cannot.
func TestOversamplingGainsBitsOnTheBoard(t *testing.T) {
	cfg := node.Config{
		Name: "node", Rate: 100, Oversampling: 64, Window: 300 * time.Millisecond,
		Channels: []node.ChannelConfig{{Name: "pin 0", Quantity: probe.Voltage}},
	}
	b, _, n := openBoard(t, cfg)
	for _, code := range []float64{645.05, 645.3, 645.5, 645.95, 101.7} {
		t.Run(fmt.Sprint(code), func(t *testing.T) {
			b.Noise(0, code, 1)
			r := read(t, n, "pin 0")
			assert.InDelta(t, step/16, r.Digit, step/500, "four bits more than the converter has")
			// 1920 conversions of 1.04 steps, the rounding among them: a standard error of 0.024 steps.
			assert.InDelta(t, code*step, r.Value, 4*0.024*step, "off by %.3f steps", r.Value/step-code)
		})
	}
	b.Noise(0, 645.3, 0.001)
	r := read(t, n, "pin 0")
	assert.InDelta(t, step, r.Digit, 1e-12, "without noise a mean tells no more than a step")
}
