package bench_test

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/node"
	"loomproof/probe/node/board"
	"loomproof/probe/port"
)

// A rig is a board under test: the firmware on an emulated chip, or the one in Go.
type rig struct {
	conn     port.Conn
	setVolts func(channel int, volts float64)
	cut      func() bool
	reset    func()
}

func firmwareRig(t *testing.T) rig {
	b := board.Start(t)
	conn, err := port.Open(b.Port(), node.Line)
	require.NoError(t, err)
	return rig{conn, b.SetVolts, b.Cut, b.Reset}
}

// goRig quantises as the chip does: without noise.
func goRig(t *testing.T) rig {
	var mu sync.Mutex
	var volts [8]float64
	b := bench.NewNode(func(channel int) float64 {
		mu.Lock()
		defer mu.Unlock()
		return volts[channel]
	}, bench.NodeOptions{Noise: -1})
	far, near := port.Pipe()
	served := make(chan error)
	go func() { served <- b.Serve(far) }()
	t.Cleanup(func() {
		near.Close()
		assert.NoError(t, <-served)
	})
	return rig{near, func(channel int, v float64) {
		mu.Lock()
		defer mu.Unlock()
		volts[channel] = v
	}, b.Cut, b.Reset}
}

// A host is the bare other side: it sends frames and looks at what comes.
type host struct {
	rig
	t      *testing.T
	frames chan node.Frame

	calibration []byte // the last that came
}

func newHost(t *testing.T, r rig) *host {
	h := &host{rig: r, t: t, frames: make(chan node.Frame, 4096)}
	go func() {
		defer close(h.frames)
		var d node.Decoder
		buf := make([]byte, 4096)
		for {
			n, err := r.conn.Read(buf)
			if err != nil {
				return
			}
			for p := buf[:n]; len(p) > 0; {
				var f node.Frame
				f, p, _ = d.Next(p)
				if f.Type != 0 {
					h.frames <- node.Frame{Type: f.Type, Body: append([]byte(nil), f.Body...)}
				}
			}
		}
	}()
	t.Cleanup(func() {
		r.conn.Close()
		for range h.frames {
		}
	})
	h.greet()
	return h
}

// greet repeats its request: a board that is just starting does not hear.
func (h *host) greet() {
	h.t.Helper()
	for range 80 {
		h.send(node.HelloRequest)
		for again := time.After(250 * time.Millisecond); again != nil; {
			select {
			case f := <-h.frames:
				if f.Type == node.HelloMessage && f.Body[3] == 0 {
					return
				}
			case <-again:
				again = nil
			}
		}
	}
	h.t.Fatal("no hello")
}

func (h *host) send(t node.Type, body ...byte) {
	h.t.Helper()
	h.raw(node.AppendFrame(nil, t, body...))
}

func (h *host) raw(p []byte) {
	h.t.Helper()
	_, err := h.conn.Write(p)
	require.NoError(h.t, err)
}

// await takes frames until one of this type fits.
func (h *host) await(want node.Type, fits func(body []byte) bool) []byte {
	h.t.Helper()
	limit := time.After(20 * time.Second)
	for {
		select {
		case f, ok := <-h.frames:
			require.True(h.t, ok, "the line closed")
			if f.Type == node.CalibrationMessage {
				h.calibration = f.Body
			}
			if f.Type == want && (fits == nil || fits(f.Body)) {
				return f.Body
			}
		case <-limit:
			h.t.Fatalf("no frame %#02x as wanted", uint8(want))
		}
	}
}

// order sends a command and returns its note.
func (h *host) order(t node.Type, body ...byte) node.Note {
	h.t.Helper()
	h.send(t, body...)
	note, err := node.ParseNote(h.await(node.NoteMessage, func(b []byte) bool { return b[0] == byte(t) }))
	require.NoError(h.t, err)
	return note
}

