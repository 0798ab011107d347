package modbus

import (
	"context"
	"errors"
	"fmt"
	"math"
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

// inMemory runs a test over memory with a clock of its own.
func inMemory(t *testing.T, test func(t *testing.T, cable *bench.Cable)) {
	synctest.Test(t, func(t *testing.T) {
		cable := bench.NewMemoryCable()
		defer time.Sleep(time.Hour) // on the test's clock: an instrument that waits ends
		defer cable.Close()
		test(t, cable)
	})
}

// panelMeter is the emulated one that the example map describes: 12.6 V in
// tenths of a millivolt, low word first, and 8.5 A as a float.
func panelMeter() *bench.Modbus {
	emulated := bench.NewModbus(1, 1)
	emulated.Words(4, 16, 0xEC30, 0x0001) // 126000
	emulated.Words(3, 32, 0x4108, 0x0000) // 8.5
	return emulated
}

func options(t testing.TB) Options {
	m, err := ReadMap("panel-meter.yaml", example(t))
	require.NoError(t, err)
	return Options{Name: "panel meter", Map: m}
}

func open(t testing.TB, cable *bench.Cable, emulated *bench.Modbus, o Options) *Meter {
	go emulated.Serve(cable.Device())
	conn, err := cable.Open(port.Mode{Baud: 115200})
	require.NoError(t, err)
	m, err := Open(context.Background(), conn, o)
	require.NoError(t, err)
	t.Cleanup(func() { m.Close() })
	return m
}

func refusalOf(t testing.TB, err error, reason probe.Reason) *probe.Refusal {
	var r *probe.Refusal
	require.ErrorAs(t, err, &r)
	assert.Equal(t, reason, r.Reason, r.Error())
	assert.NotEmpty(t, r.Detail)
	assert.NotEmpty(t, r.Do)
	return r
}

func TestReadings(t *testing.T) {
	test := func(t *testing.T, cable *bench.Cable) {
		m := open(t, cable, panelMeter(), options(t))
		r, err := m.Read(t.Context(), "bus voltage")
		require.NoError(t, err)
		assert.InDelta(t, 12.6, r.Value, 1e-12)
		assert.InDelta(t, 1e-4, r.Digit, 1e-18)
		assert.InDelta(t, 60, r.FullScale, 1e-9)
		assert.Equal(t, probe.Accuracy{OfReading: 0.002, Digits: 2, OfRange: 0.001}, r.Accuracy)
		assert.Equal(t, probe.Voltage, r.Quantity)
		assert.Equal(t, "panel meter", r.Source)
		r, err = m.Read(t.Context(), "shunt current")
		require.NoError(t, err)
		assert.Equal(t, 8.5, r.Value)
		assert.Equal(t, 0.01, r.Digit)
		id := m.Identity()
		assert.Equal(t, "two-channel panel meter", id.Model)
		assert.Equal(t, cable.Name()+", address 1", id.Port)
		_, err = m.Read(t.Context(), "volts")
		assert.EqualError(t, err, `panel meter: no channel "volts"; it has ["bus voltage" "shunt current"]`)
		c := m.Counters()
		assert.Equal(t, uint64(3), c.Frames)
		assert.Zero(t, c.Strays+c.Silences)
	}
	t.Run("memory", func(t *testing.T) { inMemory(t, test) })
	t.Run("pseudo-terminal", func(t *testing.T) {
		cable, err := bench.NewCable()
		require.NoError(t, err)
		defer cable.Close()
		test(t, cable)
	})
}

func TestFaults(t *testing.T) {
	for what, c := range map[string]struct {
		faults bench.ModbusFaults
		reason probe.Reason // empty for a reading all the same
		says   string
	}{
		"echo":               {faults: bench.ModbusFaults{Echo: true}},
		"noise before":       {faults: bench.ModbusFaults{Leading: "\xff\x00"}},
		"echo and noise":     {faults: bench.ModbusFaults{Echo: true, Leading: "\x00"}},
		"noise behind":       {faults: bench.ModbusFaults{Trailing: "\xff"}},
		"twice":              {faults: bench.ModbusFaults{Twice: true}},
		"late":               {faults: bench.ModbusFaults{Late: 900 * time.Millisecond}},
		"byte by byte":       {faults: bench.ModbusFaults{Pause: 20 * time.Millisecond}},
		"another address":    {bench.ModbusFaults{AsAddress: 9}, probe.BadFrame, "address 9 answered"},
		"cut short":          {bench.ModbusFaults{Short: 2}, probe.BadFrame, "what came is no answer"},
		"illegal address":    {bench.ModbusFaults{Exception: 2}, probe.InstrumentErr, "it answered exception 2, illegal data address; check the map's function and register"},
		"device failure":     {bench.ModbusFaults{Exception: 4}, probe.InstrumentErr, "exception 4, device failure; see its manual"},
		"busy":               {bench.ModbusFaults{Exception: 6}, probe.InstrumentErr, "exception 6, busy"},
		"unknown exception":  {bench.ModbusFaults{Exception: 77}, probe.InstrumentErr, "it answered exception 77"},
		"pauses too long":    {bench.ModbusFaults{Pause: 70 * time.Millisecond}, probe.BadFrame, "no answer"},
		"every byte damaged": {bench.ModbusFaults{Alter: 0.5}, probe.BadFrame, ""},
	} {
		t.Run(what, func(t *testing.T) {
			inMemory(t, func(t *testing.T, cable *bench.Cable) {
				emulated := panelMeter()
				m := open(t, cable, emulated, options(t))
				emulated.SetFaults(c.faults)
				for range 3 {
					r, err := m.Read(t.Context(), "bus voltage")
					if c.reason == "" {
						require.NoError(t, err)
						assert.InDelta(t, 12.6, r.Value, 1e-12)
						continue
					}
					assert.Contains(t, refusalOf(t, err, c.reason).Error(), c.says)
					assert.Positive(t, m.Counters().Refused[c.reason])
				}
				emulated.SetFaults(bench.ModbusFaults{})
				r, err := m.Read(t.Context(), "shunt current")
				require.NoError(t, err, "the source is still good")
				assert.Equal(t, 8.5, r.Value)
			})
		})
	}
}

func TestRegistersThatHoldNoValue(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		emulated := panelMeter()
		o := options(t)
		o.Span = probe.Spans{"bus voltage": {Low: -1, High: 60}}
		m := open(t, cable, emulated, o)
		read := func(channel string) error {
			_, err := m.Read(t.Context(), channel)
			return err
		}
		emulated.Words(4, 16, 0xFFFF, 0x7FFF)
		assert.Contains(t, refusalOf(t, read("bus voltage"), probe.Overload).Error(), "the register holds 7FFFFFFFh")
		emulated.Words(4, 16, 0x0000, 0x0010)
		assert.Contains(t, refusalOf(t, read("bus voltage"), probe.OutOfRange).Error(), "outside -1 to 60 V, from 00100000h")
		emulated.Words(3, 32, 0x7FC0, 0)
		refusalOf(t, read("shunt current"), probe.NotANumber)
		for _, f := range []float64{math.Inf(1), math.Inf(-1), 9.9e37} {
			emulated.Float(3, 32, false, func() float64 { return f })
			refusalOf(t, read("shunt current"), probe.Overload)
		}
	})
}

