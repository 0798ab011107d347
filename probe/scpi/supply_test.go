package scpi

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/port"
)

// load is a resistor on the supply.
type load struct {
	mu                 sync.Mutex
	volts, limit, ohms float64
	on                 bool
}

func (l *load) Drive(volts, limit float64, on bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.volts, l.limit, l.on = volts, limit, on
}

func (l *load) Output() (volts, amperes float64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.on {
		return 0, 0
	}
	amperes = min(l.volts/l.ohms, l.limit)
	return amperes * l.ohms, amperes
}

func (l *load) live() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.on
}

func openSupply(t testing.TB, cable *bench.Cable, emulated *bench.Supply, options SupplyOptions) *Supply {
	go emulated.Serve(cable.Device())
	conn, err := cable.Open(port.Mode{})
	require.NoError(t, err)
	s, err := OpenSupply(context.Background(), conn, options)
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	return s
}

func TestSupplySetsAndReadsBack(t *testing.T) {
	ctx := context.Background()
	inBothManners(t, func(t *testing.T, plain bool) {
		onEachCable(t, func(t *testing.T, cable *bench.Cable) {
			l := &load{ohms: 10}
			line := probe.Accuracy{OfReading: 0.0005, Digits: 5}
			s := openSupply(t, cable, bench.NewSupply(l, bench.SupplyOptions{}), SupplyOptions{Options: Options{
				Name: "supply", Plain: plain, Accuracy: map[string]probe.Accuracy{"voltage": line},
			}})
			assert.Equal(t, "BENCH SUPPLY", s.Identity().Model)
			assert.Equal(t, 0.0, read(t, s, "voltage").Value)

			require.NoError(t, s.Set(ctx, 13.8, 2))
			assert.False(t, l.live(), "setting switches nothing on")
			require.NoError(t, s.Output(ctx, true))
			assert.True(t, l.live())
			r := read(t, s, "voltage")
			r.At = time.Time{}
			assert.Equal(t, probe.Reading{
				Value: 13.8, Quantity: probe.Voltage, Source: "supply", Channel: "voltage", Accuracy: line, FullScale: 32, Digit: 0.0001,
			}, r)
			assert.Equal(t, 1.38, read(t, s, "current").Value)

			require.NoError(t, s.Set(ctx, 13.8, 0.5))
			assert.Equal(t, 5.0, read(t, s, "voltage").Value, "limited")
			require.NoError(t, s.Output(ctx, false))
			assert.False(t, l.live())
			assert.Equal(t, 0.0, read(t, s, "current").Value)
			assert.Zero(t, s.Counters().Strays)
		})
	})
}

func TestSupplyRefusesWhatItCannotDo(t *testing.T) {
	ctx := context.Background()
	onEachCable(t, func(t *testing.T, cable *bench.Cable) {
		l := &load{ohms: 10}
		s := openSupply(t, cable, bench.NewSupply(l, bench.SupplyOptions{MaxVolts: 20}), SupplyOptions{MaxVolts: 30, Options: Options{Name: "supply"}})
		assert.EqualError(t, s.Set(ctx, 31, 1), "supply: cannot be set to 31 V; its rating is 0 to 30 V")
		assert.EqualError(t, s.Set(ctx, -1, 1), "supply: cannot be set to -1 V; its rating is 0 to 30 V")
		assert.EqualError(t, s.Set(ctx, 1, 11), "supply: cannot be set to 11 A; its rating is 0 to 10 A")
		err := s.Set(ctx, 25, 1) // the ratings given were wrong: the instrument knows better
		assert.Contains(t, refusalOf(t, err, probe.InstrumentErr).Detail, `after VOLT 25, it reports -222 "Data out of range"`)
		require.NoError(t, s.Set(ctx, 12.5, 1))
		volts, _ := l.Output()
		assert.Zero(t, volts)
	})
}

func TestCutIsConfirmed(t *testing.T) {
	ctx := context.Background()
	inBothManners(t, func(t *testing.T, plain bool) {
		onEachCable(t, func(t *testing.T, cable *bench.Cable) {
			l := &load{ohms: 10}
			emulated := bench.NewSupply(l, bench.SupplyOptions{})
			s := openSupply(t, cable, emulated, SupplyOptions{Options: Options{Plain: plain}})
			require.NoError(t, s.Set(ctx, 12, 1))
			require.NoError(t, s.Output(ctx, true))
			require.NoError(t, s.Cut(ctx))
			assert.False(t, l.live())

			require.NoError(t, s.Output(ctx, true))
			emulated.Stick(true) // a welded contact
			err := s.Cut(ctx)
			assert.ErrorContains(t, err, "the output may still be on, switch it off by hand: ")
			assert.ErrorContains(t, err, "it says its output is on")
			emulated.Stick(false)
			assert.NoError(t, s.Cut(ctx))
			assert.False(t, l.live())
		})
	})
}