// keepTalking feeds the board's watchdog until the returned function is called.
func (h *host) keepTalking() (stop func()) {
	quit := make(chan struct{})
	var talking sync.WaitGroup
	talking.Go(func() {
		tick := time.NewTicker(50 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				h.conn.Write(node.AppendFrame(nil, node.KeepAlive, 0))
			case <-quit:
				return
			}
		}
	})
	return func() { close(quit); talking.Wait() }
}

func (h *host) state(on bool, why node.Why) node.State {
	h.t.Helper()
	s, err := node.ParseState(h.await(node.StateMessage, func(b []byte) bool { return (b[0] == 1) == on && node.Why(b[1]) == why }))
	require.NoError(h.t, err)
	return s
}

func (h *host) samples() node.Samples {
	h.t.Helper()
	s, err := node.ParseSamples(h.await(node.SamplesMessage, nil))
	require.NoError(h.t, err)
	return s
}

func start(mask, shift uint8, period uint32) []byte {
	return node.Start{Mask: mask, Shift: shift, Period: period}.Append(nil)
}

func limit(channel uint8, low, high uint16) []byte {
	return node.Limit{Channel: channel, Low: low, High: high}.Append(nil)
}

// midCode is the voltage in the middle of a code.
func midCode(code int) float64 { return (float64(code) + 0.5) * 5 / 1024 }

