package probe

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// scripted gives what a function says, stamped by age.
type scripted struct {
	Source
	next  func() float64
	digit float64
	age   time.Duration
	tally Tally
}

func (s *scripted) Identity() Identity { return Identity{Name: "meter"} }
func (s *scripted) Counters() Counters { return s.tally.Counters() }
func (s *scripted) Read(context.Context, string) (Reading, error) {
	return Reading{Value: s.next(), Quantity: Voltage, Digit: s.digit, At: time.Now().Add(-s.age)}, nil
}

// By hand, from tables of the normal distribution: the middle half-digit either
// side of nothing holds 0.6827 of it at σ = ½ digit, 0.3829 at 1, 0.1974 at 2.
func TestHowManyEqualReadingsAreFrozen(t *testing.T) {
	for noise, middle := range map[float64]float64{0.5: 0.6827, 1: 0.3829, 2: 0.1974} {
		n, ok := identicalRun(noise, 1)
		require.True(t, ok)
		assert.Less(t, math.Pow(middle, float64(n-1)), 1.001e-6, noise)
		assert.Greater(t, math.Pow(middle, float64(n-2)), 0.999e-6, noise)
	}
	n, _ := identicalRun(1000, 1)
	assert.Equal(t, 5, n)
	n, _ = identicalRun(1, 0)
	assert.Equal(t, 5, n)
	for _, noise := range []float64{0, -1, math.NaN(), 0.49} {
		_, ok := identicalRun(noise, 1)
		assert.False(t, ok, noise)
	}
}

func TestAQuietMeterIsNeverFrozen(t *testing.T) {
	g := Guard(&scripted{next: func() float64 { return 12.6 }, digit: 0.01}, GuardOptions{})
	for range 10_000 {
		_, err := g.Read(t.Context(), "voltage")
		require.NoError(t, err)
	}
}

func TestAnInstrumentWithoutItsNoiseIsFrozen(t *testing.T) {
	noise := rand.New(rand.NewPCG(4, 1))
	stuck := false
	s := &scripted{digit: 0.001}
	s.next = func() float64 {
		if stuck {
			return 12.7
		}
		return math.Round(1000*(12.6+0.001*noise.NormFloat64())) / 1000
	}
	g := Guard(s, GuardOptions{Noise: map[string]float64{"voltage": 0.001}})
	for range 100_000 {
		_, err := g.Read(t.Context(), "voltage")
		require.NoError(t, err, "a good one with a digit of noise")
	}
	stuck = true
	var refused *Refusal
	for n := 1; ; n++ {
		if _, err := g.Read(t.Context(), "voltage"); err != nil {
			require.ErrorAs(t, err, &refused)
			assert.Equal(t, 16, n)
			break
		}
	}
	assert.Equal(t, Frozen, refused.Reason)
	assert.EqualError(t, refused, "meter: refused, frozen: it gave 12.7 V 16 times running, but its own noise is 0.001 V; "+
		"switch it off and on; see that its display is not held")
	assert.Equal(t, uint64(1), g.(Counting).Counters().Refused[Frozen])
	stuck = false
	s.tally.Frame(1)
	_, err := g.Read(t.Context(), "voltage")
	assert.NoError(t, err)
	assert.Equal(t, uint64(1), g.(Counting).Counters().Frames, "the source's own counts are there too")
}

func TestAnOldReadingIsStale(t *testing.T) {
	g := Guard(&scripted{next: func() float64 { return 1 }, age: 3 * time.Second}, GuardOptions{})
	_, err := g.Read(t.Context(), "voltage")
	var refused *Refusal
	require.ErrorAs(t, err, &refused)
	assert.Equal(t, Stale, refused.Reason)
	assert.NotEmpty(t, refused.Do)
	assert.Equal(t, uint64(1), g.(Counting).Counters().Refused[Stale])
}

func TestSpans(t *testing.T) {
	volts := Channel{Name: "voltage", Quantity: Voltage}
	assert.Nil(t, Spans(nil).Check("meter", volts, 1000))
	assert.NotNil(t, Spans(nil).Check("meter", volts, 1201))
	assert.NotNil(t, Spans(nil).Check("meter", volts, math.NaN()))
	assert.Nil(t, Spans(nil).Check("meter", Channel{Quantity: Temperature}, -40))
	r := Spans{"voltage": {-1, 15}}.Check("meter", volts, 28)
	assert.EqualError(t, r, "meter: refused, out of range: 28 V is outside -1 to 15 V; check the function and the leads")
}
