package procedure

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/verdict"
	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/node"
	"loomproof/probe/port"
	"loomproof/scripts"
)

// guarded is an aircraft's main bus with a board in Go on it: the real driver
// and protocol, and a pin that stands at what a test says.
type guarded struct {
	supply *unruly
	board  *bench.Node
	driver *node.Node
	volts  func(since time.Duration) float64 // at the bus, since the supply came on; nil: 14 V
	mute   atomic.Bool                       // the line brings nothing from the board
}

// A mutable line to the board.
type mutable struct {
	port.Conn
	mute *atomic.Bool
}

func (m mutable) Read(p []byte) (int, error) {
	for {
		n, err := m.Conn.Read(p)
		if err != nil || !m.mute.Load() {
			return n, err
		}
	}
}

func (g *guarded) pin(int) float64 {
	g.supply.mu.Lock()
	defer g.supply.mu.Unlock()
	switch {
	case !g.supply.on || g.board.Cut():
		return 0
	case g.volts != nil:
		return g.volts(time.Since(g.supply.since)) / 4
	}
	return 14.0 / 4
}

// guardedPlay performs a script with a supply that sees nothing wrong, so that
// what is cut, the node cuts.
func guardedPlay(t *testing.T, g *guarded, script string, answer func(Now) string) (out played) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		g.supply = &unruly{}
		g.board = bench.NewNode(g.pin, bench.NodeOptions{Noise: -1})
		far, near := port.Pipe()
		served := make(chan error)
		go func() { served <- g.board.Serve(far) }()
		g.driver, err = node.Open(t.Context(), mutable{near, &g.mute}, node.Config{
			Name: "node", Channels: []node.ChannelConfig{{Name: "bus", Quantity: probe.Voltage, Scale: 4, Accuracy: probe.Accuracy{OfReading: 0.01}, GroundIsZero: true}},
		})
		require.NoError(t, err)
		b := &Bench{Supply: g.supply, Node: g.driver, NodeVolts: "bus", NodeBus: "main", Patience: time.Second}
		out = playOn(t, b, begin(t, book, script), script, answer)
		require.NoError(t, g.driver.Close())
		require.NoError(t, <-served)
		assert.False(t, g.supply.isOn())
		assert.True(t, g.board.Cut(), "whatever ended it, the node's output is low")
	})
	return out
}

// masterOn brings the main bus to life and waits.
const masterOn = `
power(volts = 14, limit = 20)
if not move("on", "master", "on").cut:
    hold("look")
`

func after(d time.Duration, before, then float64) func(time.Duration) float64 {
	return func(on time.Duration) float64 {
		if on < d {
			return before
		}
		return then
	}
}

func TestANodeCutsWhatTheSupplyDoesNotSee(t *testing.T) {
	for _, tt := range []struct {
		name  string
		volts func(time.Duration) float64
		why   string
	}{
		{"a bus that sags", after(700*time.Millisecond, 14, 10), "bus collapsed"},
		{"a bus that falls flat is cut by the board itself", after(700*time.Millisecond, 14, 3), "the node has cut: a limit was passed"},
		{"a voltage that runs away is cut by the board itself", after(700*time.Millisecond, 14, 18), "the node has cut: a limit was passed"},
		{"a dead bus is no danger", after(0, 0, 0), ""},
		{"a bus that comes late", after(800*time.Millisecond, 0, 14), ""},
		{"a dip of 10 ms", func(on time.Duration) float64 {
			if on > 700*time.Millisecond && on < 710*time.Millisecond {
				return 10
			}
			return 14
		}, ""},
		{"an input at its end", after(700*time.Millisecond, 14, math.Inf(1)), "the node has cut: a limit was passed"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			g := &guarded{volts: tt.volts}
			p := guardedPlay(t, g, masterOn, nil)
			require.NoError(t, p.err)
			if tt.why == "" {
				assert.Empty(t, p.sheet.Cuts)
				return
			}
			require.Len(t, p.sheet.Cuts, 1)
			c := p.sheet.Cuts[0]
			assert.Equal(t, tt.why, c.Why)
			assert.Equal(t, "node", c.Source)
			assert.ElementsMatch(t, []string{"node", "supply"}, c.Done)
			assert.Equal(t, verdict.Fail, p.sheet.Verdict)
		})
	}
}

// Opening the breaker that feeds the bus takes its voltage away: that is asked
// for, and no collapse.
func TestSwitchingTheBusOffIsNoCollapse(t *testing.T) {
	g := &guarded{volts: after(1200*time.Millisecond, 14, 0)}
	p := guardedPlay(t, g, masterOn+`
move("off", "master", "off")
hold("look again")
`, nil)
	require.NoError(t, p.err)
	assert.Empty(t, p.sheet.Cuts)
}