// What PROTOCOL.md promises of any board.
var promises = []struct {
	name string
	test func(t *testing.T, h *host)
}{
	{"hello tells what the board is", func(t *testing.T, h *host) {
		h.send(node.HelloRequest)
		got, err := node.ParseHello(h.await(node.HelloMessage, nil))
		require.NoError(t, err)
		got.Clock = 0 // it runs
		assert.Equal(t, node.Hello{
			Protocol: 1, Major: 1, Minor: 1, ID: node.NoID, Channels: 8, Bits: 10, ReferenceMV: 5000, TickHz: 2_000_000,
			ShortestTicks: 240, LongestTicks: 20000, HostSilenceMS: 500,
			KeepsCalibration: true, MonitorBusUV: 1250, MonitorShuntNV: 2500,
		}, got)
	}},
	{"samples follow the pins, to the code", func(t *testing.T, h *host) {
		for pin := range 8 {
			h.setVolts(pin, midCode(100+pin*117))
		}
		require.Equal(t, node.Done, h.order(node.StartCommand, start(0xFF, 0, 8*250)...).Code)
		s := h.samples()
		require.Equal(t, 8, s.Channels())
		for pin := range 8 {
			for scan := range int(s.Scans) {
				assert.Equal(t, uint16(100+pin*117), s.Sum(scan*8+pin))
			}
		}
	}},
	{"codes at both ends and at each edge", func(t *testing.T, h *host) {
		for _, tt := range []struct {
			volts float64
			code  uint16
		}{{0, 0}, {-1, 0}, {5, 1023}, {7, 1023}, {4.9999, 1023}, {2.5, 512}, {2.4999, 511}, {12.6 / 4, 645}} {
			h.setVolts(3, tt.volts)
			require.Equal(t, node.Done, h.order(node.StartCommand, start(1<<3, 0, 1000)...).Code)
			s := h.samples()
			assert.Equal(t, tt.code, s.Sum(s.Len()-1), "%v V", tt.volts)
		}
	}},
	{"a mask picks channels, lowest first", func(t *testing.T, h *host) {
		for pin := range 8 {
			h.setVolts(pin, midCode(10*pin+10))
		}
		require.Equal(t, node.Done, h.order(node.StartCommand, start(0b1010_0100, 0, 3000)...).Code)
		s := h.samples()
		require.Equal(t, uint8(0b1010_0100), s.Mask)
		assert.Equal(t, []uint16{30, 60, 80}, []uint16{s.Sum(0), s.Sum(1), s.Sum(2)})
	}},
	{"oversampling sums, up to 64", func(t *testing.T, h *host) {
		h.setVolts(0, midCode(1023))
		h.setVolts(1, midCode(7))
		for shift := range uint8(7) {
			period := 2 * 240 << shift
			require.Equal(t, node.Done, h.order(node.StartCommand, start(3, shift, uint32(period))...).Code)
			s := h.samples()
			assert.Equal(t, shift, s.Shift)
			assert.Equal(t, uint32(period), s.Period)
			assert.Equal(t, []uint16{1023 << shift, 7 << shift}, []uint16{s.Sum(0), s.Sum(1)})
		}
	}},
	{"scans are numbered from 0, without a gap, at the period", func(t *testing.T, h *host) {
		stop := h.keepTalking()
		defer stop()
		require.Equal(t, node.Done, h.order(node.StartCommand, start(0x0F, 0, 1000)...).Code)
		first := h.samples()
		require.Zero(t, first.First)
		next, clock := uint32(first.Scans), first.Clock
		for next < 4000 {
			s := h.samples()
			require.Equal(t, next, s.First)
			require.Equal(t, clock+next*1000, s.Clock, "scan %d", s.First)
			next += uint32(s.Scans)
		}
	}},
	{"a block holds 20 ms, at most 116 samples, and at least one scan", func(t *testing.T, h *host) {
		for _, tt := range []struct {
			mask   uint8
			period uint32
			scans  uint8
		}{{1, 240, 116}, {1, 2000, 20}, {0x0F, 1000, 29}, {0xFF, 2000, 14}, {1, 20000, 2}, {0xFF, 160000, 1}} {
			require.Equal(t, node.Done, h.order(node.StartCommand, start(tt.mask, 0, tt.period)...).Code)
			assert.Equal(t, tt.scans, h.samples().Scans, "%+v", tt)
		}
	}},
	{"a block is as short as the host asks, and never longer than 20 ms", func(t *testing.T, h *host) {
		for _, tt := range []struct {
			mask   uint8
			period uint32
			ms     uint8
			scans  uint8
		}{{1, 240, 5, 41}, {1, 2000, 1, 1}, {0xFF, 2000, 5, 5}, {1, 20000, 5, 1}, {1, 2000, 0, 20}, {1, 2000, 200, 20}} {
			require.Equal(t, node.Done, h.order(node.StartCommand, node.Start{Mask: tt.mask, Period: tt.period, BlockMS: tt.ms}.Append(nil)...).Code)
			assert.Equal(t, tt.scans, h.samples().Scans, "%+v", tt)
		}
	}},
	{"a calibration is kept over a reset, byte by byte", func(t *testing.T, h *host) {
		record := node.Record{
			Pin: 3, Quantity: probe.Current, Scale: -20.125, Offset: 50.5, ScaleU: 0.01, OffsetU: 0.02, Correlation: -0.75,
			Day: time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC), Reference: "bench meter MH-7",
		}.Append(nil)
		read := func(slot byte) []byte {
			require.Equal(t, node.Done, h.order(node.ReadCalibration, slot).Code)
			return h.calibration
		}
		empty := append([]byte{3}, bytes.Repeat([]byte{0xFF}, 56)...)
		assert.Equal(t, empty, read(3))
		require.Equal(t, node.Done, h.order(node.WriteCalibration, record...).Code)
		assert.Equal(t, append([]byte{3}, record...), read(3))
		h.reset()
		h.await(node.HelloMessage, nil)
		assert.Equal(t, append([]byte{3}, record...), read(3))
		assert.Equal(t, append([]byte{4}, empty[1:]...), read(4), "and no other is touched")
		erase := bytes.Repeat([]byte{0xFF}, 56)
		erase[1] = 3
		require.Equal(t, node.Done, h.order(node.WriteCalibration, erase...).Code)
		assert.Equal(t, append([]byte{3}, erase...), read(3))
	}},
	{"the period is shortened to whole ticks between conversions", func(t *testing.T, h *host) {
		require.Equal(t, node.Done, h.order(node.StartCommand, start(0b111, 0, 1000)...).Code)
		assert.Equal(t, uint32(999), h.samples().Period)
	}},
	{"a stream stops", func(t *testing.T, h *host) {
		require.Equal(t, node.Done, h.order(node.StartCommand, start(1, 0, 2000)...).Code)
		h.samples()
		require.Equal(t, node.Done, h.order(node.StopCommand).Code)
		for range 3 {
			h.send(node.KeepAlive, 1)
			for f := range h.frames {
				require.NotEqual(t, node.SamplesMessage, f.Type)
				if f.Type == node.StateMessage {
					break
				}
			}
		}
	}},
	{"what cannot be is answered, and changes nothing", func(t *testing.T, h *host) {
		for _, tt := range []struct {
			name string
			cmd  node.Type
			body []byte
			want node.Note
		}{
			{"no channel", node.StartCommand, start(0, 0, 2000), node.Note{Code: node.OutOfRange}},
			{"too many conversions", node.StartCommand, start(1, 7, 200000), node.Note{Code: node.OutOfRange}},
			{"too fast", node.StartCommand, start(1, 0, 239), node.Note{Code: node.TooFast, Detail: 240}},
			{"too slow", node.StartCommand, start(1, 0, 20001), node.Note{Code: node.OutOfRange}},
			{"a period of 2^32-1", node.StartCommand, start(1, 0, math.MaxUint32), node.Note{Code: node.OutOfRange}},
			{"short start", node.StartCommand, []byte{1, 0}, node.Note{Code: node.WrongLength, Detail: 6}},
			{"short limit", node.LimitCommand, []byte{1, 0, 0, 0}, node.Note{Code: node.WrongLength, Detail: 5}},
			{"no tag", node.KeepAlive, nil, node.Note{Code: node.WrongLength, Detail: 1}},
			{"limit on no channel", node.LimitCommand, limit(8, 0, 1), node.Note{Code: node.OutOfRange}},
			{"limits crossed", node.LimitCommand, limit(0, 2, 1), node.Note{Code: node.OutOfRange}},
			{"low limit past the top", node.LimitCommand, limit(0, 1024, 2000), node.Note{Code: node.OutOfRange}},
			{"unknown command", 0x3E, []byte{1, 2, 3}, node.Note{Code: node.UnknownType}},
			{"reserved command", 0x0B, nil, node.Note{Code: node.UnknownType}},
			{"calibration of no channel", node.ReadCalibration, []byte{10}, node.Note{Code: node.OutOfRange}},
			{"calibration of which", node.ReadCalibration, nil, node.Note{Code: node.WrongLength, Detail: 1}},
			{"half a calibration", node.WriteCalibration, make([]byte, 55), node.Note{Code: node.WrongLength, Detail: 56}},
			{"a calibration with a wrong checksum", node.WriteCalibration, make([]byte, 56), node.Note{Code: node.OutOfRange}},
			{"a monitor where there is none", node.MonitorCommand, []byte{0x40, 0x9C, 0, 0}, node.Note{Code: node.Absent}},
			{"a monitor asked too often", node.MonitorCommand, []byte{0xFF, 0, 0, 0}, node.Note{Code: node.OutOfRange}},
			{"a monitor asked when", node.MonitorCommand, []byte{0xFF, 0, 0}, node.Note{Code: node.WrongLength, Detail: 4}},
		} {
			tt.want.To = tt.cmd
			assert.Equal(t, tt.want, h.order(tt.cmd, tt.body...), tt.name)
		}
		// Longer bodies are later versions'.
		assert.Equal(t, node.Done, h.order(node.StartCommand, append(start(1, 0, 2000), 9, 9)...).Code)
		h.samples()
	}},
	{"power is cut at first, and restored and cut on command", func(t *testing.T, h *host) {
		assert.True(t, h.cut())
		h.send(node.KeepAlive, 77)
		assert.Equal(t, uint8(77), h.state(false, node.WhyStarted).Tag)
		stop := h.keepTalking()
		defer stop()
		require.Equal(t, node.Done, h.order(node.RestorePower).Code)
		assert.Eventually(t, func() bool { return !h.cut() }, 20*time.Second, time.Millisecond)
		require.Equal(t, node.Done, h.order(node.CutCommand).Code)
		assert.Eventually(t, h.cut, 20*time.Second, time.Millisecond)
		h.send(node.KeepAlive, 0)
		h.state(false, node.WhyCommand)
		require.Equal(t, node.Done, h.order(node.CutCommand).Code, "again")
	}},
	{"a silent host loses power after 500 ms of the board's time", func(t *testing.T, h *host) {
		h.send(node.RestorePower)
		on := h.state(true, node.WhyCommand)
		off := h.state(false, node.WhyHostSilent)
		assert.InDelta(t, 500*2000, float64(off.Since-on.Since), 4*2000, "4 ms for the program and the clock's grain")
		assert.Eventually(t, h.cut, 20*time.Second, time.Millisecond)
		assert.Equal(t, uint8(node.NoChannel), off.Channel)
	}},
	{"a talking host keeps power", func(t *testing.T, h *host) {
		h.send(node.RestorePower)
		on := h.state(true, node.WhyCommand)
		stop := h.keepTalking()
		defer stop()
		for {
			s, err := node.ParseState(h.await(node.StateMessage, nil))
			require.NoError(t, err)
			require.True(t, s.On, "dropped: %v", s.Why)
			if s.Clock-on.Clock > 3_000_000 {
				break
			}
		}
	}},
	{"noise on the line does not keep power", func(t *testing.T, h *host) {
		h.send(node.RestorePower)
		h.state(true, node.WhyCommand)
		quit := make(chan struct{})
		var noise sync.WaitGroup
		noise.Go(func() {
			tick := time.NewTicker(50 * time.Millisecond)
			defer tick.Stop()
			for {
				select {
				case <-tick.C:
					h.conn.Write([]byte{0, 3, byte(node.KeepAlive), 1, 5, 5, 0})
				case <-quit:
					return
				}
			}
		})
		h.state(false, node.WhyHostSilent)
		close(quit)
		noise.Wait()
	}},
	{"a limit cuts on the board itself, and says which and at what", func(t *testing.T, h *host) {
		stop := h.keepTalking()
		defer stop()
		h.setVolts(2, midCode(500))
		h.setVolts(4, midCode(300))
		require.Equal(t, node.Done, h.order(node.StartCommand, start(1<<2|1<<4, 2, 8*240)...).Code)
		h.samples()
		for _, tt := range []struct {
			name      string
			low, high uint16
			code      int
		}{{"above", 400, 600, 601}, {"below", 400, 600, 399}, {"above alone", 0, 600, 700}, {"below alone", 400, 1023, 300}} {
			require.Equal(t, node.Done, h.order(node.LimitCommand, limit(2, tt.low, tt.high)...).Code)
			require.Equal(t, node.Done, h.order(node.RestorePower).Code, tt.name)
			h.setVolts(2, midCode(tt.code))
			s := h.state(false, node.WhyLimit)
			assert.Equal(t, uint8(2), s.Channel, tt.name)
			// The input may have changed in the middle of a sum.
			assert.InDelta(t, tt.code*4, int(s.Sample), math.Abs(float64(tt.code-500))*4, tt.name)
			assert.Eventually(t, h.cut, 20*time.Second, time.Millisecond)
			assert.Equal(t, node.Refused, h.order(node.RestorePower).Code, "%s: refused while it is passed", tt.name)
			assert.True(t, h.cut())
			h.setVolts(2, midCode(500))
			require.Eventually(t, func() bool {
				s := h.samples()
				return s.Sum(s.Len()-2) == 2000
			}, 20*time.Second, time.Microsecond)
		}
		require.Equal(t, node.Done, h.order(node.LimitCommand, limit(2, 0, 0xFFFF)...).Code, "taken away")
		require.Equal(t, node.Done, h.order(node.RestorePower).Code)
		h.setVolts(2, midCode(1000))
		require.Eventually(t, func() bool {
			s := h.samples()
			return s.Sum(s.Len()-2) == 4000
		}, 20*time.Second, time.Microsecond)
		assert.False(t, h.cut())
	}},
	{"the limits themselves are inside", func(t *testing.T, h *host) {
		stop := h.keepTalking()
		defer stop()
		require.Equal(t, node.Done, h.order(node.LimitCommand, limit(0, 400, 600)...).Code)
		for _, code := range []int{400, 600} {
			h.setVolts(0, midCode(code))
			require.Equal(t, node.Done, h.order(node.StartCommand, start(1, 0, 1000)...).Code)
			h.samples()
			require.Equal(t, node.Done, h.order(node.RestorePower).Code)
			h.samples()
			h.samples()
			assert.False(t, h.cut())
		}
	}},
	{"a limit that nothing watches cuts", func(t *testing.T, h *host) {
		stop := h.keepTalking()
		defer stop()
		h.setVolts(0, midCode(500))
		again := func() {
			require.Equal(t, node.Done, h.order(node.StartCommand, start(1, 0, 1000)...).Code)
			h.samples()
			require.Equal(t, node.Done, h.order(node.RestorePower).Code)
			h.state(true, node.WhyCommand)
		}
		require.Equal(t, node.Done, h.order(node.LimitCommand, limit(0, 400, 600)...).Code)
		assert.Equal(t, node.Refused, h.order(node.RestorePower).Code, "no stream")
		again()
		h.send(node.StopCommand)
		h.state(false, node.WhyNotWatched)
		again()
		h.send(node.StartCommand, start(2, 0, 1000)...)
		h.state(false, node.WhyNotWatched)
		again()
		h.send(node.LimitCommand, limit(5, 1, 1000)...)
		h.state(false, node.WhyNotWatched)
	}},
	{"garbage is told and does no harm", func(t *testing.T, h *host) {
		var rubbish []byte
		for i := range 200 {
			rubbish = append(rubbish, byte(i*37+11))
		}
		h.raw(append(rubbish, 0))
		h.await(node.NoteMessage, func(b []byte) bool { return node.Code(b[1]) == node.DamagedFrame })
		damaged := node.AppendFrame(nil, node.RestorePower)
		damaged[1] ^= 0x02
		h.raw(damaged)
		h.await(node.NoteMessage, func(b []byte) bool { return node.Code(b[1]) == node.DamagedFrame })
		h.raw([]byte{0, 0, 0, 0})
		require.Equal(t, node.Done, h.order(node.CutCommand).Code)
		assert.True(t, h.cut())
		// Half a command, then a whole one after a zero.
		whole := node.AppendFrame(nil, node.StopCommand)
		h.raw(append(append(whole[:3:3], 0), whole...))
		h.await(node.NoteMessage, func(b []byte) bool { return b[0] == byte(node.StopCommand) && node.Code(b[1]) == node.Done })
	}},
	{"a reset cuts power, forgets limits and says hello", func(t *testing.T, h *host) {
		stop := h.keepTalking()
		defer stop()
		h.setVolts(1, midCode(500))
		require.Equal(t, node.Done, h.order(node.LimitCommand, limit(1, 400, 600)...).Code)
		require.Equal(t, node.Done, h.order(node.StartCommand, start(2, 0, 1000)...).Code)
		h.samples()
		require.Equal(t, node.Done, h.order(node.RestorePower).Code)
		h.reset()
		hello, err := node.ParseHello(h.await(node.HelloMessage, nil))
		require.NoError(t, err)
		assert.True(t, hello.Started)
		assert.Less(t, hello.Clock, uint32(200_000), "the clock begins anew")
		assert.Eventually(t, h.cut, 20*time.Second, time.Millisecond)
		h.send(node.KeepAlive, 5)
		h.state(false, node.WhyStarted)
		require.Equal(t, node.Done, h.order(node.RestorePower).Code, "no limit is left that would refuse it")
	}},
}

