package sources

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/port"
)

var lead = bench.Adapter{Vendor: "16c0", Product: "05dc", Serial: "MH0042", Maker: "Reedbed", Text: "Serial lead"}

// A desk is a computer with one lead, and an instrument that hangs on it.
type desk struct {
	t     testing.TB
	hub   *bench.Hub
	cable *bench.Cable
	node  string
}

func newDesk(t testing.TB) *desk {
	hub, err := bench.NewHub(t.TempDir())
	require.NoError(t, err)
	t.Cleanup(port.UseTree(hub.Tree()))
	d := &desk{t: t, hub: hub}
	t.Cleanup(d.pull)
	return d
}

// plug plugs the lead in under a node, with the instrument behind it.
func (d *desk) plug(node string, serve func(c *bench.Cable)) {
	cable, err := bench.NewCable()
	require.NoError(d.t, err)
	d.cable, d.node = cable, node
	go serve(cable)
	require.NoError(d.t, d.hub.Plug(node, lead, cable))
}

func (d *desk) pull() {
	if d.cable != nil {
		require.NoError(d.t, d.hub.Pull(d.node, d.cable))
		d.cable = nil
	}
}

// source opens the one source of a file.
func (d *desk) source(text string) probe.Source {
	f, err := Parse("sources.yaml", []byte("loomproof-sources: 1\nsources:\n  it: "+text+"\n"))
	require.NoError(d.t, err)
	all, err := f.Sources()
	require.NoError(d.t, err)
	d.t.Cleanup(func() { all[0].Close() })
	return all[0]
}

// A counting value is another each time it is asked for: 0.001, 0.002, ...
type countingValue struct{ n atomic.Int64 }

func (c *countingValue) next() (float64, bool) { return float64(c.n.Add(1)) / 1000, true }

const meterLine = "{kind: scpi meter, port: usb 16C0:05DC MH0042, timeout: 200 ms, accuracy: {voltage: 0.05 % + 3 digits}}"

func meterOn(m *bench.Meter) func(*bench.Cable) {
	return func(c *bench.Cable) { m.Serve(c.Device()) }
}

func TestPulledAndPluggedInElsewhere(t *testing.T) {
	d := newDesk(t)
	m := bench.NewMeter(func() (float64, bool) { return 12.5, true }, bench.MeterOptions{})
	s := d.source(meterLine)
	ctx := t.Context()

	// It may be plugged in after the program was started.
	_, err := s.Read(ctx, "voltage")
	assert.ErrorIs(t, err, probe.ErrAway)
	assert.ErrorContains(t, err, "is not plugged in")
	assert.Equal(t, Gone, Of(s).Status().State)

	d.plug("ttyUSB0", meterOn(m))
	r, err := s.Read(ctx, "voltage")
	require.NoError(t, err)
	assert.InDelta(t, 12.5, r.Value, 1e-6)
	assert.Equal(t, "it", r.Source)
	assert.Equal(t, Up, Of(s).Status().State)
	assert.Equal(t, d.hub.Path("ttyUSB0"), s.Identity().Port)

	d.pull()
	_, err = s.Read(ctx, "voltage")
	assert.ErrorIs(t, err, probe.ErrAway)
	_, err = s.Read(ctx, "voltage")
	assert.ErrorIs(t, err, probe.ErrAway)

	d.plug("ttyUSB3", meterOn(m))
	r, err = s.Read(ctx, "voltage")
	require.NoError(t, err)
	assert.InDelta(t, 12.5, r.Value, 1e-6)
	assert.Equal(t, d.hub.Path("ttyUSB3"), s.Identity().Port)
	status := Of(s).Status()
	assert.EqualValues(t, 2, status.Readings)
	assert.EqualValues(t, 1, status.Losses)
	assert.Greater(t, status.Counters.Frames, uint64(5), "those of both connections")
}

func TestAnotherInstrumentIsNotTakenForTheLost(t *testing.T) {
	d := newDesk(t)
	first := bench.NewMeter(func() (float64, bool) { return 1, true }, bench.MeterOptions{})
	other := bench.NewMeter(func() (float64, bool) { return 2, true }, bench.MeterOptions{Identity: "REEDBED INSTRUMENTS,BENCH METER,MM0043,1.07"})
	s := d.source(meterLine)
	d.plug("ttyUSB0", meterOn(first))
	_, err := s.Read(t.Context(), "voltage")
	require.NoError(t, err)
	d.pull()
	_, err = s.Read(t.Context(), "voltage")
	require.Error(t, err)

	d.plug("ttyUSB0", meterOn(other))
	_, err = s.Read(t.Context(), "voltage")
	var refused *probe.Refusal
	require.ErrorAs(t, err, &refused)
	assert.Contains(t, refused.Error(), "another instrument answers there: REEDBED INSTRUMENTS, BENCH METER, MM0043; it was REEDBED INSTRUMENTS, BENCH METER, MM0042")
	d.pull()

	d.plug("ttyUSB1", meterOn(first))
	r, err := s.Read(t.Context(), "voltage")
	require.NoError(t, err)
	assert.InDelta(t, 1, r.Value, 1e-6)
}

// A meter that was switched off and on has forgotten its function: it is set up
// anew, and no volts are taken for ohms.
func TestSwitchedOffAndOn(t *testing.T) {
	d := newDesk(t)
	m := bench.NewMeter(func() (float64, bool) { return 12.5, true }, bench.MeterOptions{Ohms: func() (float64, bool) { return 470, true }})
	d.plug("ttyUSB0", meterOn(m))
	s := d.source(strings.Replace(meterLine, "}}", "}, no-function: yes}", 1))
	r, err := s.Read(t.Context(), "resistance")
	require.NoError(t, err)
	assert.InDelta(t, 470, r.Value, 0.1)

	m.SetFaults(bench.Faults{Silent: true})
	for range 2 {
		_, err = s.Read(t.Context(), "resistance")
		assert.ErrorIs(t, err, probe.ErrSilent)
	}
	assert.Equal(t, Silent, Of(s).Status().State)
	m.SetFaults(bench.Faults{})
	m.Turn("VOLT") // as it wakes up
	r, err = s.Read(t.Context(), "resistance")
	require.NoError(t, err)
	assert.InDelta(t, 470, r.Value, 0.1)
	assert.Equal(t, Up, Of(s).Status().State)
}

