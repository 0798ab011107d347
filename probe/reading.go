package probe

import (
	"fmt"
	"math"
	"time"
)

// A Quantity is what is measured. Its unit is always the SI one.
type Quantity string

// The quantities that a source can give.
const (
	Voltage     Quantity = "voltage"
	Current     Quantity = "current"
	Resistance  Quantity = "resistance"
	Temperature Quantity = "temperature"
	Frequency   Quantity = "frequency"
)

// Unit is the symbol of the quantity's SI unit: V, A, Ω, °C, Hz.
func (q Quantity) Unit() string {
	switch q {
	case Voltage:
		return "V"
	case Current:
		return "A"
	case Resistance:
		return "Ω"
	case Temperature:
		return "°C"
	case Frequency:
		return "Hz"
	}
	return ""
}

// A Reading is one value that a source gave, in the quantity's SI unit.
type Reading struct {
	Value    float64   `json:"value"`
	Quantity Quantity  `json:"quantity"`
	Source   string    `json:"source"`  // the name of the source
	Channel  string    `json:"channel"` // which of the source's channels
	At       time.Time `json:"at"`      // when the value arrived

	// What the uncertainty follows from. FullScale is the end of the range
	// in use and Digit the value of one step of the last place, both in the
	// unit of Value.
	Accuracy  Accuracy `json:"accuracy"`
	FullScale float64  `json:"full_scale"`
	Digit     float64  `json:"digit"`

	Correction *Correction `json:"correction,omitempty"` // by a calibration; nil without
}

// Uncertainty is the standard uncertainty (k = 1) that the source's accuracy and
// its calibration give to this single reading, in the unit of Value.
func (r Reading) Uncertainty() float64 {
	u := r.Accuracy.HalfWidth(r.Value, r.Digit, r.FullScale) / math.Sqrt(3)
	if r.Correction != nil {
		u = math.Hypot(u, r.Correction.Uncertainty)
	}
	return u
}

// GainUncertainty is the part of it that grows with the value, for each unit of
// the value.
func (r Reading) GainUncertainty() float64 {
	u := r.Accuracy.OfReading / math.Sqrt(3)
	if r.Correction != nil {
		u = math.Hypot(u, r.Correction.GainU)
	}
	return u
}

// Fixed is the part of the standard uncertainty that does not grow with the
// value: digits, percent of range, and what a calibration found not to be linear.
// Two readings of one source on one range differ by no more than this and the
// gain error of their difference.
func (r Reading) Fixed() float64 {
	u := r.Accuracy.HalfWidth(0, r.Digit, r.FullScale) / math.Sqrt(3)
	if r.Correction != nil {
		u = math.Hypot(u, r.Correction.Residual)
	}
	return u
}

func (r Reading) String() string {
	return fmt.Sprintf("%.6g %s", r.Value, r.Quantity.Unit())
}
