package trend

import (
	"cmp"
	"slices"
)

// UsualRate is the rate of false alarms, over all comparisons of two worksheets
// together, that is used unless another is asked for.
const UsualRate = 0.05

// Holm tells which of many hypotheses to reject so that the probability of
// rejecting even one true one is at most rate, whatever they have in common:
// S. Holm, "A simple sequentially rejective multiple test procedure", Scand. J.
// Statist. 6 (1979) 65-70 (from memory).
func Holm(p []float64, rate float64) []bool {
	out := make([]bool, len(p))
	for k, i := range ascending(p) {
		if p[i] > rate/float64(len(p)-k) {
			break
		}
		out[i] = true
	}
	return out
}

// BenjaminiHochberg tells which of many hypotheses to reject so that, of those
// rejected, the expected share of true ones is at most rate, where they are
// independent or positively dependent: Y. Benjamini and Y. Hochberg, "Controlling
// the false discovery rate", J. R. Statist. Soc. B 57 (1995) 289-300 (from memory).
func BenjaminiHochberg(p []float64, rate float64) []bool {
	out := make([]bool, len(p))
	order := ascending(p)
	last := -1
	for k, i := range order {
		if p[i] <= rate*float64(k+1)/float64(len(p)) {
			last = k
		}
	}
	for _, i := range order[:last+1] {
		out[i] = true
	}
	return out
}

// ascending is the order of values, the smallest first.
func ascending(p []float64) []int {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	return order
}
