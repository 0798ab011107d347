package scpi

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/port"
)

func TestMeterReads(t *testing.T) {
	inBothManners(t, func(t *testing.T, plain bool) {
		onEachCable(t, func(t *testing.T, cable *bench.Cable) {
			volts := &leads{value: 12.6}
			line := probe.Accuracy{OfReading: 45e-6, OfRange: 6e-6}
			emulated := bench.NewMeter(volts.get, bench.MeterOptions{
				Ohms: (&leads{value: 0.47}).get, LeadOhms: 0.2, Amperes: (&leads{value: -1.25}).get,
			})
			calibrated := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
			m := openMeter(t, cable, emulated, MeterOptions{Counts: 1_000_000, Options: Options{
				Name: "meter", Plain: plain, Accuracy: map[string]probe.Accuracy{"voltage": line},
				Calibrated: calibrated, Certificate: "MH-17", Terminator: "\r\n",
			}})
			assert.Equal(t, probe.Identity{
				Name: "meter", Maker: "REEDBED INSTRUMENTS", Model: "BENCH METER", Serial: "MM0042", Firmware: "1.07",
				Port: cable.Name(), Calibrated: calibrated, Certificate: "MH-17",
			}, m.Identity())

			before := time.Now()
			r := read(t, m, "voltage")
			assert.False(t, r.At.Before(before))
			r.At = time.Time{}
			assert.Equal(t, probe.Reading{
				Value: 12.6, Quantity: probe.Voltage, Source: "meter", Channel: "voltage",
				Accuracy: line, FullScale: 100, Digit: 100e-6,
			}, r)

			volts.set(0.05)
			r = read(t, m, "voltage")
			assert.Equal(t, 0.05, r.Value)
			assert.Equal(t, 0.1, r.FullScale, "the range is asked again when the value leaves it")

			assert.Equal(t, -1.25, read(t, m, "current").Value)
			assert.InDelta(t, 0.67, read(t, m, "resistance").Value, 1e-4, "with the leads")
			assert.InDelta(t, 0.47, read(t, m, "resistance-4w").Value, 1e-4)
			assert.Equal(t, 0.05, read(t, m, "voltage").Value)

			c := m.Counters()
			assert.Zero(t, c.Silences)
			assert.Zero(t, c.Strays)
			assert.NotZero(t, c.Frames)
			assert.Len(t, c.Refused, len(probe.Reasons()))
			for reason, n := range c.Refused {
				assert.Zero(t, n, reason)
			}
			_, err := m.Read(context.Background(), "volts")
			assert.EqualError(t, err, `meter: no channel "volts"; it has voltage current resistance resistance-4w`)
		})
	})
}

// What a meter would say, written down from manuals and not from the emulated
// one: long forms and quotes in FUNC?, a range in another shape, NR2, CR alone.
func TestMeterByHand(t *testing.T) {
	const identity = "HERON,M-10,0,3.2\r"
	common := script{
		"*IDN?": identity, "*CLS": "", "SYST:REM": "", `FUNC "VOLT:DC"`: "",
		"*ESE 101;:SYST:ERR?;*ESE?": "0,\"No error\";101\r",
		"*ESE 102;:SYST:ERR?;*ESE?": "0,\"No error\";102\r",
	}
	for name, c := range map[string]struct {
		reading, rangeAnswer string
		want                 probe.Reading
	}{
		"short":  {`13.80;13.80;"VOLT:DC";@` + "\r", "4.0E1;106\r", probe.Reading{Value: 13.8, FullScale: 40, Digit: 0.01}},
		"long":   {`-13;-13;VOLTAGE;@` + "\r\n", "20;106\n", probe.Reading{Value: -13, FullScale: 20, Digit: 1}},
		"spaces": {` +1.38E+01 ; +1.38E+01 ; "VOLT" ; @` + "\n", "+1.00000000E+02;106\r", probe.Reading{Value: 13.8, FullScale: 100, Digit: 0.1}},
	} {
		t.Run(name, func(t *testing.T) {
			s := script{"*ESE 106;:VOLT:DC:RANG?;*ESE?": c.rangeAnswer}
			for _, tag := range []string{"103", "104", "105"} { // the first number must come three times
				s["*ESE "+tag+";:READ?;:FETC?;:FUNC?;*ESE?"] = strings.ReplaceAll(c.reading, "@", tag)
			}
			for k, v := range common {
				s[k] = v
			}
			m, err := OpenMeter(context.Background(), s.play(t), MeterOptions{UseFunction: true, Options: Options{SetUp: []string{"SYST:REM"}}})
			require.NoError(t, err)
			defer m.Close()
			r := read(t, m, "voltage")
			c.want.Quantity, c.want.Source, c.want.Channel, c.want.At = probe.Voltage, "M-10", "voltage", r.At
			assert.Equal(t, c.want, r)
		})
	}
}

