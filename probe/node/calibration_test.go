package node_test

import (
	"errors"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/node"
	"loomproof/probe/port"
)

var saturday = time.Date(2026, 11, 21, 0, 0, 0, 0, time.UTC)

// session opens a node on a board that outlives it.
func session(t *testing.T, b *bench.Node, cfg node.Config, use func(n *node.Node)) {
	t.Helper()
	far, near := port.Pipe()
	end := make(chan error)
	go func() { end <- b.Serve(far) }()
	n, err := node.Open(t.Context(), near, cfg)
	require.NoError(t, err)
	use(n)
	require.NoError(t, n.Close())
	require.NoError(t, <-end)
}

// read takes a reading. An emulated chip on a busy computer may need another try.
func read(t *testing.T, n *node.Node, channel string) probe.Reading {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); ; {
		r, err := n.Read(t.Context(), channel)
		var refused *probe.Refusal
		if late := errors.As(err, &refused) && refused.Reason == probe.Stale || errors.Is(err, probe.ErrSilent); late && time.Now().Before(deadline) {
			continue
		}
		require.NoError(t, err)
		return r
	}
}

func TestACalibrationIsInForceFromTheNextOpenOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p pins
		p.set(0, 3)
		p.set(5, 2)
		b := bench.NewNode(p.at, exact)
		cal := node.Calibration{Gain: 1.02, Offset: -0.05, GainU: 0.001, OffsetU: 0.01, Correlation: -0.9, Date: saturday, Reference: "bench meter MH-7"}
		var before, current probe.Reading
		session(t, b, twoBuses(), func(n *node.Node) {
			before, current = read(t, n, "main bus"), read(t, n, "alternator")
			assert.Equal(t, node.CalibrationNone, n.Calibrations()[0].Status)
			assert.Empty(t, n.Warnings())
			require.NoError(t, n.StoreCalibration(t.Context(), "main bus", cal))
			assert.Equal(t, before.Value, read(t, n, "main bus").Value, "what runs keeps its scale")
			assert.True(t, n.Identity().Calibrated.IsZero())
		})
		session(t, b, twoBuses(), func(n *node.Node) {
			r := read(t, n, "main bus")
			assert.InDelta(t, 1.02*before.Value-0.05, r.Value, 1e-6)
			// JCGM 100:2008, 5.2.2, on Gain × x + Offset.
			x := before.Value
			u := math.Sqrt(x*x*0.001*0.001 + 0.01*0.01 - 2*0.9*x*0.001*0.01)
			assert.InDelta(t, math.Sqrt(3)*u, r.Accuracy.OfRange*r.FullScale, 1e-6)
			assert.Equal(t, 0.002, r.Accuracy.OfReading)
			assert.Equal(t, 1.0, r.Accuracy.Digits)
			assert.Equal(t, current.Value, read(t, n, "alternator").Value)
			s := n.Calibrations()
			assert.Equal(t, node.CalibrationUsed, s[0].Status)
			assert.Equal(t, "bench meter MH-7", s[0].Record.Reference)
			assert.Equal(t, saturday, s[0].Record.Day)
			assert.InDelta(t, 1.02*4, s[0].Scale, 1e-6)
			assert.Equal(t, node.CalibrationNone, s[1].Status)
			assert.True(t, n.Identity().Calibrated.IsZero(), "one channel is not")
			cal.Reference, cal.Date = "shunt MH-9", saturday.AddDate(0, 0, -3)
			require.NoError(t, n.StoreCalibration(t.Context(), "alternator", cal))
		})
		session(t, b, twoBuses(), func(n *node.Node) {
			// The alternator's scale runs downwards from 50 A, and is composed likewise.
			assert.InDelta(t, 1.02*current.Value-0.05, read(t, n, "alternator").Value, 1e-5)
			assert.Equal(t, saturday.AddDate(0, 0, -3), n.Identity().Calibrated, "the older")
			assert.Equal(t, "bench meter MH-7, shunt MH-9", n.Identity().Certificate)
			// A calibration of what is calibrated composes again.
			cal.Gain, cal.Offset = 0.99, 0.02
			require.NoError(t, n.StoreCalibration(t.Context(), "main bus", cal))
		})
		session(t, b, twoBuses(), func(n *node.Node) {
			assert.InDelta(t, 0.99*(1.02*before.Value-0.05)+0.02, read(t, n, "main bus").Value, 1e-5)
			require.NoError(t, n.EraseCalibration(t.Context(), "main bus"))
		})
		session(t, b, twoBuses(), func(n *node.Node) {
			assert.Equal(t, before.Value, read(t, n, "main bus").Value)
		})
	})
}

