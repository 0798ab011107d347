// Package thermistor says what resistance a temperature sensor has at a
// temperature, and which temperature a resistance stands for.
//
//	s := thermistor.SteinhartHart{A: 1.129241e-3, B: 2.341077e-4, C: 8.775468e-8}
//	s.Ohms(25)       // 9999.986
//	s.Celsius(10000) // 24.99997
//
// [SteinhartHart] holds over the whole range of a thermistor; [Beta] between
// two points not far apart. Temperatures are in °C, resistances in ohms.
package thermistor

import "math"

const kelvin = 273.15

// SteinhartHart is the curve 1/T = A + B ln R + C (ln R)³, T in kelvin. C is not
// zero.
type SteinhartHart struct{ A, B, C float64 }

// Celsius is the temperature that a resistance above zero stands for.
func (s SteinhartHart) Celsius(ohms float64) float64 {
	l := math.Log(ohms)
	return 1/(s.A+s.B*l+s.C*l*l*l) - kelvin
}

// Ohms is the resistance at a temperature: the real root of the cubic.
func (s SteinhartHart) Ohms(celsius float64) float64 {
	y := (s.A - 1/(celsius+kelvin)) / s.C
	x := math.Sqrt(math.Pow(s.B/(3*s.C), 3) + y*y/4)
	return math.Exp(math.Cbrt(x-y/2) - math.Cbrt(x+y/2))
}

// A Point is one row of a sensor's table.
type Point struct{ Celsius, Ohms float64 }

// Beta is the curve R = R₀ exp(β (1/T - 1/T₀)) with T₀, R₀ at a point; B is in
// kelvin, 0 for a plain resistance.
type Beta struct {
	At Point
	B  float64
}

// Between is the curve through two rows of different temperature.
func Between(a, b Point) Beta {
	return Beta{a, math.Log(b.Ohms/a.Ohms) / (1/(b.Celsius+kelvin) - 1/(a.Celsius+kelvin))}
}

// Ohms is the resistance at a temperature.
func (b Beta) Ohms(celsius float64) float64 {
	return b.At.Ohms * math.Exp(b.B*(1/(celsius+kelvin)-1/(b.At.Celsius+kelvin)))
}

// Celsius is the temperature that a resistance stands for; NaN where B is 0.
func (b Beta) Celsius(ohms float64) float64 {
	if b.B == 0 {
		return math.NaN()
	}
	return 1/(math.Log(ohms/b.At.Ohms)/b.B+1/(b.At.Celsius+kelvin)) - kelvin
}