// Answers that are not readings, written down by hand in the plain manner.
func TestMeterRefuses(t *testing.T) {
	for _, c := range []struct {
		answer string
		reason probe.Reason
		detail string
	}{
		{"+9.90000000E+37", probe.Overload, "+9.90000000E+37"},
		{"-9.9E37", probe.Overload, "-9.9E37"},
		{"9.91E37", probe.NotANumber, "9.91E37"},
		{"1E+38", probe.Overload, "1E+38"},
		{"OVLD", probe.BadFrame, `the answer to READ? was "OVLD"`},
		{"+1.2,+1.3", probe.BadFrame, `"+1.2,+1.3"`},
		{"12.6 V", probe.BadFrame, `"12.6 V"`},
		{"+1.3E+04", probe.OutOfRange, "13000 V is outside -1200 to 1200 V"},
	} {
		t.Run(c.answer, func(t *testing.T) {
			s := script{"*IDN?": "HERON,M-10,0,3.2\n", "*CLS": "", "CONF:VOLT:DC": "", "READ?": c.answer + "\n", "FUNC?": "VOLT\n", "SYST:ERR?": "0,\"No error\"\n"}
			m, err := OpenMeter(context.Background(), s.play(t), MeterOptions{NoRange: true, Options: Options{Plain: true}})
			require.NoError(t, err)
			defer m.Close()
			r := refused(t, m, "voltage", c.reason)
			assert.Contains(t, r.Detail, c.detail)
			assert.Equal(t, uint64(1), m.Counters().Refused[c.reason])
			assert.Equal(t, "M-10", r.Source)
		})
	}
}

func TestMeterSpan(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		volts := &leads{value: 16}
		m := openMeter(t, cable, bench.NewMeter(volts.get, bench.MeterOptions{}),
			MeterOptions{Options: Options{Span: probe.Spans{"voltage": {Low: -1, High: 15}}}})
		assert.Contains(t, refused(t, m, "voltage", probe.OutOfRange).Detail, "outside -1 to 15 V")
		volts.set(15)
		assert.Equal(t, 15.0, read(t, m, "voltage").Value)
	})
}

func TestMeterOpenLeads(t *testing.T) {
	onEachCable(t, func(t *testing.T, cable *bench.Cable) {
		ohms := &leads{value: 100}
		m := openMeter(t, cable, bench.NewMeter(ohms.get, bench.MeterOptions{Ohms: ohms.get}), MeterOptions{})
		ohms.lift()
		refused(t, m, "resistance", probe.Overload)
		ohms.set(100)
		assert.Equal(t, 100.0, read(t, m, "resistance").Value)
	})
}

// A hand turns the meter to ohms while volts are read.
func TestMeterNoticesAHandOnItsPanel(t *testing.T) {
	inBothManners(t, func(t *testing.T, plain bool) {
		onEachCable(t, func(t *testing.T, cable *bench.Cable) {
			emulated := bench.NewMeter((&leads{value: 12}).get, bench.MeterOptions{Ohms: (&leads{value: 12.1}).get})
			m := openMeter(t, cable, emulated, MeterOptions{Options: Options{Plain: plain}})
			assert.Equal(t, 12.0, read(t, m, "voltage").Value)
			emulated.Turn("RES")
			r := refused(t, m, "voltage", probe.WrongFunction)
			assert.Contains(t, r.Detail, `RES`)
			assert.Equal(t, 12.0, read(t, m, "voltage").Value, "turned back")
		})
	})
}

func TestMeterReportsInstrumentErrors(t *testing.T) {
	onEachCable(t, func(t *testing.T, cable *bench.Cable) {
		go bench.NewMeter((&leads{}).get, bench.MeterOptions{}).Serve(cable.Device())
		conn, err := cable.Open(port.Mode{})
		require.NoError(t, err)
		_, err = OpenMeter(context.Background(), conn, MeterOptions{Options: Options{SetUp: []string{"VOLT:RANG 5000", "NONSENSE"}}})
		r := refusalOf(t, err, probe.InstrumentErr)
		assert.Equal(t, `setting it up, it reports -222 "Data out of range", -113 "Undefined header"`, r.Detail)
	})
}

