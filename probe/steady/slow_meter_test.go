package steady_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/lcdframe"
	"loomproof/probe/steady"
)

var (
	trials = flag.Int("trials", 40, "captures for each line of the table")
	update = flag.Bool("update", false, "write the table in the package comment anew; with -trials 2000")
)

const (
	drift    = 0.03             // three digits of 0.01 V, as a meter of 0.5 % + 3 digits gets
	patience = 20 * time.Second // then a person is asked
	window   = 4 * time.Second / 3
)

// A hand lifts the probes from one point and puts them down on the next.
type hand struct {
	mu      sync.Mutex
	random  *rand.Rand
	lifted  bool
	touched time.Time
	volts   float64                                                       // at the point
	shape   func(volts, since float64, random *rand.Rand) (shown float64) // what stands there so many seconds after the touch
}

func (h *hand) leads() (float64, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.lifted {
		return 0, false
	}
	return h.shape(h.volts, time.Since(h.touched).Seconds(), h.random), true
}

// put puts the probes down on a point, or lifts them.
func (h *hand) put(down bool, volts float64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.lifted, h.volts, h.touched = !down, volts, time.Now()
}

// A situation is a line of the table.
type situation struct {
	name  string
	noise float64 // of the meter, standard deviation in steps of the last place
	shape func(volts, since float64, random *rand.Rand) float64
}

func still(volts, _ float64, _ *rand.Rand) float64 { return volts }

// settling begins a volt off.
func settling(seconds float64) func(float64, float64, *rand.Rand) float64 {
	return func(volts, since float64, _ *rand.Rand) float64 { return volts - math.Exp(-since/seconds) }
}

func drifting(times float64) func(float64, float64, *rand.Rand) float64 {
	return func(volts, since float64, _ *rand.Rand) float64 {
		return volts - times*drift*since/window.Seconds()
	}
}

func spikes(volts, _ float64, random *rand.Rand) float64 {
	if random.Float64() < 0.1 {
		return volts * 1.2
	}
	return volts
}

// bouncing is a probe that loses touch for some conversions.
func bouncing(volts, _ float64, random *rand.Rand) float64 {
	if random.Float64() < 0.1 {
		return 0
	}
	return volts
}

var situations = []situation{
	{"at rest, no noise", 0, still},
	{"at rest, noise of half a digit", 0.5, still},
	{"at rest, noise of one digit", 1, still},
	{"at rest, noise of two digits", 2, still},
	{"settles with 0.3 s from 1 V off", 0.5, settling(0.3)},
	{"settles with 1 s from 1 V off", 0.5, settling(1)},
	{"one reading in ten a spike of 20 %", 0.5, spikes},
	{"one reading in ten without touch", 0.5, bouncing},
	{"drifts by Drift in five readings", 0.5, drifting(1)},
	{"drifts by twice Drift", 0.5, drifting(2)},
}

// A result is what became of the captures of one situation.
type result struct {
	captures, wrong, gaveUp int
	seconds                 float64 // from touch to capture, summed
}

// try has a hand go from point to point, and captures each.
func (s situation) try(t *testing.T, trials int) (r result) {
	synctest.Test(t, func(t *testing.T) {
		cable := bench.NewMemoryCable()
		defer time.Sleep(time.Hour) // on the test's clock: the meter ends
		defer cable.Close()
		random := rand.New(rand.NewPCG(3, 1)) // of the hand; the leads have their own
		h := &hand{random: rand.New(rand.NewPCG(3, 2)), lifted: true, shape: s.shape}
		go bench.NewHandheld(h.leads, bench.HandheldOptions{Noise: s.noise, Seed: 11}).Serve(cable.Device())
		conn, err := cable.Open(lcdframe.Line)
		require.NoError(t, err)
		meter, err := lcdframe.Open(t.Context(), conn, lcdframe.Options{})
		require.NoError(t, err)
		defer meter.Close()
		for range trials {
			volts := 12 + 2*random.Float64()
			moment := time.Duration(random.IntN(1000)) * time.Millisecond
			away := time.Duration(1000+random.IntN(1000)) * time.Millisecond
			go func() { // the hand
				time.Sleep(moment)
				h.put(false, 0)
				time.Sleep(away)
				h.put(true, volts)
			}()
			s.capture(t, meter, h, volts, &r)
		}
	})
	return r
}

