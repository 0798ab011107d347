package node

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
)

// mean converts a voltage, in steps, with noise, and averages.
func mean(rng *rand.Rand, steps, noise float64, scans, conversions int) tally {
	var t tally
	for range scans {
		sum := 0
		for range conversions {
			sum += int(math.Floor(steps + noise*rng.NormFloat64()))
		}
		t.add(uint16(sum), conversions, 1023)
	}
	return t
}

// With any voltage, noise and number of conversions, the error of the mean is
// as one digit says: its standard uncertainty is digit/√3.
func TestADigitIsWorthWhatItClaims(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for _, noise := range []float64{0, 0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 1, 3} {
		for _, conversions := range []int{1, 16} {
			for _, scans := range []int{10, 30, 100, 1000} {
				beyond, square, claimed := 0, 0.0, 0.0
				const tries = 60
				for range tries {
					steps := 100 + rng.Float64()
					m := mean(rng, steps, noise, scans, conversions)
					digit := m.refine()
					err := m.code() + 0.5 - steps
					square += err * err
					claimed += digit * digit / 3
					if math.Abs(err) > math.Sqrt(3)*digit {
						beyond++
					}
				}
				assert.LessOrEqual(t, beyond, tries/10, "noise %v, %d × %d: beyond three standard uncertainties", noise, scans, conversions)
				assert.LessOrEqual(t, math.Sqrt(square/tries), 1.3*math.Sqrt(claimed/tries), "noise %v, %d × %d", noise, scans, conversions)
			}
		}
	}
}

func TestNoMeanIsFinerWithoutNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for _, steps := range []float64{100.5, 100.999, 101, 101.001} {
		for _, noise := range []float64{0, 0.01, 0.1} {
			m := mean(rng, steps, noise, 1000, 1)
			assert.Equal(t, 1.0, m.refine(), "%v steps, noise %v", steps, noise)
		}
	}
	m := mean(rng, 100, 5, 9, 64)
	assert.Equal(t, 1.0, m.refine(), "a few scans tell nothing of their noise")
}

func TestNoMeanIsFinerThanASixteenth(t *testing.T) {
	m := mean(rand.New(rand.NewPCG(1, 1)), 100.3, 0.6, 10000, 1)
	assert.Equal(t, 1.0/16, m.refine())
}