// Line ends, echo, noise before the first answer: all are lived with.
func TestMeterLivesWith(t *testing.T) {
	noise := "\x00\xff\x80~~\r\n\x07"
	for name, f := range map[string]bench.Faults{
		"CR": {End: "\r"}, "LF": {End: "\n"}, "CR LF": {End: "\r\n"}, "LF CR": {End: "\n\r"}, "two ends": {End: "\r\n\r\n"},
		"echo": {Echo: true}, "leading noise": {Leading: noise}, "noise that looks like text": {Leading: "ready>"},
		"noise that looks like an identity": {Leading: "A,B,C,D\r\n"}, "noise that looks like a number": {Leading: "+7.7E+00\r\n"},
		"echo and noise": {Echo: true, Leading: noise, End: "\r"},
	} {
		t.Run(name, func(t *testing.T) {
			inBothManners(t, func(t *testing.T, plain bool) {
				onEachCable(t, func(t *testing.T, cable *bench.Cable) {
					volts := &leads{}
					emulated := bench.NewMeter(volts.get, bench.MeterOptions{})
					emulated.SetFaults(f)
					m := openMeter(t, cable, emulated, MeterOptions{Options: Options{Plain: plain}})
					assert.Equal(t, "REEDBED INSTRUMENTS", m.Identity().Maker)
					for i := range 20 {
						volts.set(float64(i))
						require.Equal(t, float64(i), read(t, m, "voltage").Value)
					}
				})
			})
		})
	}
}

func TestNobodyThere(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		conn, err := cable.Open(port.Mode{})
		require.NoError(t, err)
		start := time.Now()
		_, err = OpenMeter(context.Background(), conn, MeterOptions{Options: Options{Name: "meter"}})
		assert.ErrorIs(t, err, probe.ErrSilent)
		assert.EqualError(t, err, "meter on port memory cable: no answer to *IDN? in 3s; check that it is on, "+
			"that the lead is in, and that its menu has this speed, parity and line end")
		assert.Equal(t, 6*time.Second, time.Since(start), "asked twice")
		_, err = conn.Write([]byte("x"))
		assert.ErrorIs(t, err, port.ErrClosed, "the line was given back")
	})
}

func TestSomethingElseIsThere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, talk := range []string{"\x80\x81\xfe\r\n", "login: \n", "a,b\n"} {
			conn := script{"*IDN?": talk}.play(t)
			_, err := OpenMeter(context.Background(), conn, MeterOptions{})
			r := refusalOf(t, err, probe.BadFrame)
			assert.Contains(t, r.Detail, "the answer to *IDN? on port pipe a was "+show(strings.TrimRight(talk, "\r\n")))
			assert.Contains(t, r.Do, "speed and parity")
		}
		_, err := OpenMeter(context.Background(), script{}.play(t), MeterOptions{Options: Options{Terminator: "\t"}})
		assert.ErrorContains(t, err, "neither LF nor CR LF")
	})
}

// An instrument without an error queue, or that can't take joined commands, is
// told from a dead one by what the error says to do.
func TestLesserInstruments(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		base := script{"*IDN?": "HERON,M-1,0,1\n", "*CLS": "", "SYST:ERR?": "", "CONF:VOLT:DC": "", "READ?": "1.5\n", "*ESE 101;:SYST:ERR?;*ESE?": "ERR\n"}
		_, err := OpenMeter(context.Background(), base.play(t), MeterOptions{})
		assert.Contains(t, refusalOf(t, err, probe.BadFrame).Do, "plain")
		_, err = OpenMeter(context.Background(), base.play(t), MeterOptions{Options: Options{Plain: true}})
		assert.ErrorIs(t, err, probe.ErrSilent)
		assert.ErrorContains(t, err, "SYST:ERR?")

		m, err := OpenMeter(context.Background(), base.play(t), MeterOptions{NoFunction: true, NoRange: true, Options: Options{Plain: true, NoErrorQueue: true}})
		require.NoError(t, err)
		defer m.Close()
		r := read(t, m, "voltage")
		assert.Equal(t, 1.5, r.Value)
		assert.Zero(t, r.FullScale)
	})
}