func TestSilenceIsTriedThreeTimes(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		emulated := panelMeter()
		m := open(t, cable, emulated, options(t))
		emulated.SetFaults(bench.ModbusFaults{Silent: true})
		began := time.Now()
		_, err := m.Read(t.Context(), "bus voltage")
		require.ErrorIs(t, err, probe.ErrSilent)
		assert.ErrorContains(t, err, "from address 1 in 1s; check that it is on")
		assert.InDelta(t, 3, time.Since(began).Seconds(), 0.05)
		assert.Equal(t, uint64(1), m.Counters().Silences)

		ctx, stop := context.WithCancelCause(t.Context())
		stop(errors.New("the builder let go"))
		_, err = m.Read(ctx, "bus voltage")
		assert.ErrorContains(t, err, "the builder let go")
		cable.Unplug()
		_, err = m.Read(t.Context(), "bus voltage")
		assert.ErrorIs(t, err, probe.ErrGone)
	})
}

// An answer that comes after its time is never taken for the answer about
// another register: whatever the delay, current is never read as volts.
func TestLateAnswersAreNeverTakenForOthers(t *testing.T) {
	for _, retries := range []int{-1, 2} {
		for late := 100 * time.Millisecond; late < 3*time.Second; late += 170 * time.Millisecond {
			t.Run(fmt.Sprintf("%v, %d", late, retries), func(t *testing.T) {
				inMemory(t, func(t *testing.T, cable *bench.Cable) {
					emulated := bench.NewModbus(1, 1)
					emulated.Float(3, 0, false, func() float64 { return 12.5 })
					emulated.Float(3, 2, false, func() float64 { return 8.5 })
					o := options(t)
					o.Retries = retries
					o.Map.Channels = []MapChannel{
						{Name: "volts", Quantity: probe.Voltage, Function: 3, Register: 0, Kind: Float32, Order: ABCD, Scale: 1},
						{Name: "amperes", Quantity: probe.Current, Function: 3, Register: 2, Kind: Float32, Order: ABCD, Scale: 1},
					}
					m := open(t, cable, emulated, o)
					for i := range 20 {
						f := bench.ModbusFaults{}
						if i%3 == 0 {
							f.Late = late
						}
						emulated.SetFaults(f)
						if r, err := m.Read(t.Context(), "volts"); err == nil {
							require.Equal(t, 12.5, r.Value)
						}
						if r, err := m.Read(t.Context(), "amperes"); err == nil {
							require.Equal(t, 8.5, r.Value)
						}
					}
				})
			})
		}
	}
}

