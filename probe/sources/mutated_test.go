package sources

import (
	"bytes"
	"context"
	"flag"
	"math"
	"math/rand/v2"
	"os"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/lcdframe"
	"loomproof/probe/modbus"
	"loomproof/probe/node"
	"loomproof/probe/port"
	"loomproof/probe/scpi"
)

var frames = flag.Int("frames", 20_000, "damaged frames for each decoder; a million is the run that is evidence")

// How often the checks of each kind let a damaged frame pass as another value, as
// their package comments state it; for SCPI, twice the same change in both copies
// of one result.
const (
	nodeResidual = 1.0 / 65536
	lcdResidual  = 0.00062
	scpiResidual = 1e-4
)

// atMost is how many of n may pass when each does with a probability: five standard
// deviations above what is expected.
func atMost(n int, p float64) int { return int(float64(n)*p + 5*math.Sqrt(float64(n)*p) + 1) }

// mutate damages a copy: bits changed, bytes lost, doubled or put in.
func mutate(rng *rand.Rand, frame []byte) []byte {
	out := bytes.Clone(frame)
	for range 1 + rng.IntN(4) {
		i := rng.IntN(len(out))
		switch rng.IntN(4) {
		case 0:
			out[i] ^= 1 << rng.IntN(8)
		case 1:
			out[i] = byte(rng.Uint32())
		case 2:
			out = append(out[:i], out[i+1:]...)
		default:
			out = append(out[:i], append([]byte{byte(rng.Uint32())}, out[i:]...)...)
		}
		if len(out) == 0 {
			return []byte{0}
		}
	}
	return out
}

// A frame's check sum alone lets one change pass always: a zero byte more at its
// end, since what follows a good CRC with no final inversion leaves the rest zero.
// So the message must have the length that its own counts say, which it is held to
// here as the driver does.
func TestMutatedNodeFrames(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	sums := make([]uint16, 20)
	for i := range sums {
		sums[i] = uint16(rng.UintN(1024))
	}
	body := node.Samples{First: 4711, Clock: 123456789, Period: 4000, Mask: 0b11, Scans: 10}.Append(nil, sums)
	good := node.AppendFrame(nil, node.SamplesMessage, body...)
	passed, invented := 0, 0
	var d node.Decoder
	for range *frames {
		for p := append(mutate(rng, good), 0); len(p) > 0; {
			f, rest, err := d.Next(p)
			if p = rest; err != nil || f.Type == 0 || f.Type == node.SamplesMessage && bytes.Equal(f.Body, body) {
				continue
			}
			if passed++; isMessage(f) {
				invented++
			}
		}
	}
	assert.LessOrEqual(t, invented, atMost(*frames, nodeResidual))
	t.Logf("%d damaged frames, %d with a good check sum, %d of them messages", *frames, passed, invented)
}

// isMessage tells whether the driver would use a frame.
func isMessage(f node.Frame) bool {
	var err error
	switch f.Type {
	case node.SamplesMessage:
		_, err = node.ParseSamples(f.Body)
	case node.StateMessage:
		_, err = node.ParseState(f.Body)
	case node.HelloMessage:
		_, err = node.ParseHello(f.Body)
	case node.NoteMessage:
		_, err = node.ParseNote(f.Body)
	default:
		return false
	}
	return err == nil
}

// A tap damages what an instrument sends.
type tap struct {
	port.Conn
	rng     *rand.Rand
	damaged atomic.Int64
}

func (m *tap) Write(p []byte) (int, error) {
	if m.rng.IntN(5) > 0 { // four of five frames arrive whole
		return m.Conn.Write(p)
	}
	m.damaged.Add(1)
	_, err := m.Conn.Write(mutate(m.rng, p))
	return len(p), err
}