// capture is one, as a procedure does it. It is wrong when the mean is off by
// more than Drift from what stands at the point then, or is of the point before.
func (s situation) capture(t *testing.T, meter probe.Source, h *hand, volts float64, r *result) {
	d := steady.New(steady.Rule{Drift: drift, Touch: 6, MustLift: true})
	ctx, stop := context.WithTimeout(t.Context(), patience)
	defer stop()
	for {
		reading, err := meter.Read(ctx, "voltage")
		var refused *probe.Refusal
		if errors.As(err, &refused) {
			d.Refused(refused)
			continue
		}
		if ctx.Err() != nil {
			r.gaveUp++
			return
		}
		require.NoError(t, err)
		sum := d.Add(reading)
		if sum.Phase != steady.Steady {
			continue
		}
		h.mu.Lock()
		since := time.Since(h.touched)
		h.mu.Unlock()
		truth := volts
		if s.name[0] != 'o' { // spikes and lost touch are not what stands there
			truth = s.shape(volts, since.Seconds(), nil)
		}
		r.captures++
		r.seconds += since.Seconds()
		if math.Abs(sum.Mean-truth) > drift {
			r.wrong++
		}
		return
	}
}

func (s situation) line(r result) string {
	seconds := "-"
	if r.captures > 0 {
		seconds = fmt.Sprintf("%.1f s", r.seconds/float64(r.captures))
	}
	n := float64(r.captures + r.gaveUp)
	return fmt.Sprintf("%-36s %6s %9.1f %% %9.1f %%", s.name, seconds, 100*float64(r.wrong)/n, 100*float64(r.gaveUp)/n)
}

const heading = "                                       time     wrong      none in 20 s"

// The table in the package comment is made here, with -update -trials 2000. The gate
// takes a few captures and holds them to it.
func TestSlowMeter(t *testing.T) {
	text, err := os.ReadFile("steady.go")
	require.NoError(t, err)
	table := "//\t" + heading
	for _, s := range situations {
		r := s.try(t, *trials)
		table += "\n//\t" + s.line(r)
		if !*update {
			s.compare(t, string(text), r)
		}
	}
	if *update {
		begin := strings.Index(string(text), "//\t"+heading[:20])
		end := begin + strings.Index(string(text)[begin:], "\n//\n")
		require.NoError(t, os.WriteFile("steady.go", []byte(string(text)[:begin]+table+string(text)[end:]), 0o644))
	}
}

// compare holds a sample to its line of the table: the mean time within a
// quarter, the shares within four standard deviations.
func (s situation) compare(t *testing.T, text string, r result) {
	at := strings.Index(text, "//\t"+s.name)
	require.Positive(t, at, "%s: no line in the table; go test ./probe/steady -run SlowMeter -update -trials 2000", s.name)
	columns := strings.Fields(strings.TrimPrefix(strings.SplitN(text[at:], "\n", 2)[0], "//\t"+s.name))
	var seconds, wrong, none float64
	if columns[0] != "-" {
		_, err := fmt.Sscan(columns[0], &seconds)
		require.NoError(t, err)
		assert.InEpsilon(t, seconds, r.seconds/float64(r.captures), 0.25, s.name)
		columns = columns[1:]
	}
	_, err := fmt.Sscan(columns[1], &wrong)
	require.NoError(t, err)
	_, err = fmt.Sscan(columns[3], &none)
	require.NoError(t, err)
	n := float64(r.captures + r.gaveUp)
	for what, c := range map[string]struct{ want, got float64 }{"wrong": {wrong / 100, float64(r.wrong) / n}, "none": {none / 100, float64(r.gaveUp) / n}} {
		assert.InDelta(t, c.want, c.got, 4*math.Sqrt((c.want*(1-c.want)+1/n)/n), "%s, %s", s.name, what)
	}
}