// On a bad line no reading is invented.
func TestABadLineInventsNothing(t *testing.T) {
	for _, f := range []bench.ModbusFaults{{Alter: 0.001}, {Alter: 0.01}, {Drop: 0.05}, {Alter: 0.005, Drop: 0.02, Echo: true, Leading: "\x00"}} {
		inMemory(t, func(t *testing.T, cable *bench.Cable) {
			emulated := panelMeter()
			m := open(t, cable, emulated, options(t))
			emulated.SetFaults(f)
			readings := 0
			for range 1000 {
				if r, err := m.Read(t.Context(), "bus voltage"); err == nil {
					readings++
					require.InDelta(t, 12.6, r.Value, 1e-12)
				}
			}
			assert.Positive(t, readings)
			refused := m.Counters().Refused
			assert.Positive(t, refused[probe.BadChecksum]+refused[probe.BadFrame])
		})
	}
}

// Modbus over serial line, V1.02, 2.5.1.1: 3.5 characters of 11 bits, and
// 1.750 ms above 19200 Bd; the figures by hand.
func TestSilenceBefore(t *testing.T) {
	for baud, microseconds := range map[int]float64{1200: 32083.3, 2400: 16041.7, 9600: 4010.4, 0: 4010.4, 19200: 2005.2, 38400: 1750, 115200: 1750} {
		assert.InDelta(t, microseconds, float64(silenceBefore(port.Mode{Baud: baud}))/1000, 0.1, baud)
	}
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		m := open(t, cable, panelMeter(), options(t))
		began := time.Now()
		_, err := m.Read(t.Context(), "bus voltage")
		require.NoError(t, err)
		assert.GreaterOrEqual(t, time.Since(began), silenceBefore(port.Mode{}))
	})
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		emulated := panelMeter()
		go emulated.Serve(cable.Device())
		try := func(change func(*Options)) error {
			conn, err := cable.Open(port.Mode{})
			require.NoError(t, err)
			o := options(t)
			change(&o)
			_, err = Open(t.Context(), conn, o)
			return err
		}
		assert.ErrorContains(t, try(func(o *Options) { o.Map = nil }), "no map")
		assert.ErrorContains(t, try(func(o *Options) { o.Address = 248 }), "address 248 is outside 1 to 247")
		assert.ErrorIs(t, try(func(o *Options) { o.Address = 2 }), probe.ErrSilent)
		refusalOf(t, try(func(o *Options) { o.Map.Channels[0].Register = 99 }), probe.InstrumentErr)
		assert.NoError(t, try(func(*Options) {}))
	})
	near, far := port.Pipe()
	go func() { // another kind of instrument, which answers anything
		request := make([]byte, 64)
		for {
			if _, err := far.Read(request); err != nil {
				return
			}
			far.Write([]byte("-113,\"Undefined header\"\r\n"))
		}
	}()
	defer far.Close()
	o := options(t)
	o.Retries = -1
	_, err := Open(t.Context(), near, o)
	refusalOf(t, err, probe.BadFrame)
}