func TestMutatedDisplayFrames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := port.Pipe()
		volts, err := os.ReadFile("testdata/display.bin") // 12.60 V DC, as the emulated meter sends it
		require.NoError(t, err)
		line := &tap{Conn: far, rng: rand.New(rand.NewPCG(2, 2))}
		stop := make(chan struct{})
		go func() {
			tick := time.NewTicker(10 * time.Millisecond)
			defer tick.Stop()
			for {
				select {
				case <-tick.C:
					line.Write(volts)
				case <-stop:
					return
				}
			}
		}()
		m, err := lcdframe.Open(t.Context(), near, lcdframe.Options{})
		require.NoError(t, err)
		invented, given := 0, 0
		for int(line.damaged.Load()) < *frames/10 { // each waits for the clock: a tenth as many
			r, err := m.Read(t.Context(), "voltage")
			if err != nil {
				assert.NotErrorIs(t, err, probe.ErrGone)
				continue
			}
			if given++; math.Abs(r.Value-12.6) > 0.0201 { // two steps of the last place: see Options.Flicker
				invented++
			}
		}
		close(stop)
		m.Close()
		assert.LessOrEqual(t, invented, atMost(*frames/10, lcdResidual))
		assert.Greater(t, given, *frames/100)
		t.Logf("%d damaged frames, %d readings, %d of them invented", line.damaged.Load(), given, invented)
	})
}

// readBadly opens a source on an emulated instrument and reads it on a bad line.
func readBadly(t *testing.T, serve func(*bench.Cable), open func(context.Context, port.Conn) (probe.Source, error), spoil func(), channel string, truth, residual float64) {
	synctest.Test(t, func(t *testing.T) {
		cable := bench.NewMemoryCable()
		go serve(cable)
		conn, err := cable.Open(port.Mode{})
		require.NoError(t, err)
		s, err := open(t.Context(), conn)
		require.NoError(t, err)
		_, err = s.Read(t.Context(), channel)
		require.NoError(t, err)
		spoil()
		given, invented := 0, 0
		for range *frames / 10 {
			r, err := s.Read(t.Context(), channel)
			if err != nil {
				assert.NotErrorIs(t, err, probe.ErrGone)
				continue
			}
			if given++; math.Abs(r.Value-truth) > 1e-6 {
				invented++
			}
		}
		s.Close()
		cable.Close()
		time.Sleep(time.Hour) // on the test's clock: the instrument ends
		assert.LessOrEqual(t, invented, atMost(*frames/10, residual))
		assert.Greater(t, given, *frames/100, "some come through")
		assert.Less(t, given, *frames/10, "the line is bad")
		t.Logf("%d readings tried, %d given, %d of them invented", *frames/10, given, invented)
	})
}

func TestMutatedModbusAnswers(t *testing.T) {
	text, err := os.ReadFile("../modbus/testdata/panel-meter.yaml")
	require.NoError(t, err)
	registers, err := modbus.ReadMap("panel-meter.yaml", text)
	require.NoError(t, err)
	m := bench.NewModbus(7, 3)
	m.Words(4, 16, 0xEC30, 0x0001)
	readBadly(t, func(c *bench.Cable) { m.Serve(c.Device()) }, func(ctx context.Context, conn port.Conn) (probe.Source, error) {
		return modbus.Open(ctx, conn, modbus.Options{Map: registers, Address: 7, Retries: -1})
	}, func() { m.SetFaults(bench.ModbusFaults{Alter: 0.004, Drop: 0.01}) }, "bus voltage", 12.6, 1.0/65536)
}

func TestMutatedAnswers(t *testing.T) {
	m := bench.NewMeter(func() (float64, bool) { return 12.6, true }, bench.MeterOptions{Seed: 4})
	readBadly(t, func(c *bench.Cable) { m.Serve(c.Device()) }, func(ctx context.Context, conn port.Conn) (probe.Source, error) {
		return scpi.OpenMeter(ctx, conn, scpi.MeterOptions{Options: scpi.Options{Timeout: 100 * time.Millisecond}})
	}, func() { m.SetFaults(bench.Faults{Drop: 0.002, Alter: 0.002}) }, "voltage", 12.6, scpiResidual)
}
