// Package loadstep finds a resistance from two levels of load: of a wire run,
// of the way back, of a battery's inside.
//
//	r, err := loadstep.Resistance(low, high)
//	r.Ohms, r.U
//
// The voltage lost over the resistance is read at two currents; its slope is
// the resistance. What the voltmeter shows with no voltage at all stands in both
// readings and drops out, which a single reading divided by its current keeps.
package loadstep

import (
	"errors"
	"fmt"
	"math"
)

// A Level is one of the two: the voltage in volts lost over the resistance and
// the current in amperes through it, each with its standard uncertainty (k = 1)
// without what both levels have in common, such as an offset.
type Level struct{ Volts, UVolts, Amperes, UAmperes float64 }

// A Result is the resistance in ohms with its standard uncertainty.
type Result struct{ Ohms, U float64 }

// ErrTooClose is returned, wrapped, when the two currents are not told apart.
var ErrTooClose = errors.New("the two currents are too close together")

// apart is how many standard uncertainties of their difference must lie between
// the two currents. Common practice; no published source. Below it the slope is
// no longer nearly normal.
const apart = 5

// Resistance is the slope between two levels. Its uncertainty is that of
// R = ΔV/ΔI to first order (JCGM 100:2008, 5.1.2), the four readings taken as
// independent.
//
// For a battery, whose voltage falls as the current rises, give the volts that
// it lost, or change the sign of the result.
func Resistance(low, high Level) (Result, error) {
	dv, di := high.Volts-low.Volts, high.Amperes-low.Amperes
	uv, ui := math.Hypot(low.UVolts, high.UVolts), math.Hypot(low.UAmperes, high.UAmperes)
	for _, x := range []float64{dv, di, uv, ui} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return Result{}, errors.New("a reading is no number")
		}
	}
	if math.Abs(di) <= apart*ui || di == 0 {
		return Result{}, fmt.Errorf("%w: %.3g A apart with an uncertainty of ±%.2g A; switch more load on between them", ErrTooClose, math.Abs(di), 2*ui)
	}
	r := dv / di
	return Result{r, math.Hypot(uv, r*ui) / math.Abs(di)}, nil
}
