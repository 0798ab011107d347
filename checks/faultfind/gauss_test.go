package faultfind

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4, upper critical
// values of chi-square (figures from memory, three decimals as printed).
func TestChiSquareAgainstTheTable(t *testing.T) {
	for _, c := range []struct {
		n          int
		p, printed float64
	}{
		{1, 0.05, 3.841}, {1, 0.01, 6.635}, {5, 0.10, 9.236}, {10, 0.05, 18.307}, {10, 0.001, 29.588}, {30, 0.01, 50.892}, {100, 0.05, 124.342}, {100, 0.001, 149.449},
	} {
		assert.InEpsilon(t, c.p, chiSquareTail(c.printed, c.n), 3e-4, "%d degrees of freedom", c.n)
	}
	assert.Equal(t, 1.0, chiSquareTail(0, 3))
}

// The normal distribution at whole deviations: Abramowitz and Stegun table 26.1
// and, for the far tail, 26.2 (from memory).
func TestNormalMass(t *testing.T) {
	assert.InEpsilon(t, math.Log(0.6826894921), logMass(-1, 1), 1e-9)
	assert.InEpsilon(t, math.Log(0.0227501319), logMass(2, math.Inf(1)), 1e-8)
	assert.InEpsilon(t, math.Log(2.866515719e-7), logMass(-40, -5), 1e-8)
	assert.InDelta(t, -50.0*50/2-math.Log(50*math.Sqrt(2*math.Pi)), logMass(50, 60), 1e-3)
	assert.True(t, math.IsInf(logMass(2, 2), -1))
	// The two forms of the tail meet.
	assert.InEpsilon(t, math.Log(0.5*math.Erfc(25/math.Sqrt2)), logTail(25.0001)+25*0.0001, 1e-6)
}

// The rule integrates even powers of a normal deviate: 1, 1, 3, 15, 105.
func TestGaussHermiteMoments(t *testing.T) {
	for power, want := range map[float64]float64{0: 1, 2: 1, 4: 3, 6: 15, 8: 105} {
		sum := 0.0
		for _, node := range hermite {
			sum += node[1] * math.Pow(node[0], power)
		}
		assert.InEpsilon(t, want, sum, 1e-10, "power %v", power)
	}
}

// The mean over the sizes against plain summing up of many.
func TestMeanOverSizesAgainstSums(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		cells := evenly(0.003, 3, 4)
		c := math.Pow(10, 8*r.Float64()-3)
		b := c * (2*r.Float64() - 0.5) * math.Pow(10, 2*r.Float64()-2)
		var terms []float64
		const n = 20000
		for _, k := range cells {
			for i := range n {
				a := k.lo + (k.hi-k.lo)*(float64(i)+0.5)/n
				terms = append(terms, a*b-a*a*c/2+math.Log(k.weight/n))
			}
		}
		want := logSum(terms...)
		require.InDelta(t, want, logMean(cells, b, c), 2e-3*(1+0.01*math.Abs(want)), "b %g c %g", b, c)
	}
	assert.InDelta(t, 0.3*5-0.3*0.3*7/2, logMean([]cell{{0.3, 0.3, 1}}, 5, 7), 1e-12)
}

// A factor gives back its matrix, whitens to unit variance, and inverts.
func TestFactor(t *testing.T) {
	s := [][]float64{{4}, {2, 5}, {0.4, -1, 3}}
	full := func(i, j int) float64 { return s[max(i, j)][min(i, j)] }
	want := [3][3]float64{}
	for i := range 3 {
		for j := range 3 {
			want[i][j] = full(i, j)
		}
	}
	f := factorise(s)
	inverse := f.inverse()
	for i := range 3 {
		for j := range 3 {
			sum := 0.0
			for k := range 3 {
				sum += want[i][k] * inverse[k][j]
			}
			assert.InDelta(t, map[bool]float64{true: 1, false: 0}[i == j], sum, 1e-12)
		}
	}
	// The determinant by hand: 4·(15−1) − 2·(6+0.4) + 0.4·(−2−2).
	assert.InDelta(t, math.Log(4*14-2*6.4+0.4*-4), f.logDet, 1e-12)
	w := f.whiten([]float64{0, 0, 1})
	assert.InDelta(t, inverse[2][2], dot(w, w), 1e-12)
}

// Half below the usual value, half above: mean and deviation by simulation.
func TestHalves(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	sum, squares := 0.0, 0.0
	const n = 400000
	for range n {
		v := 0.7
		if u := r.Float64(); r.IntN(2) == 0 {
			v -= u * 0.6
		} else {
			v += u * 2.3
		}
		sum += v
		squares += v * v
	}
	mean, sd := halves(spreadOf(0.1, 0.7, 3))
	assert.InDelta(t, sum/n, mean, 0.01)
	assert.InDelta(t, math.Sqrt(squares/n-sum/n*sum/n), sd, 0.01)
}