func TestANodeThatRestartsIsCutFor(t *testing.T) {
	g := &guarded{}
	p := guardedPlay(t, g, masterOn, func(n Now) string {
		if n.Say == "look" {
			g.board.Reset() // the board begins anew: its output is low
			time.Sleep(time.Second)
		}
		return n.Answers[0]
	})
	require.Len(t, p.sheet.Cuts, 1)
	assert.Contains(t, p.sheet.Cuts[0].Why, "the node has cut: the board has just started")
}

// A node that nothing is heard of guards nothing: the supply is cut at once, and
// no hand is called for, since the supply has confirmed it.
func TestANodeThatFallsSilentIsCutFor(t *testing.T) {
	g := &guarded{}
	p := guardedPlay(t, g, masterOn, func(n Now) string {
		if n.Say == "look" {
			g.mute.Store(true)
			time.Sleep(3 * time.Second)
			g.supply.mu.Lock()
			off := g.supply.offAt.Sub(g.supply.since)
			g.supply.mu.Unlock()
			assert.Less(t, off, 2*time.Second, "500 ms to each answer, and the node's blindness")
		}
		return n.Answers[0]
	})
	require.Len(t, p.sheet.Cuts, 1)
	assert.Equal(t, "the node gives no good reading of the bus", p.sheet.Cuts[0].Why)
	assert.Equal(t, []string{"supply"}, p.sheet.Cuts[0].Done)
	assert.Len(t, p.sheet.Cuts[0].Failed, 1)
	assert.Empty(t, p.sheet.Cuts[0].ByHand)
	assert.True(t, p.sheet.Cuts[0].Blind)
	require.Len(t, p.sheet.Findings, 1)
	assert.Contains(t, p.sheet.Findings[0].Try, "the instrument that fell silent", "no short is looked for first")
}

// What a cut says of a circuit depends on whether a limit was passed, and what is
// to be done on what the circuit has: nothing is unplugged or left open that is not there.
func TestWhatACutSays(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	nothing, many := 0.0, 9.1
	for circuit, c := range map[string]struct{ says, never []string }{
		"gps":             {[]string{"Leave its breaker open.", "unplug the load"}, nil},
		"avionics-master": {[]string{"Leave its breaker open.", "along the bus"}, []string{"the load,"}},
		"master":          {[]string{"with the switch open, then closed"}, []string{"breaker", "unplug"}},
	} {
		k := d.Circuit(circuit)
		what, try := explainCut(k, circuit, Step{Why: "the supply does not answer", Blind: true, Reading: &nothing, Unit: "A"})
		assert.NotContains(t, what, "airframe", circuit)
		assert.Contains(t, try, "fell silent", circuit)
		assert.Equal(t, k.Protector() != nil, strings.Contains(try, "breaker"), circuit)
		what, try = explainCut(k, circuit, Step{Why: "current runs away", Reading: &many, Unit: "A"})
		assert.Contains(t, what, "airframe", circuit)
		for _, words := range c.says {
			assert.Contains(t, try, words, circuit)
		}
		for _, words := range c.never {
			assert.NotContains(t, what+try, words, circuit)
		}
	}
}

// A channel that is not steady within patience is asked about, not the end of
// the run.
func TestAnUnsteadyNodeIsAskedAbout(t *testing.T) {
	wander := func(on time.Duration) float64 { return 13 + math.Mod(on.Seconds()*1.7, 2) }
	for _, choice := range []string{"Try again", "Take what it shows"} {
		t.Run(choice, func(t *testing.T) {
			var asked atomic.Bool
			g := &guarded{}
			g.volts = func(on time.Duration) float64 {
				if asked.Load() && choice == "Try again" {
					return 14
				}
				if asked.Load() {
					return 13.5 + 0.03*math.Sin(on.Seconds()*9)
				}
				return wander(on)
			}
			p := guardedPlay(t, g, "power(volts = 14, limit = 20)\nmove('on', 'master', 'on')\nread('node bus')\n", func(n Now) string {
				if len(n.Answers) == 2 {
					asked.Store(true)
					assert.Equal(t, "Nothing steady from node, bus. Look at its wiring.", n.Say)
					return choice
				}
				return n.Answers[0]
			})
			require.NoError(t, p.err)
			assert.True(t, asked.Load())
			require.Len(t, p.sheet.Captures, 1)
			for _, c := range p.sheet.Captures {
				assert.Equal(t, choice == "Take what it shows", c.TakenAsIs, fmt.Sprint(c))
			}
		})
	}
}

var _ guard = (*node.Node)(nil)
