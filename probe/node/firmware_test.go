package node_test

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/node"
	"loomproof/probe/node/board"
	"loomproof/probe/port"
)

// These run the real firmware on an emulated chip. Package bench has the
// table of what any board must do; here is what needs the board's own clock.

const (
	ms            = board.Hz / 1000 // cycles
	cyclesPerTick = 8
)

// openBoard is a node on a fresh board.
func openBoard(t testing.TB, cfg node.Config) (*board.Board, port.Conn, *node.Node) {
	t.Helper()
	b := board.Start(t)
	conn, err := port.Open(b.Port(), node.Line)
	require.NoError(t, err)
	return b, conn, open(t, conn, cfg)
}

// allPins reads every input in volts at the pin.
func allPins(rate float64, oversampling int) node.Config {
	cfg := node.Config{Name: "node", Rate: rate, Oversampling: oversampling}
	for pin := range 8 {
		cfg.Channels = append(cfg.Channels, node.ChannelConfig{Name: fmt.Sprint("pin ", pin), Quantity: probe.Voltage, Pin: pin})
	}
	return cfg
}

func TestReadingsFollowTheBoardsPins(t *testing.T) {
	b, _, n := openBoard(t, allPins(200, 4))
	assert.Equal(t, "1.1", n.Identity().Firmware)
	for _, offset := range []float64{0.4, 0.43, 0.5} {
		for pin := range 8 {
			b.SetVolts(pin, offset+0.5*float64(pin))
		}
		for pin := range 8 {
			// Fresh to the scan: one old sample would show in the mean.
			r, err := n.Read(t.Context(), fmt.Sprint("pin ", pin))
			require.NoError(t, err)
			code := math.Floor((offset + 0.5*float64(pin)) * 1024 / 5)
			require.InDelta(t, (code+0.5)*step, r.Value, 1e-9, "pin %d", pin)
		}
	}
	b.SetVolts(3, 5)
	_, err := n.Read(t.Context(), "pin 3")
	var refusal *probe.Refusal
	require.ErrorAs(t, err, &refusal)
	assert.Equal(t, probe.Overload, refusal.Reason)
}

// No sample is lost at four channels and 2000 scans a second, nor at the
// fastest that the board allows.
func TestNoSampleIsLost(t *testing.T) {
	for _, tt := range []struct {
		pins int
		rate float64
	}{{4, 2000}, {4, 2083}, {1, 8333}, {8, 1041}} {
		t.Run(fmt.Sprintf("%d channels, %v scans a second", tt.pins, tt.rate), func(t *testing.T) {
			cfg := allPins(tt.rate, 1)
			cfg.Channels = cfg.Channels[:tt.pins]
			b, _, n := openBoard(t, cfg)
			blocks, cancel := n.Subscribe()
			defer cancel()
			first := <-blocks
			next, clock := first.First, first.Clock
			for scans := 0.0; scans < 2*tt.rate; {
				require.Zero(t, first.Lost)
				require.Equal(t, next, first.First)
				require.Equal(t, clock, first.Clock)
				next += uint64(first.Scans())
				clock += uint64(first.Scans()) * uint64(first.Period)
				scans += float64(first.Scans())
				first = <-blocks
			}
			s := b.Stat()
			assert.Zero(t, s.LostBytes)
			// The receiver of the chip holds two bytes and a third on the way: 30 µs.
			assert.Less(t, s.InterruptsOff, uint64(30*ms/1000))
			t.Logf("interrupts off for %.1f µs at most", float64(s.InterruptsOff)*1000/ms)
			assert.Zero(t, n.Counters().Lost)
			assert.Zero(t, n.Counters().Refused[probe.BadChecksum])
		})
	}
}

// The codes of a ramp that climbs with the chip's own cycles say when each
// conversion began; the stamps must say the same, within a cycle or so, for
// every sample.
func TestScansAreStampedWhenTheyAreConverted(t *testing.T) {
	const perCode = 3200 // cycles: 0.2 ms
	cfg := allPins(1500, 1)
	cfg.Channels = cfg.Channels[:3]
	b, _, n := openBoard(t, cfg)
	for pin := range 3 {
		b.Ramp(pin, perCode)
	}
	blocks, cancel := n.Subscribe()
	defer cancel()
	for (<-blocks).Sums[0] == 0 { // until the ramp has begun
	}
	low, high := math.Inf(1), math.Inf(-1)
	for range 100 {
		block := <-blocks
		interval := block.Period / 3
		for i, code := range block.Sums {
			ticks := block.Clock + uint64(i/3)*uint64(block.Period) + uint64(i%3)*uint64(interval)
			off := math.Mod(float64(ticks*cyclesPerTick), 1024*perCode) - float64(code)*perCode
			// The first sample tells where the ramp began; all others must agree.
			if low > high {
				low, high = off, off
			}
			off += 1024 * perCode * math.Round((low-off)/(1024*perCode))
			low, high = min(low, off), max(high, off)
		}
	}
	assert.Less(t, high-low, float64(perCode+32), "a code lasts %d cycles", perCode)
	assert.Greater(t, high-low, 0.9*perCode, "the ramp was seen at every phase")
}

