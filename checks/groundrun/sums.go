package groundrun

import (
	"math"
	"slices"
)

func meanAndSpread(x []float64) (mean, spread float64) {
	if len(x) == 0 {
		return math.NaN(), math.NaN()
	}
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		spread += (v - mean) * (v - mean)
	}
	if len(x) > 1 {
		spread = math.Sqrt(spread / float64(len(x)-1))
	}
	return mean, spread
}

// median leaves x as it is. Without values it is NaN.
func median(x []float64) float64 { return quantile(x, 0.5) }

// quantile leaves x as it is. Without values it is NaN.
func quantile(x []float64, part float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Clone(x)
	slices.Sort(s)
	return s[min(len(s)-1, int(part*float64(len(s))))]
}

// finite keeps what is a number.
func finite(x []float64) []float64 {
	out := make([]float64, 0, len(x))
	for _, v := range x {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			out = append(out, v)
		}
	}
	return out
}