// A limit in volts follows the calibrated scale.
func TestALimitFollowsTheCalibration(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p pins
		p.set(0, 14.5/4)
		b := bench.NewNode(p.at, exact)
		session(t, b, twoBuses(), func(n *node.Node) {
			require.NoError(t, n.StoreCalibration(t.Context(), "main bus", node.Calibration{Gain: 1.05, Date: saturday, Reference: "meter"}))
		})
		session(t, b, twoBuses(), func(n *node.Node) {
			require.NoError(t, n.SetLimit(t.Context(), "main bus", 11, 15)) // 14.5 V nominal is 15.2 V
			time.Sleep(50 * time.Millisecond)
			assert.Error(t, n.Restore(t.Context()))
		})
	})
}

func TestACalibrationThatCannotBeIsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := bench.NewNode((&pins{}).at, exact)
		session(t, b, twoBuses(), func(n *node.Node) {
			good := node.Calibration{Gain: 1, Date: saturday, Reference: "meter"}
			for name, tt := range map[string]struct {
				channel string
				change  func(c *node.Calibration)
				want    string
			}{
				"no channel":     {"strobe", func(*node.Calibration) {}, `node node: no channel "strobe"; it has main bus, alternator`},
				"a gain far off": {"main bus", func(c *node.Calibration) { c.Gain = 4 }, `node node: calibration of "main bus": gain 4 is outside 0.9 to 1.1; check the wiring, the divider and the scale first`},
				"no gain":        {"main bus", func(c *node.Calibration) { c.Gain = math.NaN() }, `node node: calibration of "main bus": gain NaN is outside 0.9 to 1.1; check the wiring, the divider and the scale first`},
				"an offset far off": {
					"main bus", func(c *node.Calibration) { c.Offset = 3 },
					`node node: calibration of "main bus": its offset 3 V is far off the 0 that was named; check the wiring, the divider and the scale first`,
				},
				"an uncertainty below zero": {"main bus", func(c *node.Calibration) { c.GainU = -1 }, `node node: calibration of "main bus": offset 0 and uncertainties -1 and 0 must be numbers, the uncertainties at least 0`},
				"no reference":              {"main bus", func(c *node.Calibration) { c.Reference = "" }, `node node: calibration of "main bus": reference "" must have 1 to 28 bytes`},
				"a long reference":          {"main bus", func(c *node.Calibration) { c.Reference = "the meter that hangs at the door" }, `node node: calibration of "main bus": reference "the meter that hangs at the door" must have 1 to 28 bytes`},
				"a day long ago":            {"main bus", func(c *node.Calibration) { c.Date = saturday.AddDate(-40, 0, 0) }, `node node: calibration of "main bus": day 1986-11-21 is outside 2000-01-01 to 2179-06-06`},
			} {
				c := good
				tt.change(&c)
				assert.EqualError(t, n.StoreCalibration(t.Context(), tt.channel, c), tt.want, name)
			}
		})
	})
}