func TestMeterGoesSilentAndComesBack(t *testing.T) {
	inBothManners(t, func(t *testing.T, plain bool) {
		inMemory(t, func(t *testing.T, cable *bench.Cable) {
			volts := &leads{value: 1}
			emulated := bench.NewMeter(volts.get, bench.MeterOptions{})
			m := openMeter(t, cable, emulated, MeterOptions{Options: Options{Plain: plain, Timeout: soon}})
			read(t, m, "voltage")
			emulated.SetFaults(bench.Faults{Silent: true})
			for range 3 {
				_, err := m.Read(context.Background(), "voltage")
				assert.ErrorIs(t, err, probe.ErrSilent)
			}
			assert.Equal(t, uint64(3), m.Counters().Silences)
			emulated.SetFaults(bench.Faults{})
			volts.set(2)
			assert.Equal(t, 2.0, read(t, m, "voltage").Value)
		})
	})
}

// The heart of it: answers that come after the wait are never taken for the
// next ones. The value says which query it belongs to: it is set anew before each.
func TestALateAnswerIsNeverTakenForTheNext(t *testing.T) {
	inBothManners(t, func(t *testing.T, plain bool) {
		for _, late := range []time.Duration{soon / 2, soon - 1, soon, soon + 1, soon + soon/2, 2 * soon, 7 * soon} {
			t.Run(late.String(), func(t *testing.T) {
				inMemory(t, func(t *testing.T, cable *bench.Cable) {
					volts := &leads{}
					emulated := bench.NewMeter(volts.get, bench.MeterOptions{})
					m := openMeter(t, cable, emulated, MeterOptions{Options: Options{Plain: plain, Timeout: soon}})
					good := 0
					for i := range 60 {
						volts.set(float64(i))
						f := bench.Faults{}
						if i%3 == 1 {
							f.Late = late
						}
						emulated.SetFaults(f)
						r, err := m.Read(context.Background(), "voltage")
						if err != nil {
							var refusal *probe.Refusal
							require.True(t, errors.Is(err, probe.ErrSilent) || errors.As(err, &refusal), err)
							continue
						}
						require.Equal(t, float64(i), r.Value)
						good++
					}
					emulated.SetFaults(bench.Faults{})
					time.Sleep(time.Minute) // on the test's clock: everything late has come
					volts.set(777)
					require.Equal(t, 777.0, read(t, m, "voltage").Value)
					assert.NotZero(t, good)
				})
			})
		}
	})
}

func TestAnAnswerSentTwiceIsTakenOnce(t *testing.T) {
	onEachCable(t, func(t *testing.T, cable *bench.Cable) {
		volts := &leads{}
		emulated := bench.NewMeter(volts.get, bench.MeterOptions{})
		m := openMeter(t, cable, emulated, MeterOptions{})
		emulated.SetFaults(bench.Faults{Twice: true})
		for i := range 200 {
			volts.set(float64(i))
			require.Equal(t, float64(i), read(t, m, "voltage").Value)
		}
	})
}

func TestAReadThatIsCalledOff(t *testing.T) {
	inBothManners(t, func(t *testing.T, plain bool) {
		inMemory(t, func(t *testing.T, cable *bench.Cable) {
			volts := &leads{}
			emulated := bench.NewMeter(volts.get, bench.MeterOptions{Integration: 20 * time.Millisecond})
			m := openMeter(t, cable, emulated, MeterOptions{Options: Options{Plain: plain}})
			for i := range 100 {
				volts.set(float64(i))
				ctx, cancel := context.WithTimeout(context.Background(), time.Duration(i)*time.Millisecond)
				r, err := m.Read(ctx, "voltage")
				if cancel(); err != nil {
					require.ErrorIs(t, err, context.DeadlineExceeded)
				} else {
					require.Equal(t, float64(i), r.Value)
				}
			}
			volts.set(777)
			assert.Equal(t, 777.0, read(t, m, "voltage").Value)
			_, err := m.Read(ended(), "voltage")
			assert.ErrorContains(t, err, "the builder let go")
		})
	})
}

