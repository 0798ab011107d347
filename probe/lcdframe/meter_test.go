package lcdframe

import (
	"context"
	"errors"
	"math"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/port"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var (
	_ probe.Source   = (*Meter)(nil)
	_ probe.Counting = (*Meter)(nil)
)

// leads are what an emulated meter touches; they may change.
type leads struct {
	mu     sync.Mutex
	value  float64
	lifted bool
	start  time.Time // when set, the value is the seconds since
}

func (l *leads) set(value float64, lifted bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.value, l.lifted = value, lifted
}

// turn changes what stands at the leads, and waits until no reading can be of
// the time before.
func (l *leads) turn(value float64) {
	l.set(value, false)
	settle()
}

// settle waits until a change has come through: for what was begun before, and
// for the two frames that must agree.
func settle() { time.Sleep(lead + time.Second) }

func (l *leads) get() (float64, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.start.IsZero() {
		return time.Since(l.start).Seconds(), true
	}
	return l.value, !l.lifted
}

// inMemory runs a test over memory with a clock of its own.
func inMemory(t *testing.T, test func(t *testing.T, cable *bench.Cable)) {
	synctest.Test(t, func(t *testing.T) {
		cable := bench.NewMemoryCable()
		defer time.Sleep(time.Hour) // on the test's clock: an instrument that waits ends
		defer cable.Close()
		test(t, cable)
	})
}

// open hangs an emulated meter on the cable and opens it.
func open(t testing.TB, cable *bench.Cable, emulated *bench.Handheld, options Options) *Meter {
	go emulated.Serve(cable.Device())
	conn, err := cable.Open(Line)
	require.NoError(t, err)
	m, err := Open(context.Background(), conn, options)
	require.NoError(t, err)
	t.Cleanup(func() { m.Close() })
	return m
}

func read(t testing.TB, m *Meter, channel string) probe.Reading {
	r, err := m.Read(context.Background(), channel)
	require.NoError(t, err)
	return r
}

// refused reads and expects a refusal for the reason.
func refused(t testing.TB, m *Meter, channel string, reason probe.Reason) *probe.Refusal {
	_, err := m.Read(context.Background(), channel)
	var r *probe.Refusal
	require.ErrorAs(t, err, &r)
	assert.Equal(t, reason, r.Reason, r.Error())
	assert.NotEmpty(t, r.Detail)
	assert.NotEmpty(t, r.Do)
	assert.Positive(t, m.Counters().Refused[reason])
	return r
}

func TestReadings(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		l := &leads{value: 12.6}
		emulated := bench.NewHandheld(l.get, bench.HandheldOptions{Ohms: l.get, Amperes: l.get})
		a := probe.Accuracy{OfReading: 0.005, Digits: 3}
		calibrated := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
		m := open(t, cable, emulated, Options{Name: "handheld", Accuracy: map[string]probe.Accuracy{"voltage": a}, Calibrated: calibrated, Certificate: "MH-7"})
		assert.Equal(t, probe.Identity{
			Name: "handheld", Model: "handheld meter that sends its display", Port: cable.Name(), Calibrated: calibrated, Certificate: "MH-7",
		}, m.Identity())
		assert.Len(t, m.Channels(), 5)

		r := read(t, m, "voltage")
		assert.Equal(t, 12.6, r.Value)
		assert.InDelta(t, 0.01, r.Digit, 1e-15, "12.60 shows")
		assert.InDelta(t, 40, r.FullScale, 1e-9)
		assert.Equal(t, a, r.Accuracy)
		assert.Equal(t, "voltage", r.Channel)
		assert.Equal(t, "handheld", r.Source)
		assert.InDelta(t, (12.6*0.005+3*0.01)/math.Sqrt(3), r.Uncertainty(), 1e-12, "the digits weigh what the point says")

		l.turn(-0.0521)
		assert.Equal(t, -0.052, read(t, m, "voltage").Value)
		emulated.Turn("OHM")
		settle()
		refused(t, m, "voltage", probe.WrongFunction)
		l.turn(4712)
		r = read(t, m, "resistance")
		assert.Equal(t, 4710.0, r.Value, "04.71 kΩ shows")
		assert.InDelta(t, 10, r.Digit, 1e-12)
		emulated.Turn("A")
		l.turn(8.5)
		refused(t, m, "resistance", probe.WrongFunction)
		assert.Equal(t, 8.5, read(t, m, "current").Value)

		_, err := m.Read(context.Background(), "volts")
		assert.EqualError(t, err, `handheld: no channel "volts"; it has voltage current resistance temperature frequency`)
	})
}