// The real firmware's EEPROM, byte by byte: whichever byte is changed, the
// calibration is not used, and that is said.
func TestADamagedCalibrationIsToldAndNotUsed(t *testing.T) {
	cfg := twoBuses()
	cfg.Window = 10 * time.Millisecond
	b, conn, n := openBoard(t, cfg)
	again := func() *node.Node {
		require.NoError(t, n.Close())
		conn, err := port.Open(b.Port(), node.Line)
		require.NoError(t, err)
		n, err = node.Open(t.Context(), conn, cfg)
		require.NoError(t, err)
		return n
	}
	_ = conn
	b.SetVolts(0, 3)
	b.SetVolts(5, 2)
	nominal := read(t, n, "main bus")
	cal := node.Calibration{Gain: 1.03, Date: saturday, Reference: "bench meter MH-7"}
	require.NoError(t, n.StoreCalibration(t.Context(), "main bus", cal))
	n = again()
	good := read(t, n, "main bus")
	require.InDelta(t, 1.03*nominal.Value, good.Value, 1e-6)
	raw := n.Calibrations()[0].Record.Append(nil)
	for at := range raw {
		for _, to := range []byte{raw[at] ^ 0x10, 0xFF, 0x00} {
			if to == raw[at] {
				continue
			}
			b.Poke(16+at, to)
			n = again()
			s := n.Calibrations()[0]
			require.NotEqual(t, node.CalibrationUsed, s.Status, "byte %d is %#x", at, to)
			require.NotEmpty(t, n.Warnings(), "byte %d is %#x", at, to)
			if at%8 == 0 {
				r := read(t, n, "main bus")
				assert.Equal(t, nominal.Value, r.Value)
				assert.Equal(t, probe.Accuracy{OfReading: 0.07, Digits: 2}, r.Accuracy, "wide")
			}
			if at == 0 {
				assert.Equal(t, `node node: the calibration of "main bus" on the board is damaged, its checksum is wrong: it is not used, and readings count as ±7 % at best; calibrate the channel anew, or erase it`, n.Warnings()[0])
				assert.Equal(t, uint64(1), n.Counters().Refused[probe.BadChecksum])
			}
		}
		b.Poke(16+at, raw[at])
		if at%16 != 0 {
			continue
		}
		n = again()
		require.Equal(t, node.CalibrationUsed, n.Calibrations()[0].Status)
		assert.Equal(t, good.Value, read(t, n, "main bus").Value)
	}
	require.NoError(t, n.Close())
}

// Writing takes the board a fifth of a second on a chip; nothing stops meanwhile.
func TestWritingACalibrationDisturbsNothing(t *testing.T) {
	b, _, n := openBoard(t, allPins(1000, 1))
	for pin := range 8 {
		b.SetVolts(pin, 2)
	}
	require.NoError(t, n.Restore(t.Context()))
	for pin := range 8 {
		require.NoError(t, n.StoreCalibration(t.Context(), allPins(1, 1).Channels[pin].Name, node.Calibration{Gain: 1, Date: saturday, Reference: "meter"}))
	}
	assert.Zero(t, n.Counters().Lost)
	assert.False(t, b.Cut())
	assert.Less(t, b.Stat().InterruptsOff, uint64(30*ms/1000))
}

func TestACalibrationOfAnotherInputIsNotUsed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := bench.NewNode((&pins{}).at, exact)
		session(t, b, twoBuses(), func(n *node.Node) {
			require.NoError(t, n.StoreCalibration(t.Context(), "main bus", node.Calibration{Gain: 1.03, Date: saturday, Reference: "meter"}))
		})
		for _, tt := range []struct {
			change func(c *node.Config)
			want   string
		}{
			{func(c *node.Config) { c.Channels[0].Scale = 8 }, "its scale 4.12 is 48.5 % off the 8 that was named"},
			{func(c *node.Config) { c.Channels[0].Quantity = probe.Current }, "it is of voltage, the channel reads current"},
			{func(c *node.Config) { c.Channels[0].Offset = -3 }, "its offset 0 V is far off the -3 that was named"},
		} {
			cfg := twoBuses()
			tt.change(&cfg)
			session(t, b, cfg, func(n *node.Node) {
				assert.Equal(t, node.CalibrationForeign, n.Calibrations()[0].Status)
				assert.Contains(t, n.Warnings()[0], tt.want)
				assert.Equal(t, cfg.Channels[0].Scale, n.Calibrations()[0].Scale)
			})
		}
	})
}

// Firmware 1.0 says hello in 26 bytes and knows nothing of all this.
func TestAnOldBoardIsReadAsBefore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p pins
		p.set(0, 2)
		p.set(5, 2)
		_, w := served(t, &p, exact)
		var d node.Decoder
		w.in = func(b []byte) []byte {
			var out []byte
			for len(b) > 0 {
				var f node.Frame
				f, b, _ = d.Next(b)
				if f.Type == node.HelloMessage {
					f.Body = f.Body[:26]
				}
				if f.Type != 0 {
					out = node.AppendFrame(out, f.Type, f.Body...)
				}
			}
			return append([]byte{0}, out...)
		}
		n := open(t, w, twoBuses())
		read(t, n, "main bus")
		assert.Equal(t, node.CalibrationUnsupported, n.Calibrations()[0].Status)
		assert.Empty(t, n.Warnings())
		assert.EqualError(t, n.StoreCalibration(t.Context(), "main bus", node.Calibration{}),
			"node: refused, instrument error: its firmware keeps no calibration; put the firmware of this program on the board")
	})
}
