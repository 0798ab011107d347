// Package units reads and writes quantities as people write them.
//
// Inside the program every quantity is a number in its SI unit; feet, inches,
// milliohms and percent exist only at the edges, and this package is the edge:
//
//	var l units.Metres
//	err := l.UnmarshalText([]byte("6 ft"))   // 1.8288
//	units.Format(0.0123, "Ω")                // "12.3 mΩ"
//
// A number without a unit is refused, because nobody can tell 6 m from 6 ft.
package units

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
)

// The quantities of a design, each in its SI unit.
type (
	// Volts is an electric potential difference in volts.
	Volts float64
	// Amperes is a current in amperes.
	Amperes float64
	// Ohms is a resistance in ohms.
	Ohms float64
	// Watts is a power in watts.
	Watts float64
	// Metres is a length in metres.
	Metres float64
	// Seconds is a time in seconds.
	Seconds float64
	// AmpereHours is a battery capacity in ampere-hours.
	AmpereHours float64
	// Kilograms is a mass in kilograms.
	Kilograms float64
	// Celsius is a temperature in degrees Celsius.
	Celsius float64
	// Fraction is a part of one: 0.1 is 10 %.
	Fraction float64
)

// A scale turns a written unit into the SI one: si = value*factor + offset.
type scale struct {
	factor, offset float64
}

// A dimension is a family of units for one quantity. The first name in order
// is the one that messages propose.
type dimension struct {
	name   string
	sample string // how a person writes one, for messages
	units  map[string]scale
}

func by(factor float64) scale { return scale{factor: factor} }

var (
	volts   = dimension{"a voltage", "14 V", map[string]scale{"V": by(1), "mV": by(1e-3), "kV": by(1e3)}}
	amperes = dimension{"a current", "2.5 A", map[string]scale{"A": by(1), "mA": by(1e-3), "uA": by(1e-6)}}
	ohms    = dimension{"a resistance", "3 mΩ", map[string]scale{
		"Ω": by(1), "ohm": by(1), "ohms": by(1), "mΩ": by(1e-3), "mohm": by(1e-3), "milliohm": by(1e-3),
		"uΩ": by(1e-6), "uohm": by(1e-6), "kΩ": by(1e3), "kohm": by(1e3), "MΩ": by(1e6), "Mohm": by(1e6),
	}}
	watts  = dimension{"a power", "35 W", map[string]scale{"W": by(1), "mW": by(1e-3), "kW": by(1e3)}}
	metres = dimension{"a length", "1.8 m or 6 ft", map[string]scale{
		"m": by(1), "cm": by(0.01), "mm": by(0.001), "ft": by(0.3048), "foot": by(0.3048), "feet": by(0.3048), "'": by(0.3048),
		"in": by(0.0254), "inch": by(0.0254), "inches": by(0.0254), "\"": by(0.0254), "yd": by(0.9144),
	}}
	seconds = dimension{"a time", "30 s", map[string]scale{
		"s": by(1), "ms": by(1e-3), "min": by(60), "h": by(3600), "sec": by(1),
	}}
	ampereHours = dimension{"a capacity", "16 Ah", map[string]scale{"Ah": by(1), "mAh": by(1e-3), "A.h": by(1)}}
	kilograms   = dimension{"a mass", "1.2 kg", map[string]scale{
		"kg": by(1), "g": by(1e-3), "lb": by(0.45359237), "oz": by(0.028349523125),
	}}
	celsius = dimension{"a temperature", "20 °C or 68 °F", map[string]scale{
		"°C": by(1), "C": by(1), "degC": by(1), "°F": {5.0 / 9, -160.0 / 9}, "F": {5.0 / 9, -160.0 / 9}, "degF": {5.0 / 9, -160.0 / 9},
	}}
	fractions = dimension{"a percentage", "10 %", map[string]scale{"%": by(0.01), "percent": by(0.01), "ppm": by(1e-6)}}
)

// parse reads "number unit", with or without a space, decimal point or comma.
func (d dimension) parse(text string) (float64, error) {
	t := strings.TrimSpace(text)
	cut := len(t)
	for i, r := range t {
		if !strings.ContainsRune("+-0123456789.,eE", r) || (r == 'e' || r == 'E') && !exponentAt(t, i) {
			cut = i
			break
		}
	}
	number := strings.Replace(strings.TrimSpace(t[:cut]), ",", ".", 1)
	value, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsInf(value, 0) || math.IsNaN(value) {
		return 0, fmt.Errorf("%q is not %s; write it like %s", text, d.name, d.sample)
	}
	unit := strings.NewReplacer("µ", "u", "μ", "u", "Ω", "Ω").Replace(strings.TrimSpace(t[cut:]))
	if unit == "" {
		return 0, fmt.Errorf("%q has no unit; write it like %s", text, d.sample)
	}
	s, ok := d.units[unit]
	if !ok {
		return 0, fmt.Errorf("%q: unknown unit %q for %s; known: %s", text, unit, d.name, d.known())
	}
	return value*s.factor + s.offset, nil
}

// exponentAt tells an exponent ("1e3") from the beginning of a unit.
func exponentAt(t string, i int) bool {
	rest := t[i+1:]
	rest = strings.TrimLeft(rest, "+-")
	return rest != "" && rest[0] >= '0' && rest[0] <= '9'
}

func (d dimension) known() string {
	names := make([]string, 0, len(d.units))
	for n := range d.units {
		names = append(names, n)
	}
	sort.Strings(names)
	return strings.Join(names, ", ")
}

