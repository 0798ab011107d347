package loadstep

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/fit"
)

// Two points of the straight line of GUM H.3 (JCGM 100:2008, table H.6: 21.521 °C
// -0.171, 26.511 °C -0.166) read as current and voltage, against the independent
// least squares of package fit, whose results NIST and H.3 itself hold.
func TestSlopeAgainstTheFit(t *testing.T) {
	const u = 0.0035
	f, err := fit.Line([]float64{21.521, 26.511}, []float64{-0.171, -0.166}, []float64{u, u})
	require.NoError(t, err)
	r, err := Resistance(Level{Volts: -0.171, UVolts: u, Amperes: 21.521}, Level{Volts: -0.166, UVolts: u, Amperes: 26.511})
	require.NoError(t, err)
	assert.InEpsilon(t, f.Coefficients[1], r.Ohms, 1e-9)
	assert.InEpsilon(t, f.Uncertainty(1), r.U, 1e-9)
}

func TestOffsetDropsOut(t *testing.T) {
	for _, offset := range []float64{0, 3e-3, -1} {
		r, err := Resistance(Level{Volts: 0.012*2 + offset, Amperes: 2}, Level{Volts: 0.012*9 + offset, Amperes: 9})
		require.NoError(t, err)
		assert.InDelta(t, 0.012, r.Ohms, 1e-12)
	}
}

// The uncertainty against 100 000 tries with noise on all four readings (a
// Monte Carlo trial as JCGM 101 describes).
func TestUncertaintyAgainstMonteCarlo(t *testing.T) {
	low, high := Level{0.024, 2e-4, 2, 0.02}, Level{0.108, 2e-4, 9, 0.05}
	want, err := Resistance(low, high)
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(7, 8))
	sum, squares := 0.0, 0.0
	const tries = 100_000
	noisy := func(l Level) Level {
		l.Volts += l.UVolts * r.NormFloat64()
		l.Amperes += l.UAmperes * r.NormFloat64()
		return l
	}
	for range tries {
		got, err := Resistance(noisy(low), noisy(high))
		require.NoError(t, err)
		sum += got.Ohms
		squares += got.Ohms * got.Ohms
	}
	mean := sum / tries
	assert.InEpsilon(t, want.Ohms, mean, 1e-3)
	assert.InEpsilon(t, want.U, math.Sqrt(squares/tries-mean*mean), 0.02)
}

func TestLevelsThatTellNothing(t *testing.T) {
	_, err := Resistance(Level{1, 0, 3, 0}, Level{2, 0, 3, 0})
	assert.ErrorIs(t, err, ErrTooClose)
	_, err = Resistance(Level{1, 0, 3, 0.1}, Level{2, 0, 3.5, 0.1})
	assert.ErrorIs(t, err, ErrTooClose)
	_, err = Resistance(Level{Volts: math.NaN()}, Level{2, 0, 3, 0})
	assert.Error(t, err)
}