func TestASilentHostIsCutInTheBoardsTime(t *testing.T) {
	b, conn, n := openBoard(t, allPins(1000, 1))
	require.NoError(t, n.Restore(t.Context()))
	require.True(t, b.AwaitCut(0).On)
	conn.Close() // the host is gone without a word
	off := b.AwaitCut(1)
	require.False(t, off.On)
	silent := float64(off.Cycle-off.Heard) / ms
	t.Logf("cut %.3f ms after the host's last byte", silent)
	// The count goes in steps of the interval between conversions, 125 µs here,
	// from when the program has looked at the frame.
	assert.InDelta(t, 500, silent, 2)
}

func TestALimitCutsWithinAScan(t *testing.T) {
	b, _, n := openBoard(t, allPins(1000, 1))
	for pin := range 8 {
		b.SetVolts(pin, 2)
	}
	require.NoError(t, n.SetLimit(t.Context(), "pin 6", 1, 3))
	require.Eventually(t, func() bool { return n.Restore(t.Context()) == nil }, 20*time.Second, time.Millisecond)
	require.True(t, b.AwaitCut(0).On)
	set := b.StepVolts(6, 3.1)
	off := b.AwaitCut(1)
	require.False(t, off.On)
	// A scan is 1 ms, and a conversion 0.1 ms.
	assert.Less(t, float64(off.Cycle)-float64(set), 1.2*ms)
	state := func() node.State { s, _ := n.Power(); return s }
	require.Eventually(t, func() bool { return !state().On }, 20*time.Second, time.Millisecond)
	assert.Equal(t, node.WhyLimit, state().Why)
	assert.Equal(t, uint8(6), state().Channel)
	assert.Equal(t, uint16(634), state().Sample, "3.1 V")
}

// A program that is stuck with interrupts off is caught by the chip's watchdog.
func TestAStuckProgramIsCut(t *testing.T) {
	b, _, n := openBoard(t, allPins(1000, 1))
	for pin := range 8 {
		b.SetVolts(pin, 2)
	}
	require.NoError(t, n.Restore(t.Context()))
	require.True(t, b.AwaitCut(0).On)
	b.Hang()
	hung := b.Stat().Cycle
	off := b.AwaitCut(1)
	require.False(t, off.On)
	assert.Less(t, float64(off.Cycle)-float64(hung), 200.0*ms, "120 ms, and the watchdog's oscillator may be slow")
	require.Eventually(t, func() bool {
		_, err := n.Read(t.Context(), "pin 1")
		return err == nil
	}, 20*time.Second, time.Millisecond, "the stream goes on after the reset")
	assert.Positive(t, n.Counters().Restarts)
	assert.True(t, b.Cut())
}

func TestAResetInTheMiddleIsToldAndMended(t *testing.T) {
	b, _, n := openBoard(t, allPins(1000, 1))
	for pin := range 8 {
		b.SetVolts(pin, 2)
	}
	require.NoError(t, n.SetLimit(t.Context(), "pin 2", 1, 3))
	require.Eventually(t, func() bool { return n.Restore(t.Context()) == nil }, 20*time.Second, time.Millisecond)
	require.True(t, b.AwaitCut(0).On)
	blocks, cancel := n.Subscribe()
	defer cancel()
	<-blocks
	b.Reset()
	assert.False(t, b.AwaitCut(1).On)
	var restarted node.Block
	for restarted = range blocks {
		if restarted.Restarted {
			break
		}
		require.Zero(t, restarted.Lost)
	}
	assert.Positive(t, restarted.Lost)
	assert.Equal(t, restarted.Lost, n.Counters().Lost)
	assert.Equal(t, uint64(1), n.Counters().Restarts)
	r, err := n.Read(t.Context(), "pin 1")
	require.NoError(t, err)
	assert.InDelta(t, 2, r.Value, step)
	assert.True(t, b.Cut())

	// The limit was put back.
	require.Eventually(t, func() bool { return n.Restore(t.Context()) == nil }, 20*time.Second, time.Millisecond)
	require.True(t, b.AwaitCut(2).On)
	b.SetVolts(2, 4)
	assert.False(t, b.AwaitCut(3).On)
}

func TestABoardThatVanishesIsGone(t *testing.T) {
	b, _, n := openBoard(t, allPins(1000, 1))
	b.Close()
	require.Eventually(t, func() bool {
		_, err := n.Read(t.Context(), "pin 1")
		return errors.Is(err, probe.ErrGone)
	}, 20*time.Second, time.Millisecond)
}
