package node_test

import (
	"errors"
	"math"
	"sync/atomic"
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

// boardWithMonitor starts a board that has a shunt monitor from its start on.
func boardWithMonitor(t *testing.T, bus, shunt int16) *board.Board {
	t.Helper()
	b := board.Start(t)
	b.PlugMonitor(bus, shunt)
	b.Reset()
	return b
}

// besideMonitor has its shunt amplifier where the monitor's lines are not.
func besideMonitor() node.Config {
	cfg := twoBuses()
	cfg.Channels[1].Pin = 6
	return cfg
}

func openAt(t *testing.T, b *board.Board, cfg node.Config) *node.Node {
	t.Helper()
	conn, err := port.Open(b.Port(), node.Line)
	require.NoError(t, err)
	return open(t, conn, cfg)
}

// The worked example of the monitor's data sheet (INA226, Texas Instruments
// SBOS547, table 1): 11.98 V and 20 mV over 2 mΩ, which is 10 A; and its
// -80 mV, which is code 8300h.
func TestAShuntMonitorAppearsAsChannels(t *testing.T) {
	b := boardWithMonitor(t, 0x2570, 0x1F40)
	cfg := besideMonitor()
	cfg.MonitorOhms = 0.002
	n := openAt(t, b, cfg)
	names := []string{}
	for _, ch := range n.Channels() {
		names = append(names, ch.Name+" "+string(ch.Quantity))
	}
	assert.Equal(t, []string{"main bus voltage", "alternator current", "monitor voltage voltage", "monitor current current"}, names)
	v, a := read(t, n, "monitor voltage"), read(t, n, "monitor current")
	assert.InDelta(t, 11.98, v.Value, 1e-9)
	assert.InDelta(t, 1.25e-3, v.Digit, 1e-12)
	assert.InDelta(t, 40.95875, v.FullScale, 1e-9)
	assert.InDelta(t, 10, a.Value, 1e-9)
	assert.InDelta(t, 2.5e-6/0.002, a.Digit, 1e-12)
	code := uint16(0x8300)
	b.PlugMonitor(0, int16(code))
	assert.InDelta(t, -40, read(t, n, "monitor current").Value, 1e-9)
	assert.InDelta(t, 0, read(t, n, "monitor voltage").Value, 1e-9, "0 V is a reading here")
	latest, ok := n.Latest("monitor current")
	assert.True(t, ok)
	assert.InDelta(t, -40, latest.Value, 1e-9)
	assert.Zero(t, n.Counters().Lost)
}

// A reading holds nothing from before the call.
func TestAMonitorReadingIsFresh(t *testing.T) {
	b := boardWithMonitor(t, 1000, 1000)
	n := openAt(t, b, besideMonitor())
	for code := int16(1000); code < 4000; code += 500 {
		b.PlugMonitor(code, -code)
		assert.InDelta(t, float64(code)*1.25e-3, read(t, n, "monitor voltage").Value, 1e-9)
		assert.InDelta(t, -float64(code)*2.5e-6, read(t, n, "monitor shunt").Value, 1e-12)
	}
}

func TestTheEndsOfTheMonitorsRangeAreRefused(t *testing.T) {
	for _, code := range []int16{math.MaxInt16, math.MinInt16} {
		b := boardWithMonitor(t, 8000, code)
		n := openAt(t, b, besideMonitor())
		_, err := n.Read(t.Context(), "monitor shunt")
		var refusal *probe.Refusal
		require.ErrorAs(t, err, &refusal)
		assert.Equal(t, probe.Overload, refusal.Reason)
		_, ok := n.Latest("monitor shunt")
		assert.False(t, ok)
		read(t, n, "monitor voltage")
	}
}

// Its loss in operation is told; what the converter reads goes on; when it is
// back, it is set up anew and reads again, and never a zero of its own.
func TestAMonitorThatIsLostIsTold(t *testing.T) {
	b := boardWithMonitor(t, 9600, 4000)
	b.SetVolts(0, 3)
	n := openAt(t, b, besideMonitor())
	read(t, n, "monitor voltage")
	b.UnplugMonitor()
	var refusal *probe.Refusal
	require.Eventually(t, func() bool {
		_, err := n.Read(t.Context(), "monitor voltage")
		return errors.As(err, &refusal) && refusal.Reason == probe.InstrumentErr
	}, 20*time.Second, time.Millisecond)
	assert.EqualError(t, refusal, "node: refused, instrument error: the shunt monitor does not answer the board; look at its supply and its two lines; the board looks for it each second")
	_, ok := n.Latest("monitor voltage")
	assert.False(t, ok)
	read(t, n, "main bus")
	b.PlugMonitor(9600, 4000)
	require.Eventually(t, func() bool {
		r, err := n.Read(t.Context(), "monitor voltage")
		if err == nil {
			require.InDelta(t, 12, r.Value, 1e-9)
		}
		return err == nil
	}, 20*time.Second, time.Millisecond)
}

// A monitor that was without supply for a moment has zeros in its registers
// until it has converted: they are no readings.
func TestAMonitorsZerosAfterABlackoutAreNoReadings(t *testing.T) {
	b := boardWithMonitor(t, 9600, 4000)
	n := openAt(t, b, besideMonitor())
	for range 10 {
		b.BlackOutMonitor()
		r, err := n.Read(t.Context(), "monitor voltage")
		if err == nil {
			assert.InDelta(t, 12, r.Value, 1e-9)
		}
	}
	assert.Positive(t, n.Counters().Lost, "what failed shows as missing")
	read(t, n, "monitor voltage")
}

func TestWithoutAMonitorThereIsNone(t *testing.T) {
	cfg := twoBuses()
	cfg.Channels = append(cfg.Channels, node.ChannelConfig{Name: "battery current", Quantity: probe.Current, Pin: node.MonitorShunt, Scale: 500})
	b := board.Start(t)
	conn, err := port.Open(b.Port(), node.Line)
	require.NoError(t, err)
	_, err = node.Open(t.Context(), conn, cfg)
	assert.EqualError(t, err, `node node: channel "battery current": the board found no shunt monitor when it started; check the monitor's supply and its two lines, then restart the board`)
}

func TestTheMonitorsLinesAreNoInputs(t *testing.T) {
	b := boardWithMonitor(t, 0, 0)
	conn, err := port.Open(b.Port(), node.Line)
	require.NoError(t, err)
	_, err = node.Open(t.Context(), conn, allPins(100, 1))
	assert.EqualError(t, err, `node node: channel "pin 4": pins 4 and 5 are the lines to the board's shunt monitor; use another pin`)
}

// The board in Go behaves likewise.
func TestTheMonitorOfTheNodeInGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var answers atomic.Bool
		answers.Store(true)
		opts := exact
		opts.Monitor = func() (bus, shunt float64, ok bool) { return 12.5, -0.01, answers.Load() }
		b := bench.NewNode((&pins{}).at, opts)
		cfg := node.Config{Name: "node", Channels: []node.ChannelConfig{{Name: "battery current", Quantity: probe.Current, Pin: node.MonitorShunt, Scale: 500}}}
		session(t, b, cfg, func(n *node.Node) {
			require.Len(t, n.Channels(), 1, "what is named is all there is")
			assert.InDelta(t, -5, read(t, n, "battery current").Value, 1e-9)
			assert.ErrorContains(t, n.SetLimit(t.Context(), "battery current", -10, 10), "the board watches pins 0 to 7 alone")
			answers.Store(false)
			time.Sleep(3 * time.Second)
			_, err := n.Read(t.Context(), "battery current")
			assert.ErrorContains(t, err, "the shunt monitor does not answer the board")
			answers.Store(true)
			time.Sleep(3 * time.Second)
			assert.InDelta(t, -5, read(t, n, "battery current").Value, 1e-9)
			require.NoError(t, n.StoreCalibration(t.Context(), "battery current", node.Calibration{Gain: 1.01, Date: saturday, Reference: "meter"}))
		})
		session(t, b, cfg, func(n *node.Node) {
			assert.InDelta(t, -5.05, read(t, n, "battery current").Value, 1e-6)
		})
	})
}