// Lines that lose characters: a value that comes through is one that stood at
// the leads. The plain manner catches this by the shape of numbers.
func TestLostCharactersNeverMakeAValue(t *testing.T) {
	inBothManners(t, func(t *testing.T, plain bool) {
		inMemory(t, func(t *testing.T, cable *bench.Cable) {
			volts := &leads{value: 12.345678}
			emulated := bench.NewMeter(volts.get, bench.MeterOptions{Seed: 5, Counts: 100_000_000})
			m := openMeter(t, cable, emulated, MeterOptions{Options: Options{Plain: plain, Timeout: soon}})
			read(t, m, "voltage")
			emulated.SetFaults(bench.Faults{Drop: 0.01})
			good, bad := 0, 0
			for i := range 3000 {
				want := 12.345678 + float64(i)/1000
				volts.set(want)
				r, err := m.Read(context.Background(), "voltage")
				if err != nil {
					bad++
					continue
				}
				require.InDelta(t, want, r.Value, 1e-6)
				good++
			}
			assert.Greater(t, good, 1000)
			assert.Greater(t, bad, 100, "the fault was there")
		})
	})
}

// Lines that change digits: the result is sent twice.
func TestChangedDigitsNeverMakeAValue(t *testing.T) {
	inMemory(t, func(t *testing.T, cable *bench.Cable) {
		emulated := bench.NewMeter((&leads{value: 12.345678}).get, bench.MeterOptions{Seed: 6, Counts: 100_000_000})
		m := openMeter(t, cable, emulated, MeterOptions{Options: Options{Timeout: soon}})
		read(t, m, "voltage")
		emulated.SetFaults(bench.Faults{Alter: 0.003})
		good, bad := 0, 0
		for range 2000 {
			r, err := m.Read(context.Background(), "voltage")
			if err != nil {
				bad++
				continue
			}
			require.InDelta(t, 12.345678, r.Value, 1e-6)
			good++
		}
		assert.Greater(t, good, 500)
		assert.Greater(t, bad, 100, "the fault was there")
	})
}

// An instrument whose numbers keep changing their length, plain.
func TestPlainNumbersOfAnyLength(t *testing.T) {
	shapes := []string{"1.5", "1.52", "1.523", "1.5235", "1.52351", "1.523512", "1.5235121"}
	w := &watch{}
	i := 0
	take := func() (number, time.Time, error) {
		n, err := parseNumber(shapes[i%len(shapes)])
		i++
		return n, time.Time{}, err
	}
	_, _, ok, err := w.settled(take)
	assert.NoError(t, err)
	assert.False(t, ok)
	shapes = []string{"9.99", "9.99", "9.99"}
	_, _, ok, _ = w.settled(take)
	assert.True(t, ok)
	shapes = []string{"10.00", "9.99"}
	for range 20 {
		n, _, ok, _ := w.settled(take)
		assert.True(t, ok, "about a whole digit more or less")
		assert.Contains(t, []float64{9.99, 10}, n.value)
	}
}

func TestMeterUnplugged(t *testing.T) {
	inBothManners(t, func(t *testing.T, plain bool) {
		onEachCable(t, func(t *testing.T, cable *bench.Cable) {
			emulated := bench.NewMeter((&leads{}).get, bench.MeterOptions{})
			m := openMeter(t, cable, emulated, MeterOptions{Options: Options{Plain: plain}})
			read(t, m, "voltage")
			emulated.SetFaults(bench.Faults{Silent: true})
			failed := make(chan error)
			go func() {
				_, err := m.Read(context.Background(), "voltage")
				failed <- err
			}()
			cable.Unplug()
			err := <-failed
			assert.ErrorIs(t, err, probe.ErrGone)
			assert.NotErrorIs(t, err, port.ErrClosed)
			_, err = m.Read(context.Background(), "voltage")
			assert.ErrorIs(t, err, probe.ErrGone)
			assert.NoError(t, m.Close())
			assert.NoError(t, m.Close())
		})
	})
}

func TestMeterClosed(t *testing.T) {
	onEachCable(t, func(t *testing.T, cable *bench.Cable) {
		m := openMeter(t, cable, bench.NewMeter((&leads{}).get, bench.MeterOptions{}), MeterOptions{})
		require.NoError(t, m.Close())
		_, err := m.Read(context.Background(), "voltage")
		assert.ErrorIs(t, err, port.ErrClosed)
	})
}

// Pulled and plugged in again, over and over; TestMain sees what leaks.
func TestMeterPlugCycles(t *testing.T) {
	volts := &leads{}
	emulated := bench.NewMeter(volts.get, bench.MeterOptions{})
	for i := range 200 {
		cable, err := bench.NewCable()
		require.NoError(t, err)
		served := make(chan error, 1)
		go func() { served <- emulated.Serve(cable.Device()) }()
		conn, err := cable.Open(port.Mode{})
		require.NoError(t, err)
		m, err := OpenMeter(context.Background(), conn, MeterOptions{})
		require.NoError(t, err)
		volts.set(float64(i))
		require.Equal(t, float64(i), read(t, m, "voltage").Value)
		cable.Unplug()
		require.NoError(t, <-served)
		_, err = m.Read(context.Background(), "voltage")
		require.ErrorIs(t, err, probe.ErrGone)
		require.NoError(t, m.Close())
	}
}

