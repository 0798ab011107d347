package wire

import "math"

// Endurance is how many seconds a battery lasts at a constant current in
// amperes: Peukert's law in the form that counts from the rated hours,
//
//	t = H · (C / (I·H))ⁿ
//
// with the capacity C in ampere-hours that the battery gives over H seconds,
// and the exponent n, 1 or more. The plain form t = C/Iⁿ is the same with the
// capacity at one ampere, and wrong with one at any other rate.
func Endurance(ampereHours, ratedSeconds, exponent, amperes float64) float64 {
	if amperes <= 0 {
		return math.Inf(1)
	}
	hours := ratedSeconds / 3600
	return ratedSeconds * math.Pow(ampereHours/(amperes*hours), exponent)
}

// ColdShare is the part of a lead-acid battery's capacity that is left at a
// temperature in °C: 1 % less for each kelvin below 25 °C, at least 0.4, never
// more than 1. Common practice; the maker's sheet says better.
func ColdShare(celsius float64) (float64, Citation) {
	return math.Min(1, math.Max(0.4, 1-0.01*(25-celsius))), Citation{"1 % of capacity for each kelvin below 25 °C", CommonPractice}
}

// LeastHealth is the part of its rated capacity below which a battery is to be
// replaced, and so the least that one in service has.
func LeastHealth() (float64, Citation) {
	return 0.8, Citation{"battery maker's owner manual: replace below 80 % of rated capacity", Verified}
}

// SourceShare is the part of an alternator's or generator's rating that the
// continuous loads should not exceed.
func SourceShare() (float64, Citation) {
	return 0.8, Citation{"AC 43.13-1B 11-35: 80 % of the generator's rating", Verified}
}

// Regulation is the span in volts that a regulator should hold, by nominal
// system voltage: service manuals for 14 V and for 28 V. Zeros for another
// voltage.
func Regulation(nominal float64) (low, high float64, cite Citation) {
	switch nominal {
	case 14:
		return 13.6, 14.4, Citation{"service manual of a 14 V single: 13.6 V to 14.4 V", Verified}
	case 28:
		return 28.25, 28.75, Citation{"component manual of a 28 V regulator: 28.25 V to 28.75 V", Verified}
	}
	return 0, 0, Citation{}
}

// CrankingVoltage is the least that a bus should hold while the engine is
// cranked: 12 V in a 28 V aircraft; half of that in a 14 V one.
func CrankingVoltage(nominal float64) (float64, Citation) {
	if nominal == 28 {
		return 12, Citation{"MIL-STD-704F, engine starting: 12 V", Secondary}
	}
	return nominal * 12 / 28, Citation{"MIL-STD-704F, engine starting: 12 V at 28 V, by proportion", Derived}
}