func TestRefusals(t *testing.T) {
	for what, c := range map[string]struct {
		faults  bench.HandheldFaults
		turn    string
		value   float64
		channel string
		reason  probe.Reason
		says    string
	}{
		"hold":         {faults: bench.HandheldFaults{Hold: true}, reason: probe.Hold, says: "meter: refused, hold: its display shows \"12.60 V DC HOLD\"; press HOLD to let the display go"},
		"relative":     {faults: bench.HandheldFaults{Relative: true}, reason: probe.Relative, says: "press REL"},
		"low battery":  {faults: bench.HandheldFaults{LowBattery: true}, reason: probe.LowBattery, says: "new battery"},
		"AC":           {faults: bench.HandheldFaults{AC: true}, reason: probe.WrongFunction, says: "turn it from AC to DC"},
		"ohms":         {turn: "OHM", reason: probe.WrongFunction, says: "turn it to voltage"},
		"volts":        {channel: "resistance", reason: probe.WrongFunction, says: "turn it to resistance"},
		"diode":        {turn: "DIODE", value: 0.6, reason: probe.WrongFunction, says: "diode test"},
		"overload":     {value: 5000, reason: probe.Overload, says: `its display shows "0L V DC"`},
		"out of span":  {value: 90, reason: probe.OutOfRange, says: "outside -1 to 60 V"},
		"AC or DC hid": {faults: bench.HandheldFaults{NoFirst: true}, reason: probe.WrongFunction, says: "leave out whether that is AC or DC"},
	} {
		t.Run(what, func(t *testing.T) {
			inMemory(t, func(t *testing.T, cable *bench.Cable) {
				l := &leads{value: 12.6}
				emulated := bench.NewHandheld(l.get, bench.HandheldOptions{Ohms: l.get})
				m := open(t, cable, emulated, Options{Name: "meter", Span: probe.Spans{"voltage": {Low: -1, High: 60}}})
				assert.Equal(t, 12.6, read(t, m, "voltage").Value)
				emulated.SetFaults(c.faults)
				if c.turn != "" {
					emulated.Turn(c.turn)
				}
				if c.value != 0 {
					l.set(c.value, false)
				}
				settle()
				channel := "voltage"
				if c.channel != "" {
					channel = c.channel
				}
				assert.Contains(t, refused(t, m, channel, c.reason).Error(), c.says)
				emulated.SetFaults(bench.HandheldFaults{})
				emulated.Turn("V")
				l.turn(13.8)
				assert.Equal(t, 13.8, read(t, m, "voltage").Value, "the source is still good")
			})
		})
	}
}

// The leads carry the time at which the emulated meter samples them: what is
// read was never sampled more than a tenth of a second before the call.
func TestReadingsAreFresh(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		l := &leads{start: time.Now()}
		m := open(t, cable, bench.NewHandheld(l.get, bench.HandheldOptions{}), Options{Flicker: 4000})
		for i := range 60 {
			time.Sleep(time.Duration(i*37%900) * time.Millisecond)
			asked := time.Since(l.start).Seconds()
			r, err := m.Read(t.Context(), "voltage")
			var refused *probe.Refusal
			if errors.As(err, &refused) { // the range has changed between two frames
				assert.Equal(t, probe.Unsteady, refused.Reason)
				continue
			}
			require.NoError(t, err)
			assert.GreaterOrEqual(t, r.Value, asked-lead.Seconds()-r.Digit)
			assert.Less(t, time.Since(l.start).Seconds()-asked, 1.1)
		}
	})
}

func TestRateIsTheMeters(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		l := &leads{value: 12.6}
		m := open(t, cable, bench.NewHandheld(l.get, bench.HandheldOptions{}), Options{})
		read(t, m, "voltage")
		began := time.Now()
		for range 30 {
			read(t, m, "voltage")
		}
		assert.InDelta(t, 10, time.Since(began).Seconds(), 0.1, "30 readings at 3 a second")
	})
}

func TestWhatMovesIsNotRead(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		l := &leads{start: time.Now()} // a volt a second
		m := open(t, cable, bench.NewHandheld(l.get, bench.HandheldOptions{}), Options{})
		r := refused(t, m, "voltage", probe.Unsteady)
		assert.Contains(t, r.Detail, " V DC\" came, then \"")
		assert.InDelta(t, time.Since(l.start).Seconds(), r.Below, 0.8)
	})
}