func TestFirmwareKeepsThePromises(t *testing.T) {
	for _, p := range promises {
		t.Run(p.name, func(t *testing.T) { p.test(t, newHost(t, firmwareRig(t))) })
	}
}

func TestNodeInGoKeepsTheSamePromises(t *testing.T) {
	for _, p := range promises {
		t.Run(p.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { p.test(t, newHost(t, goRig(t))) })
		})
	}
}

// serve puts a board on a line inside a bubble of fake time.
func serve(t *testing.T, b *bench.Node) port.Conn {
	far, near := port.Pipe()
	served := make(chan error)
	go func() { served <- b.Serve(far) }()
	t.Cleanup(func() {
		near.Close()
		assert.NoError(t, <-served)
	})
	return near
}

func TestAveragingRefinesAReadingOfTheNodeInGo(t *testing.T) {
	const step = 5.0 / 1024
	for _, volts := range []float64{1, 1.0012, 2.5, 3.3333} {
		t.Run(fmt.Sprint(volts), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				conn := serve(t, bench.NewNode(func(int) float64 { return volts }, bench.NodeOptions{Seed: 5}))
				n, err := node.Open(context.Background(), conn, node.Config{
					Name: "node", Rate: 100, Oversampling: 32, Window: time.Second,
					Channels: []node.ChannelConfig{{Name: "bus", Quantity: probe.Voltage, Accuracy: probe.Accuracy{Digits: 1}}},
				})
				require.NoError(t, err)
				defer n.Close()
				r, err := n.Read(context.Background(), "bus")
				require.NoError(t, err)
				assert.InDelta(t, step/16, r.Digit, step/1000, "3200 conversions at half a step of noise: the finest that is claimed")
				assert.InDelta(t, volts, r.Value, 0.03*step)
			})
		})
	}
}

