package procedure

import "math"

// uncertaintyOf is the standard uncertainty of a captured mean: the source's
// accuracy and the scatter of the readings.
func uncertaintyOf(c Captured) float64 {
	return math.Hypot(c.Last.Uncertainty(), scatter(c))
}

// scatter is what the readings of the mean leave open among themselves: their
// noise, the drift that may be hidden in it, and the step of the
// last place (both rectangular).
func scatter(c Captured) float64 {
	noise := 0.0
	if c.Count >= 2 && !c.Extreme {
		noise = c.Deviation / math.Sqrt(float64(c.Count))
	}
	return math.Sqrt(sq(noise) + (sq(c.Drift)+sq(c.Last.Digit))/12)
}

// uncertaintyOfDifference is that of a - b, both read by one source. On one
// range the gain error is common to both and acts on the difference only
// (JCGM 100:2008, 5.2.2: fully correlated inputs cancel); digits and range are
// taken as independent.
func uncertaintyOfDifference(a, b Captured) float64 {
	corrected := func(c Captured) bool { return c.Last.Correction != nil }
	if a.Last.Source != b.Last.Source || a.Last.FullScale != b.Last.FullScale || a.Last.FullScale == 0 || corrected(a) != corrected(b) {
		return math.Hypot(uncertaintyOf(a), uncertaintyOf(b))
	}
	gain := max(a.Last.GainUncertainty(), b.Last.GainUncertainty()) * math.Abs(a.Value-b.Value)
	return math.Sqrt(gain*gain + sq(a.Last.Fixed()) + sq(b.Last.Fixed()) + sq(scatter(a)) + sq(scatter(b)))
}

func sq(x float64) float64 { return x * x }
