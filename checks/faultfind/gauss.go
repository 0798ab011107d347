package faultfind

import "math"

// A factor is the Cholesky factor of a covariance, row by row, lower triangle.
type factor struct {
	rows   [][]float64
	logDet float64 // of the covariance
}

// factorise factors a positive definite matrix, using it up. Its diagonal holds
// each reading's own variance, so that it is never singular.
func factorise(s [][]float64) factor {
	f := factor{rows: s}
	for i := range s {
		row := s[i]
		for j := range i {
			other := s[j]
			sum := row[j]
			for k, x := range other[:j] {
				sum -= row[k] * x
			}
			row[j] = sum / other[j]
		}
		sum := row[i]
		for _, x := range row[:i] {
			sum -= x * x
		}
		row[i] = math.Sqrt(math.Max(sum, 1e-30))
		f.logDet += 2 * math.Log(row[i])
	}
	return f
}

// whiten solves L x = v: a vector of covariance S becomes one of covariance 1.
func (f factor) whiten(v []float64) []float64 {
	x := make([]float64, len(v))
	first := 0
	for first < len(v) && v[first] == 0 {
		first++ // what is zero at the front stays zero
	}
	for i := first; i < len(v); i++ {
		sum := v[i]
		row := f.rows[i]
		for k := first; k < i; k++ {
			sum -= row[k] * x[k]
		}
		x[i] = sum / row[i]
	}
	return x
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}

// logMass is the logarithm of the probability that a standard normal deviate
// lies between lo and hi; it holds far out in the tails, too.
func logMass(lo, hi float64) float64 {
	if lo >= hi {
		return math.Inf(-1)
	}
	if hi < 0 {
		lo, hi = -hi, -lo
	}
	if lo <= 0 {
		return math.Log(0.5 * (math.Erf(hi/math.Sqrt2) - math.Erf(lo/math.Sqrt2)))
	}
	// Both above zero: Q(lo) - Q(hi).
	a, b := logTail(lo), logTail(hi)
	return a + math.Log1p(-math.Exp(b-a))
}

// logTail is the logarithm of the upper tail of the standard normal
// distribution, x at least 0.
func logTail(x float64) float64 {
	if math.IsInf(x, 1) {
		return math.Inf(-1)
	}
	if x < 25 {
		return math.Log(0.5 * math.Erfc(x/math.Sqrt2))
	}
	// Asymptotic series, Abramowitz and Stegun 26.2.12 (from memory).
	return -0.5*x*x - math.Log(x*math.Sqrt(2*math.Pi)) + math.Log1p(-1/(x*x)+3/math.Pow(x, 4))
}

// logSum is the logarithm of a sum of exponentials.
func logSum(terms ...float64) float64 {
	most := math.Inf(-1)
	for _, t := range terms {
		most = math.Max(most, t)
	}
	if math.IsInf(most, -1) {
		return most
	}
	sum := 0.0
	for _, t := range terms {
		sum += math.Exp(t - most)
	}
	return most + math.Log(sum)
}

// chiSquareTail is the probability that chi-square with n degrees of freedom is
// x or more, by the regularised incomplete gamma function (series and continued
// fraction).
func chiSquareTail(x float64, n int) float64 {
	if n <= 0 || x <= 0 {
		return 1
	}
	a, z := float64(n)/2, x/2
	lg, _ := math.Lgamma(a)
	front := math.Exp(a*math.Log(z) - z - lg)
	if z < a+1 {
		sum, term := 1/a, 1/a
		for k := 1; k < 10000; k++ {
			term *= z / (a + float64(k))
			sum += term
			if term < sum*1e-15 {
				break
			}
		}
		return math.Max(0, 1-front*sum)
	}
	// Lentz's method.
	b := z + 1 - a
	c, d := 1e300, 1/b
	h := d
	for k := 1; k < 10000; k++ {
		an := -float64(k) * (float64(k) - a)
		b += 2
		d = 1 / (an*d + b)
		c = b + an/c
		h *= d * c
		if math.Abs(d*c-1) < 1e-15 {
			break
		}
	}
	return front * h
}

// A cell is a piece of a size's prior: evenly spread from lo to hi with a weight;
// a single value where lo equals hi.
type cell struct{ lo, hi, weight float64 }

// logMean is the logarithm of the mean of exp(a·b − a²·c/2) over the cells.
func logMean(cells []cell, b, c float64) float64 {
	terms := make([]float64, len(cells))
	for i, k := range cells {
		terms[i] = math.Log(k.weight) + k.logMean(b, c)
	}
	return logSum(terms...)
}

func (k cell) logMean(b, c float64) float64 {
	at := func(a float64) float64 { return a*b - a*a*c/2 }
	width := k.hi - k.lo
	// Where the parabola hardly bends over the cell, its middle tells it.
	if steep := math.Abs(b-c*(k.lo+k.hi)/2) * width; steep+c*width*width < 1e-3 {
		return at((k.lo + k.hi) / 2)
	}
	root := math.Sqrt(c)
	if root*width < 1e-6 { // a plain exponential
		return logSum(at(k.lo), at(k.hi)) - math.Ln2
	}
	peak := b / c
	mass := logMass((k.lo-peak)*root, (k.hi-peak)*root)
	return b*b/(2*c) + 0.5*math.Log(2*math.Pi) - math.Log(root*width) + mass
}

// evenly makes cells that are even on the logarithm from lo to hi, n a decade at
// least.
func evenly(lo, hi float64, n int) []cell {
	count := max(1, int(math.Ceil(math.Log10(hi/lo)*float64(n))))
	out := make([]cell, count)
	for i := range out {
		out[i] = cell{lo * math.Pow(hi/lo, float64(i)/float64(count)), lo * math.Pow(hi/lo, float64(i+1)/float64(count)), 1 / float64(count)}
	}
	return out
}