// What stands at a pin may hang on the cut-out: that is what it is for.
func TestPinsMayAskWhetherPowerIsCut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b *bench.Node
		b = bench.NewNode(func(int) float64 {
			if b.Cut() {
				return 0.1
			}
			return 3
		}, bench.NodeOptions{Noise: -1})
		n, err := node.Open(t.Context(), serve(t, b), node.Config{
			Name: "node", Channels: []node.ChannelConfig{{Name: "bus", Quantity: probe.Voltage}},
		})
		require.NoError(t, err)
		defer n.Close()
		for range 3 {
			require.NoError(t, n.Restore(t.Context()))
			r, err := n.Read(t.Context(), "bus")
			require.NoError(t, err)
			assert.InDelta(t, 3, r.Value, 0.005)
			require.NoError(t, n.Cut(t.Context()))
			r, err = n.Read(t.Context(), "bus")
			require.NoError(t, err)
			assert.InDelta(t, 0.1, r.Value, 0.005)
		}
	})
}

func TestAHostThatTakesNothingIsCutAllTheSame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := bench.NewNode(func(int) float64 { return 1 }, bench.NodeOptions{})
		conn := serve(t, b)
		for _, frame := range [][]byte{
			node.AppendFrame(nil, node.StartCommand, start(0xFF, 0, 2000)...), // fills the line in a moment
			node.AppendFrame(nil, node.RestorePower),
		} {
			_, err := conn.Write(frame)
			require.NoError(t, err)
		}
		synctest.Wait()
		require.False(t, b.Cut())
		time.Sleep(501*time.Millisecond + 2*time.Millisecond)
		assert.True(t, b.Cut())
	})
}