func TestSilenceAndItsEnd(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		l := &leads{value: 12.6}
		emulated := bench.NewHandheld(l.get, bench.HandheldOptions{})
		m := open(t, cable, emulated, Options{})
		emulated.SetFaults(bench.HandheldFaults{Silent: true})
		time.Sleep(time.Second)
		began := time.Now()
		_, err := m.Read(context.Background(), "voltage")
		assert.ErrorIs(t, err, probe.ErrSilent)
		assert.ErrorContains(t, err, "no frame in 3s; switch it on")
		assert.Equal(t, 3*time.Second, time.Since(began))
		assert.Equal(t, uint64(1), m.Counters().Silences)
		emulated.SetFaults(bench.HandheldFaults{})
		settle()
		assert.Equal(t, 12.6, read(t, m, "voltage").Value)

		ctx, stop := context.WithCancelCause(t.Context())
		stop(errors.New("the builder let go"))
		_, err = m.Read(ctx, "voltage")
		assert.ErrorContains(t, err, "the builder let go")
		cable.Unplug()
		_, err = m.Read(t.Context(), "voltage")
		for err == nil {
			_, err = m.Read(t.Context(), "voltage")
		}
		assert.ErrorIs(t, err, probe.ErrGone)
	})
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		emulated := bench.NewHandheld((&leads{}).get, bench.HandheldOptions{})
		emulated.SetFaults(bench.HandheldFaults{Silent: true})
		go emulated.Serve(cable.Device())
		conn, err := cable.Open(Line)
		require.NoError(t, err)
		_, err = Open(t.Context(), conn, Options{})
		assert.ErrorIs(t, err, probe.ErrSilent)
	})
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		go func() { // another instrument, which talks by itself
			for {
				if _, err := cable.Device().Write([]byte("+1.23456789E+00\r\n")); err != nil {
					return
				}
				time.Sleep(300 * time.Millisecond)
			}
		}()
		conn, err := cable.Open(Line)
		require.NoError(t, err)
		_, err = Open(t.Context(), conn, Options{})
		var r *probe.Refusal
		require.ErrorAs(t, err, &r)
		assert.Equal(t, probe.BadFrame, r.Reason)
		assert.Contains(t, r.Do, "2400 8N1")
	})
}

// On a bad line no reading is invented: bits change, bytes get lost and come
// twice, and what is read stays what stands at the leads. Flicker allows five
// steps of the last place.
func TestABadLineInventsNothing(t *testing.T) {
	for _, f := range []bench.HandheldFaults{{Alter: 0.002}, {Alter: 0.02}, {Drop: 0.02}, {Double: 0.02}, {Alter: 0.005, Drop: 0.01, Double: 0.01}} {
		inMemory(t, func(t *testing.T, cable *bench.Cable) {
			l := &leads{value: 12.34}
			emulated := bench.NewHandheld(l.get, bench.HandheldOptions{Seed: 7})
			m := open(t, cable, emulated, Options{})
			f.Leading = "\x00\xff~"
			emulated.SetFaults(f)
			readings := 0
			for range 500 {
				if r, err := m.Read(t.Context(), "voltage"); err == nil {
					readings++
					require.InDelta(t, 12.34, r.Value, 5.0001*r.Digit)
				}
			}
			assert.Positive(t, readings)
			assert.Positive(t, m.Counters().Refused[probe.BadFrame])
		})
	}
}

func TestOverAPseudoTerminal(t *testing.T) {
	cable, err := bench.NewCable()
	require.NoError(t, err)
	defer cable.Close()
	l := &leads{value: 12.6}
	m := open(t, cable, bench.NewHandheld(l.get, bench.HandheldOptions{Interval: 100 * time.Millisecond}), Options{Timeout: time.Minute})
	assert.Equal(t, 12.6, read(t, m, "voltage").Value)
}

func TestCloseTwice(t *testing.T) {
	near, far := port.Pipe()
	defer far.Close()
	go far.Write(bytesOf(t, "17 20 35 45 5B 6F 7E 87 9D A0 B0 C0 D4 E0"))
	m, err := Open(t.Context(), near, Options{})
	require.NoError(t, err)
	require.NoError(t, m.Close())
	m.Close()
	_, err = m.Read(t.Context(), "voltage")
	assert.ErrorIs(t, err, probe.ErrGone)
}