// world is what a supply feeds: it knows whether the output is on.
type world struct {
	mu sync.Mutex
	on bool
}

func (w *world) Drive(_, _ float64, on bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.on = on
}

func (w *world) Output() (volts, amperes float64) { return 13.8, 1 }

func (w *world) isOn() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.on
}

// A cut while the lead is out cannot be made; it is made before anything else when
// the supply is back.
func TestACutThatIsOwed(t *testing.T) {
	d := newDesk(t)
	w := &world{}
	p := bench.NewSupply(w, bench.SupplyOptions{})
	plugIn := func(c *bench.Cable) { p.Serve(c.Device()) }
	d.plug("ttyUSB0", plugIn)
	s := d.source("{kind: scpi supply, port: usb 16C0:05DC, timeout: 500 ms}").(probe.Supply)
	require.NoError(t, s.Set(t.Context(), 13.8, 2))
	require.NoError(t, s.Output(t.Context(), true))
	assert.True(t, w.isOn())

	d.pull()
	err := s.Cut(t.Context())
	assert.ErrorIs(t, err, probe.ErrGone)
	assert.ErrorContains(t, err, "cut as soon as it is back")
	assert.True(t, w.isOn(), "nobody could tell it")

	d.plug("ttyUSB1", plugIn)
	_, err = s.Read(t.Context(), "voltage")
	require.NoError(t, err)
	assert.False(t, w.isOn())

	// What was dealt with is not done again.
	require.NoError(t, s.Output(t.Context(), true))
	d.pull()
	_, err = s.Read(t.Context(), "voltage")
	require.Error(t, err)
	d.plug("ttyUSB2", plugIn)
	_, err = s.Read(t.Context(), "voltage")
	require.NoError(t, err)
	assert.True(t, w.isOn())
}

func TestReadsStopWithTheirContextAndAfterClose(t *testing.T) {
	d := newDesk(t)
	s := d.source(meterLine)
	_, err := s.Read(t.Context(), "voltage")
	require.Error(t, err)
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(fmt.Errorf("the builder let go"))
	_, err = s.Read(ctx, "voltage")
	assert.ErrorContains(t, err, "the builder let go")
	require.NoError(t, s.Close())
	require.NoError(t, s.Close())
	_, err = s.Read(t.Context(), "voltage")
	assert.ErrorIs(t, err, port.ErrClosed)
}

// cycles is how often the lead is pulled in the torture run.
const cycles = 200

// The torture run: the lead is pulled at any moment and comes back under other
// names, two hundred times. Every reading is one that the instrument truly had,
// begun after it was asked for; none comes twice; what was acknowledged is
// counted; nothing is left running (goleak, in TestMain).
func TestTwoHundredUnplugs(t *testing.T) {
	d := newDesk(t)
	var volts countingValue
	m := bench.NewMeter(volts.next, bench.MeterOptions{Counts: 10_000_000})
	s := d.source(meterLine)
	rng := rand.New(rand.NewPCG(7, 42))
	ctx, stop := context.WithCancel(t.Context())
	defer stop()

	var pulls atomic.Int64
	back := make(chan struct{}, 1)
	ended := make(chan struct{})
	go func() { // the hand that pulls
		defer close(ended)
		for i := range cycles {
			d.plug(fmt.Sprintf("ttyUSB%d", i%4), meterOn(m))
			select { // from in the middle of opening to after some readings
			case <-time.After(time.Duration(rng.IntN(30_000)) * time.Microsecond):
			case <-ctx.Done():
			}
			if i%2 == 0 {
				select {
				case <-back: // at least every other time a reading came first
				case <-ctx.Done():
				}
			}
			d.pull()
			pulls.Add(1)
		}
		d.plug("ttyUSB9", meterOn(m))
	}()

	var got uint64
	last, after := 0.0, false
	for {
		before := float64(volts.n.Load()) / 1000
		r, err := s.Read(ctx, "voltage")
		if err != nil {
			assert.True(t, isExpected(err), "%v", err)
			continue
		}
		got++
		assert.Greater(t, r.Value, before-1e-9, "begun after it was asked for")
		assert.Greater(t, r.Value, last, "none twice")
		assert.InDelta(t, math.Round(r.Value*1000), r.Value*1000, 1e-6, "a value that it had")
		last = r.Value
		select {
		case back <- struct{}{}:
		default:
		}
		if after {
			break
		}
		select {
		case <-ended:
			after = true // one more, from the lead that stays in
		default:
		}
	}
	status := Of(s).Status()
	assert.EqualValues(t, cycles, pulls.Load())
	assert.Equal(t, got, status.Readings, "none lost that was acknowledged")
	assert.GreaterOrEqual(t, status.Losses, uint64(cycles/4), "the rest were pulled before it was opened")
	t.Logf("%d pulls, %d readings, %d times lost and found", cycles, got, status.Losses)
}

// isExpected is what a pulled lead may look like: away, silent, or half an answer.
func isExpected(err error) bool {
	var refused *probe.Refusal
	return errors.As(err, &refused) && refused.Reason == probe.BadFrame || errors.Is(err, probe.ErrAway) || errors.Is(err, probe.ErrSilent)
}