func TestCutWhileNobodyAnswers(t *testing.T) {
	ctx := context.Background()
	inBothManners(t, func(t *testing.T, plain bool) {
		inMemory(t, func(t *testing.T, cable *bench.Cable) {
			l := &load{ohms: 10}
			emulated := bench.NewSupply(l, bench.SupplyOptions{})
			s := openSupply(t, cable, emulated, SupplyOptions{Options: Options{Plain: plain, Timeout: soon}})
			require.NoError(t, s.Output(ctx, true))
			emulated.SetFaults(bench.Faults{Silent: true})
			err := s.Cut(ctx)
			assert.ErrorIs(t, err, probe.ErrSilent)
			assert.ErrorContains(t, err, "the output may still be on")
			assert.False(t, l.live(), "it was told all the same")

			emulated.SetFaults(bench.Faults{})
			require.NoError(t, s.Cut(ctx))
			require.NoError(t, s.Output(ctx, true))
			err = s.Cut(ended())
			assert.ErrorContains(t, err, "the output may still be on")
			synctest.Wait()
			assert.False(t, l.live(), "a context that has ended stops no cut")

			cable.Unplug()
			err = s.Cut(ctx)
			assert.ErrorIs(t, err, probe.ErrGone)
			assert.ErrorContains(t, err, "the output may still be on")
		})
	})
}

// A watched limit cuts while a slow read-back is waited for.
func TestCutDoesNotWaitForARead(t *testing.T) {
	ctx := context.Background()
	inBothManners(t, func(t *testing.T, plain bool) {
		inMemory(t, func(t *testing.T, cable *bench.Cable) {
			l := &load{ohms: 10}
			emulated := bench.NewSupply(l, bench.SupplyOptions{})
			s := openSupply(t, cable, emulated, SupplyOptions{Options: Options{Plain: plain}})
			require.NoError(t, s.Output(ctx, true))
			emulated.SetFaults(bench.Faults{Silent: true})
			failed := make(chan error)
			go func() {
				_, err := s.Read(ctx, "current")
				failed <- err
			}()
			synctest.Wait() // the read waits for its answer
			emulated.SetFaults(bench.Faults{})
			start := time.Now()
			require.NoError(t, s.Cut(ctx))
			assert.False(t, l.live())
			assert.Zero(t, time.Since(start), "no time went by")
			assert.ErrorIs(t, <-failed, errCut)
			assert.Equal(t, 0.0, read(t, s, "current").Value)
		})
	})
}

// Cut against an Output that is switching on at the same moment.
func TestCutWinsOverSwitchingOn(t *testing.T) {
	for range 50 {
		inMemory(t, func(t *testing.T, cable *bench.Cable) {
			ctx := context.Background()
			l := &load{ohms: 10}
			s := openSupply(t, cable, bench.NewSupply(l, bench.SupplyOptions{}), SupplyOptions{})
			done := make(chan error)
			go func() { done <- s.Output(ctx, true) }()
			cut := s.Cut(ctx)
			on := <-done
			if on == nil {
				return // it was switched on before or after, by someone who was told so
			}
			assert.NoError(t, cut)
			assert.False(t, l.live())
		})
	}
}

func TestSupplyLateAnswers(t *testing.T) {
	ctx := context.Background()
	inBothManners(t, func(t *testing.T, plain bool) {
		inMemory(t, func(t *testing.T, cable *bench.Cable) {
			l := &load{ohms: 10}
			emulated := bench.NewSupply(l, bench.SupplyOptions{})
			s := openSupply(t, cable, emulated, SupplyOptions{Options: Options{Plain: plain, Timeout: soon}})
			require.NoError(t, s.Output(ctx, true))
			require.NoError(t, s.Set(ctx, 10, 10))
			read(t, s, "voltage")
			for i := range 40 {
				want := 10 + float64(i)/4
				l.Drive(want, 10, true)
				f := bench.Faults{}
				if i%3 == 1 {
					f.Late = soon + time.Duration(i)*soon/8
				}
				emulated.SetFaults(f)
				if r, err := s.Read(ctx, "voltage"); err == nil {
					require.Equal(t, want, r.Value)
				}
			}
		})
	})
}

// stampingDevice notes when the instrument sends.
type stampingDevice struct {
	cable *bench.Cable
	sent  atomic.Int64
}

func (d *stampingDevice) Read(p []byte) (int, error) { return d.cable.Device().Read(p) }

func (d *stampingDevice) Write(p []byte) (int, error) {
	d.sent.Store(time.Now().UnixNano())
	return d.cable.Device().Write(p)
}

func (d *stampingDevice) Close() error { return d.cable.Device().Close() }