// A long run of faults of every kind, changed at each step. Whatever comes as
// a reading is the value that stood at the leads then.
func TestTorture(t *testing.T) {
	faults := []bench.Faults{
		{},
		{},
		{Echo: true},
		{Late: soon / 3},
		{Late: 3 * soon},
		{Silent: true},
		{Leading: "\x00~\r\n+5.5E+00\r\n"},
		{Instead: "+6.6E+00"},
		{Twice: true},
		{Drop: 0.02},
		{End: "\r"},
		{Leading: "9.9"},
		{Instead: `+1.0E+00;+1.0E+00;"VOLT";150`},
	}
	for seed := range 20 {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			inMemory(t, func(t *testing.T, cable *bench.Cable) {
				volts := &leads{}
				emulated := bench.NewMeter(volts.get, bench.MeterOptions{Seed: uint64(seed), Integration: time.Millisecond})
				m := openMeter(t, cable, emulated, MeterOptions{Options: Options{Timeout: soon}})
				random := rand.New(rand.NewPCG(uint64(seed), 1))
				good := 0
				for i := range 200 {
					volts.set(100 + float64(i))
					emulated.SetFaults(faults[random.IntN(len(faults))])
					r, err := m.Read(context.Background(), "voltage")
					if err == nil {
						require.InDelta(t, 100+float64(i), r.Value, 1e-3)
						good++
					}
				}
				assert.Greater(t, good, 20)
				emulated.SetFaults(bench.Faults{})
				time.Sleep(time.Minute) // on the test's clock
				volts.set(777)
				m.Read(context.Background(), "voltage") // may still report what went wrong
				assert.Equal(t, 777.0, read(t, m, "voltage").Value)
			})
		})
	}
}

// From the last byte sent by the instrument to the reading, over a
// pseudo-terminal; the whole of a Read beside it.
func BenchmarkRead(b *testing.B) {
	for name, plain := range map[string]bool{"joined": false, "plain": true} {
		b.Run(name, func(b *testing.B) {
			cable, err := bench.NewCable()
			require.NoError(b, err)
			defer cable.Close()
			m := openMeter(b, cable, bench.NewMeter((&leads{value: 12.6}).get, bench.MeterOptions{}), MeterOptions{Options: Options{Plain: plain}})
			defer m.Close()
			read(b, m, "voltage")
			var took []time.Duration
			b.ReportAllocs()
			for b.Loop() {
				start := time.Now()
				if _, err := m.Read(context.Background(), "voltage"); err != nil {
					b.Fatal(err)
				}
				took = append(took, time.Since(start))
			}
			reportQuantiles(b, took)
		})
	}
}

func reportQuantiles(b *testing.B, took []time.Duration) {
	slices.Sort(took)
	at := func(q float64) float64 {
		return float64(took[int(math.Min(q*float64(len(took)), float64(len(took)-1)))].Nanoseconds()) / 1000
	}
	b.ReportMetric(at(0.5), "p50-µs")
	b.ReportMetric(at(0.99), "p99-µs")
}

// BenchmarkLastByteToReading stamps the moment before the instrument writes
// its whole answer.
func BenchmarkLastByteToReading(b *testing.B) {
	cable, err := bench.NewCable()
	require.NoError(b, err)
	defer cable.Close()
	stamped := &stampingDevice{cable: cable}
	go bench.NewMeter((&leads{value: 12.6}).get, bench.MeterOptions{}).Serve(stamped)
	conn, err := cable.Open(port.Mode{})
	require.NoError(b, err)
	m, err := OpenMeter(context.Background(), conn, MeterOptions{})
	require.NoError(b, err)
	defer m.Close()
	read(b, m, "voltage")
	var took []time.Duration
	b.ReportAllocs()
	for b.Loop() {
		if _, err := m.Read(context.Background(), "voltage"); err != nil {
			b.Fatal(err)
		}
		took = append(took, time.Duration(time.Now().UnixNano()-stamped.sent.Load()))
	}
	reportQuantiles(b, took)
}