func set[T ~float64](to *T, d dimension, text []byte) error {
	v, err := d.parse(string(text))
	if err == nil {
		*to = T(v)
	}
	return err
}

// UnmarshalText reads a voltage: V, mV, kV.
func (q *Volts) UnmarshalText(t []byte) error { return set(q, volts, t) }

// UnmarshalText reads a current: A, mA, µA.
func (q *Amperes) UnmarshalText(t []byte) error { return set(q, amperes, t) }

// UnmarshalText reads a resistance: Ω, mΩ, µΩ, kΩ, MΩ, or "ohm" spelled out.
func (q *Ohms) UnmarshalText(t []byte) error { return set(q, ohms, t) }

// UnmarshalText reads a power: W, mW, kW.
func (q *Watts) UnmarshalText(t []byte) error { return set(q, watts, t) }

// UnmarshalText reads a length: m, cm, mm, ft, in, yd.
func (q *Metres) UnmarshalText(t []byte) error { return set(q, metres, t) }

// UnmarshalText reads a time: s, ms, min, h.
func (q *Seconds) UnmarshalText(t []byte) error { return set(q, seconds, t) }

// UnmarshalText reads a battery capacity: Ah, mAh.
func (q *AmpereHours) UnmarshalText(t []byte) error { return set(q, ampereHours, t) }

// UnmarshalText reads a mass: kg, g, lb, oz.
func (q *Kilograms) UnmarshalText(t []byte) error { return set(q, kilograms, t) }

// UnmarshalText reads a temperature: °C or °F.
func (q *Celsius) UnmarshalText(t []byte) error { return set(q, celsius, t) }

// UnmarshalText reads a percentage: %, or ppm.
func (q *Fraction) UnmarshalText(t []byte) error { return set(q, fractions, t) }

func (q Volts) String() string       { return Format(float64(q), "V") }
func (q Amperes) String() string     { return Format(float64(q), "A") }
func (q Ohms) String() string        { return Format(float64(q), "Ω") }
func (q Watts) String() string       { return Format(float64(q), "W") }
func (q Metres) String() string      { return trim(float64(q), 2) + " m" }
func (q Seconds) String() string     { return trim(float64(q), 3) + " s" }
func (q AmpereHours) String() string { return trim(float64(q), 2) + " Ah" }
func (q Celsius) String() string     { return trim(float64(q), 1) + " °C" }
func (q Fraction) String() string    { return trim(float64(q)*100, 2) + " %" }

// String is in grams below one kilogram, since looms are weighed in grams.
func (q Kilograms) String() string {
	if math.Abs(float64(q)) < 1 {
		return trim(float64(q)*1000, 1) + " g"
	}
	return trim(float64(q), 3) + " kg"
}

// trim writes a value with at most n decimals and no idle zeros.
func trim(v float64, n int) string {
	s := strconv.FormatFloat(v, 'f', n, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	return s
}

// Format writes a value in V, A, Ω or W for a person: four significant
// figures, with the prefix that the size asks for.
func Format(value float64, unit string) string { return ScaleOf(unit, value).Format(value) }

// FormatWith writes a value beside its expanded uncertainty: both in one unit,
// to the place of the uncertainty's second figure (JCGM 100:2008, 7.2.6).
func FormatWith(value, expanded float64, unit string) string {
	return ScaleOf(unit, value, expanded).FormatWith(value, expanded)
}

// A Scale is a unit with a prefix, for values that stand on one line.
type Scale struct {
	unit   string
	prefix string
	factor float64
}

// ScaleOf is the scale that the largest of the values asks for.
func ScaleOf(unit string, values ...float64) Scale {
	largest := 0.0
	for _, v := range values {
		if a := math.Abs(v); a > largest && !math.IsInf(a, 0) {
			largest = a
		}
	}
	if largest < 1e-12 {
		return Scale{unit, "", 1}
	}
	v, prefix := prefixed(largest, unit)
	return Scale{unit, prefix, v / largest}
}

// Format writes a value with four significant figures.
func (s Scale) Format(value float64) string {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return "no value"
	}
	if math.Abs(value) < 1e-12 {
		value = 0
	}
	v := value * s.factor
	return trim(v, decimals(v)) + " " + s.prefix + s.unit
}

// FormatWith writes a value beside its expanded uncertainty.
func (s Scale) FormatWith(value, expanded float64) string {
	if expanded <= 0 || math.IsNaN(expanded) || math.IsInf(expanded, 0) {
		return s.Format(value)
	}
	places := max(0, min(6, 1-int(math.Floor(math.Log10(expanded*s.factor)))))
	return fmt.Sprintf("%.*f ± %.*f %s%s", places, value*s.factor, places, expanded*s.factor, s.prefix, s.unit)
}

func prefixed(value float64, unit string) (float64, string) {
	a := math.Abs(value)
	switch {
	case a == 0 || unit == "°C" || unit == "°" || unit == "s" || unit == "rpm" || unit == "" || unit == "Hz" && a < 1e3:
		return value, ""
	case a < 0.9995e-3:
		return value * 1e6, "µ"
	case a < 0.9995:
		return value * 1e3, "m"
	case a >= 0.9995e6:
		return value / 1e6, "M"
	case a >= 0.9995e3:
		return value / 1e3, "k"
	}
	return value, ""
}

// decimals is how many decimals leave four significant figures.
func decimals(v float64) int {
	a := math.Abs(v)
	if a == 0 {
		return 0
	}
	return max(0, min(6, 3-int(math.Floor(math.Log10(a)))))
}
