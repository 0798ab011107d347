package wire

import "math"

// tableAmbient is the air temperature in °C that table 11-9 is made for.
const tableAmbient = 70

// Rise is how many kelvin a continuous current in amperes heats a wire above
// the air around it, at most: AC 43.13-1B p. 11-23,
// T2 = T1 + (TR - T1)·√(I/Imax), with Imax from table 11-9, which is made for
// 70 °C. The symbols are verified, the formula itself is from memory. Heating
// goes with the square of the current, not its root, so up to Imax this form
// says more than really comes: it is the conservative one.
func (g Gauge) Rise(amperes float64, rating Insulation) (float64, Citation) {
	most, _ := g.Ampacity(rating)
	if most == 0 {
		return 0, ruleRise
	}
	ratio := math.Abs(amperes) / most
	if ratio > 1 { // beyond the table the root would say too little
		return (float64(rating) - tableAmbient) * ratio * ratio, ruleRise
	}
	return (float64(rating) - tableAmbient) * math.Sqrt(ratio), ruleRise
}

// Copper's density and specific heat, kg/m³ and J/(kg·K): physical constants,
// from memory.
const (
	copperDensity = 8960
	copperHeat    = 385
)

// ShortRise is how many kelvin a current heats a wire in a time in seconds if
// none of the heat leaves it: the most that can happen, whatever the bundle.
// Derived from copper's heat capacity, with the resistance at a conductor
// temperature in °C.
func (g Gauge) ShortRise(amperes, seconds, celsius float64) (float64, Citation) {
	perMetre := g.mm2 * 1e-6 * copperDensity * copperHeat
	return amperes * amperes * g.MaxResistance(celsius) * seconds / perMetre,
		Citation{"copper's heat capacity, no heat leaving the wire", Derived}
}

// Surroundings are what a wire lies in.
type Surroundings struct {
	Ambient  float64 // temperature of the air around the bundle, °C
	Wires    int     // wires in the bundle, itself counted; 1 is alone
	Loaded   float64 // part of the bundle's capacity in use, 0 to 1
	Altitude float64 // metres
}

// The estimate's constants. The first two are fitted to four points in free
// air (12, 14, 20 and 22 AWG), exact at the one that is verified (14 AWG); the
// third to three points of bundles.
const (
	freeAir      = 2.502 // A for 1 mm² and 1 K
	freeAirPower = 0.645
	bundlePower  = 0.336
)

// Altitude factors: sea level by definition, 20 000 ft verified (AC 43.13-1B
// p. 11-27), 60 000 ft from memory (AC 43.13-1B 11-69).
var altitudes = []struct{ metres, factor float64 }{{0, 1}, {6096, 0.91}, {18288, 0.79}}

// EstimateError is the largest error of [Gauge.EstimatedAmpacity] at the
// published points, as a part of the published figure; the tests hold it to
// that. At the free-air, bundle and altitude points of the circular's examples
// it is within 2 %; over the sizes and ratings of table 11-9 within 8 %, but
// for 20 and 22 AWG at 105 °C, which the table has in whole amperes: 14 %.
const EstimateError = 0.14

// EstimatedAmpacity estimates the continuous current in amperes that heats a
// wire to its rating in its own surroundings. The circular prints these curves
// as pictures only, so this is no rule: it is
//
//	2.502 A · (area/mm²)^0.645 · √(rating - ambient) · (wires · loaded)^-0.336 · altitude factor
//
// with the altitude factor on straight lines between its points. See
// [EstimateError].
func (g Gauge) EstimatedAmpacity(rating Insulation, s Surroundings) (float64, Citation) {
	alone := freeAir * math.Pow(g.mm2, freeAirPower) * math.Sqrt(math.Max(0, float64(rating)-s.Ambient))
	bundle := math.Pow(math.Max(1, float64(s.Wires)*s.Loaded), -bundlePower)
	return alone * bundle * altitudeFactor(s.Altitude),
		Citation{"estimate fitted to the points of AC 43.13-1B 11-69, within 14 % of table 11-9", Derived}
}

func altitudeFactor(metres float64) float64 {
	for i := 1; i < len(altitudes); i++ {
		a, b := altitudes[i-1], altitudes[i]
		if metres <= b.metres {
			part := math.Max(0, metres-a.metres) / (b.metres - a.metres)
			return a.factor + part*(b.factor-a.factor)
		}
	}
	return altitudes[len(altitudes)-1].factor
}

// TableSurroundings are those that table 11-9 is made for, by size: 33 or more
// wires (9 for 8 AWG and larger) with no more than a fifth of the bundle's
// capacity in use, 70 °C, 60 000 ft.
func (g Gauge) TableSurroundings() Surroundings {
	s := Surroundings{Ambient: tableAmbient, Wires: 33, Loaded: 0.2, Altitude: 18288}
	if g.mm2 > 8 { // 8 AWG is 8.6 mm²
		s.Wires = 9
	}
	return s
}
