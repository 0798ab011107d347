package steady

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
)

func feed(d *Detector, values ...float64) (s Summary) {
	for _, v := range values {
		s = d.Add(probe.Reading{Value: v})
	}
	return s
}

func TestFiveEqualReadingsAreSteady(t *testing.T) {
	d := New(Rule{Drift: 0.001})
	assert.Equal(t, Settling, feed(d, 13.8, 13.8, 13.8, 13.8).Phase)
	s := feed(d, 13.8)
	assert.Equal(t, Steady, s.Phase)
	assert.Equal(t, 13.8, s.Mean)
	assert.Equal(t, 5, s.Count)
}

func TestADriftIsNotSteady(t *testing.T) {
	d := New(Rule{Drift: 0.001})
	for i := range 200 {
		require.NotEqual(t, Steady, feed(d, 13.8+0.001*float64(i)).Phase)
	}
}

func TestASpikeIsNotAReading(t *testing.T) {
	d := New(Rule{Drift: 0.001})
	assert.Equal(t, Settling, feed(d, 13.8, 13.8, 14.9, 13.8, 13.8).Phase)
	s := feed(d, 13.8, 13.8, 13.8)
	assert.Equal(t, Steady, s.Phase)
	assert.Equal(t, 13.8, s.Mean, "the spike has left the window")
}

func TestTheProbeMustBeLiftedBetweenPoints(t *testing.T) {
	d := New(Rule{Drift: 0.001, Touch: 1, MustLift: true})
	assert.Equal(t, WaitLift, feed(d, 13.8, 13.8, 13.8, 13.8, 13.8, 13.8).Phase)
	assert.Equal(t, Lifted, feed(d, 0.002).Phase)
	assert.Equal(t, Settling, feed(d, 13.6, 13.6, 13.6, 13.6).Phase)
	assert.Equal(t, Lifted, feed(d, -0.01).Phase, "slipped off again")
	s := feed(d, 13.6, 13.6, 13.6, 13.6, 13.6)
	assert.Equal(t, Steady, s.Phase)
	assert.InDelta(t, 13.6, s.Mean, 1e-9)
}

func TestNoCaptureSpansARefusal(t *testing.T) {
	d := New(Rule{Drift: 0.001})
	feed(d, 470.3, 470.3, 470.3, 470.3)
	d.Refused(&probe.Refusal{Reason: probe.BadFrame})
	assert.Equal(t, Settling, feed(d, 470.3, 470.3, 470.3, 470.3).Phase)
	assert.Equal(t, Steady, feed(d, 470.3).Phase)
}

func TestOpenLeadsOnOhmsAreALiftedProbe(t *testing.T) {
	d := New(Rule{Drift: 0.001, MustLift: true})
	assert.Equal(t, WaitLift, feed(d, 470, 470, 470, 470, 470, 470).Phase)
	assert.Equal(t, WaitLift, d.Refused(&probe.Refusal{Reason: probe.BadFrame}).Phase)
	assert.Equal(t, Lifted, d.Refused(&probe.Refusal{Reason: probe.Overload}).Phase)
	assert.Equal(t, Steady, feed(d, 0.4, 0.4, 0.4, 0.4, 0.4).Phase)
}

func TestAnUnsteadyValueBelowTouchIsALiftedProbe(t *testing.T) {
	d := New(Rule{Drift: 0.001, Touch: 6, MustLift: true})
	assert.Equal(t, WaitLift, d.Refused(&probe.Refusal{Reason: probe.Unsteady, Below: 12.7}).Phase)
	assert.Equal(t, WaitLift, d.Refused(&probe.Refusal{Reason: probe.Unsteady}).Phase, "nothing is known of it")
	assert.Equal(t, Lifted, d.Refused(&probe.Refusal{Reason: probe.Unsteady, Below: 0.4}).Phase)
	assert.Equal(t, Settling, d.Refused(&probe.Refusal{Reason: probe.Unsteady, Below: 12.7}).Phase)
}

// Lifted, an automatic range goes down; the drift to allow is that of the range
// on which the capture is made.
func TestDriftFollowsTheRange(t *testing.T) {
	d := New(Rule{Touch: 6})
	add := func(value, digit float64) Phase {
		return d.Add(probe.Reading{Value: value, Digit: digit, Accuracy: probe.Accuracy{Digits: 3}}).Phase
	}
	add(0.002, 0.001)
	for _, v := range []float64{12.60, 12.61, 12.60, 12.61} {
		add(v, 0.01)
	}
	assert.Equal(t, Steady, add(12.60, 0.01))
}

// NIST Norris, certified slope 1.00211681802045: equally spaced values do not
// occur there, so the fit is checked on a line with known residuals instead:
// y = 0.1 x plus ±0.01, by hand slope 0.1, residual sum 4 times 0.01².
func TestLineFit(t *testing.T) {
	_, _, rise, errRise := line([]float64{0.01, 0.09, 0.19, 0.31})
	assert.InDelta(t, 0.3, rise, 1e-12)
	assert.InDelta(t, math.Sqrt(4*0.0001/2/5)*3, errRise, 1e-12)
}

// How often a drift at the limit is called steady, and how long noise takes:
// printed, and held to what the test promises.
func TestFalseCapturesAreAsPromised(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	const drift, noise = 0.001, 0.0001
	wrong := 0
	for range 20_000 {
		// A line that rises by exactly Drift over five readings.
		d := New(Rule{Drift: drift})
		var s Summary
		for i := range fewest {
			s = d.Add(probe.Reading{Value: 13 + drift*float64(i)/(fewest-1) + noise*r.NormFloat64()})
		}
		if s.Phase == Steady {
			wrong++
		}
	}
	assert.Less(t, wrong, 20_000*6/100, "at most 5 in 100 promised")
	readings, captures := 0, 0
	for range 2_000 {
		d := New(Rule{Drift: drift})
		for d.Add(probe.Reading{Value: 13 + noise*r.NormFloat64()}).Phase != Steady {
			readings++
		}
		readings++
		captures++
	}
	t.Logf("a drift at the limit is captured in %.1f of 100; noise of a tenth of the drift takes %.1f readings",
		100*float64(wrong)/20_000, float64(readings)/float64(captures))
}

func BenchmarkAdd(b *testing.B) {
	b.ReportAllocs()
	r := rand.New(rand.NewPCG(1, 1))
	d := New(Rule{Drift: 1e-9})
	for b.Loop() {
		d.Add(probe.Reading{Value: r.Float64()})
	}
}
