package probe

import (
	"math"
	"time"
)

// A Calibration is what a comparison with a reference has shown of one channel
// of a source: true value = Gain × reading + Offset. All values and standard
// uncertainties (k = 1) are in the channel's SI unit; Gain has none.
type Calibration struct {
	Channel      string
	Gain, Offset float64

	GainU, OffsetU float64
	Correlation    float64 // of Gain and Offset, -1 to 1
	Residual       float64 // standard deviation of the points about the line: what is not linear

	// Where it holds: between these readings, and on the range with this full
	// scale; 0 is any range.
	Low, High float64
	FullScale float64

	// Drift is what may have moved since: the part of the accuracy line that a
	// comparison on one day does not take away.
	Drift Accuracy

	Date, Due   time.Time // Due is zero when nobody set it
	Reference   string
	Certificate string // of the reference
}

// beyond is how far outside its points a calibration is still used, as a part of
// their span: noise about zero must not fall out of it.
const beyond = 0.05

// Covers tells whether the calibration was made where the reading is. Elsewhere a
// source's ranges have errors of their own, and a line is no better than a guess.
func (c Calibration) Covers(r Reading) bool {
	margin := beyond * (c.High - c.Low)
	return r.Channel == c.Channel && (c.FullScale == 0 || math.Abs(r.FullScale-c.FullScale) <= c.FullScale*1e-6) &&
		r.Value >= c.Low-margin && r.Value <= c.High+margin
}

// Uncertainty is the standard uncertainty of the corrected value for a reading,
// as far as it comes from the calibration.
func (c Calibration) Uncertainty(reading float64) float64 {
	variance := sq(c.GainU*reading) + sq(c.OffsetU) + 2*c.Correlation*c.GainU*c.OffsetU*reading
	return math.Sqrt(max(0, variance) + sq(c.Residual))
}

// Apply corrects a reading that the calibration covers. Its accuracy line then
// says what may have drifted since, where that is less than the maker's line.
// Others come back as they are.
func (c Calibration) Apply(r Reading) Reading {
	if !c.Covers(r) {
		return r
	}
	r.Correction = &Correction{Raw: r.Value, Uncertainty: c.Uncertainty(r.Value), GainU: c.GainU, Residual: c.Residual}
	if c.Drift.HalfWidth(r.Value, r.Digit, r.FullScale) < r.Accuracy.HalfWidth(r.Value, r.Digit, r.FullScale) {
		r.Accuracy = c.Drift
	}
	r.Value = c.Gain*r.Value + c.Offset
	return r
}

// A Correction says that a reading was corrected by a calibration. Standard
// uncertainties, in the unit of the value.
type Correction struct {
	Raw         float64 `json:"raw"`         // what the source gave
	Uncertainty float64 `json:"uncertainty"` // of the corrected value, from the calibration
	GainU       float64 `json:"gain_u"`      // of the gain alone
	Residual    float64 `json:"residual"`    // of what is not linear
}

func sq(x float64) float64 { return x * x }
