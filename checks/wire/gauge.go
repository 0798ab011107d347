package wire

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// feet and circular mils, as the tables print them.
const (
	metresPerThousandFeet = 304.8
	mm2PerCircularMil     = 5.067075e-4
	kgPerPound            = 0.45359237
)

// row is one size of aircraft wire.
type row struct {
	awg            string
	circularMils   float64 // AC 43.13-1B CHG 1, table 11-9, nominal conductor area
	acOhm          float64 // the same table: maximum Ω per 1000 ft at 20 °C, tin-plated
	sheetOhm       float64 // AS22759/16 data sheet, secondary: maximum Ω per 1000 ft; 0 where not listed
	diameter       float64 // same sheet: mid-point of the outside diameter, mm
	pounds         float64 // same sheet: finished mass, lb per 1000 ft
	i105, i150, i2 float64 // AC table 11-9: continuous A in a bundle, for 105, 150 and 200 °C wire
	breaker, fuse  float64 // AC table 11-3: largest protector, A; 0 where none is printed
}

// The sizes, lightest first. Table 11-9 (resistance, current) and table 11-3
// (protector) are verified; the AS22759/16 columns are secondary.
//
// The AC prints 28.40 Ω for 24 AWG where the data sheet has 26.2; the AC's
// figure is the outlier (30 % above pure copper of its own area, other sizes
// 12 to 22 %). For 0 AWG it prints 0.12, the sheet's 0.126 cut short.
var rows = []row{
	{"24", 475, 28.40, 26.2, 1.143, 2.45, 2.5, 4, 5, 0, 0},
	{"22", 755, 16.20, 16.2, 1.321, 3.52, 3, 5, 6, 5, 5},
	{"20", 1216, 9.88, 9.88, 1.524, 5.18, 4, 7, 9, 7.5, 5},
	{"18", 1900, 6.23, 6.23, 1.803, 7.65, 6, 9, 12, 10, 10},
	{"16", 2426, 4.81, 4.81, 2.007, 9.68, 7, 11, 14, 15, 10},
	{"14", 3831, 3.06, 3.06, 2.362, 14.5, 10, 14, 18, 20, 15},
	{"12", 5874, 2.02, 2.02, 2.896, 21.8, 13, 19, 25, 30, 20},
	{"10", 9354, 1.26, 1.26, 3.531, 34.0, 17, 26, 32, 40, 30},
	{"8", 16983, 0.70, 0.701, 5.055, 61.5, 38, 57, 71, 50, 50},
	{"6", 26818, 0.44, 0.445, 6.350, 96.9, 50, 76, 97, 80, 70},
	{"4", 42615, 0.28, 0.28, 7.925, 152, 68, 103, 133, 100, 70},
	{"2", 66500, 0.18, 0.183, 9.855, 231, 95, 141, 179, 125, 100},
	{"1", 81700, 0.15, 0.149, 10.947, 293, 113, 166, 210, 0, 150},
	{"0", 104500, 0.12, 0.126, 12.167, 380, 128, 192, 243, 0, 150},
	{"00", 133000, 0.09, 0.091, 13.868, 485, 147, 222, 285, 0, 0},
	{"000", 166500, 0.07, 0, 0, 0, 172, 262, 335, 0, 0},
	{"0000", 210900, 0.06, 0, 0, 0, 204, 310, 395, 0, 0},
}

// A Gauge is a size of wire: an AWG size of aircraft wire, or a metric
// cross-section. The zero Gauge is no wire.
type Gauge struct {
	index int     // 1 + index into rows; 0 for a metric size
	mm2   float64 // conductor area
}

// Sizes lists the AWG sizes of the tables, lightest first.
func Sizes() []Gauge {
	out := make([]Gauge, len(rows))
	for i := range rows {
		out[i] = awg(i)
	}
	return out
}

func awg(i int) Gauge { return Gauge{i + 1, rows[i].circularMils * mm2PerCircularMil} }

var (
	awgText    = regexp.MustCompile(`(?i)^(?:awg\s*)?#?(\d{1,2}|0{2,4}|[1-4]/0)\s*(?:awg|ga|ga\.|gauge)?$`)
	metricText = regexp.MustCompile(`(?i)^(\d+(?:[.,]\d+)?)\s*(?:mm2|mm²|mm\^2|sqmm|qmm)$`)
)

// ParseGauge reads a wire size as people write it: "22 AWG", "AWG22", "#22",
// "22", "2/0 AWG", "0.35 mm²".
func ParseGauge(text string) (Gauge, error) {
	t := strings.TrimSpace(text)
	if m := metricText.FindStringSubmatch(t); m != nil {
		area, err := strconv.ParseFloat(strings.Replace(m[1], ",", ".", 1), 64)
		if err != nil || area < 0.1 || area > 120 {
			return Gauge{}, fmt.Errorf("%q: wire sizes go from 0.1 mm² to 120 mm²", text)
		}
		return Gauge{mm2: area}, nil
	}
	m := awgText.FindStringSubmatch(t)
	if m == nil {
		return Gauge{}, fmt.Errorf("%q is not a wire size; write it like 22 AWG or 0.35 mm²", text)
	}
	size := strings.ToLower(m[1])
	if strings.HasSuffix(size, "/0") {
		size = strings.Repeat("0", int(size[0]-'0'))
	}
	for i := range rows {
		if rows[i].awg == size {
			return awg(i), nil
		}
	}
	return Gauge{}, fmt.Errorf("%q: no such aircraft wire size; listed: 24 to 2 AWG in even sizes, 1, 0, 00, 000, 0000", text)
}

// UnmarshalText reads a wire size; see [ParseGauge].
func (g *Gauge) UnmarshalText(text []byte) error {
	v, err := ParseGauge(string(text))
	if err == nil {
		*g = v
	}
	return err
}

func (g Gauge) String() string {
	switch {
	case g == Gauge{}:
		return "no wire"
	case g.index > 0:
		return rows[g.index-1].awg + " AWG"
	}
	return strconv.FormatFloat(g.mm2, 'g', 4, 64) + " mm²"
}

// MarshalText writes a wire size as [ParseGauge] reads it.
func (g Gauge) MarshalText() ([]byte, error) { return []byte(g.String()), nil }

// Area is the conductor's cross-section in mm².
func (g Gauge) Area() float64 { return g.mm2 }

// rated is the row whose ratings apply: the size itself, or for a metric size
// the next smaller AWG size, since no metric table was at hand. It is nil for
// a metric size below 24 AWG.
func (g Gauge) rated() *row {
	if g.index > 0 {
		return &rows[g.index-1]
	}
	var best *row
	for i := range rows {
		if rows[i].circularMils*mm2PerCircularMil <= g.mm2 {
			best = &rows[i]
		}
	}
	return best
}

// metricResistivity is Ω·mm²/m of a metric stranded wire at 20 °C: the ratio
// that 22 AWG aircraft wire shows (16.2 Ω per 1000 ft, 755 circular mils),
// 18 % above pure copper. Derived; no metric table was at hand.
const metricResistivity = 16.2 / metresPerThousandFeet * 755 * mm2PerCircularMil

// temperatureCoefficient of copper at 20 °C, per kelvin. AC 43.13-1B p. 11-22
// says the same with (234.5 + T)/254.5.
const temperatureCoefficient = 0.00393

// MaxResistance is the largest resistance in Ω/m that good wire of this size
// may have at a conductor temperature in °C: AS22759/16 data sheet, and where
// that lists none, AC 43.13-1B table 11-9.
func (g Gauge) MaxResistance(celsius float64) float64 {
	r20 := 0.0
	switch {
	case g == Gauge{}:
		return math.Inf(1)
	case g.index == 0:
		r20 = metricResistivity / g.mm2
	default:
		r20 = rows[g.index-1].sheetOhm / metresPerThousandFeet
		if r20 == 0 {
			r20 = rows[g.index-1].acOhm / metresPerThousandFeet
		}
	}
	return r20 * AtTemperature(celsius)
}

// AtTemperature is the resistance of copper at a temperature in °C, as a
// multiple of that at 20 °C. AC 43.13-1B p. 11-22.
func AtTemperature(celsius float64) float64 { return 1 + temperatureCoefficient*(celsius-20) }

// Nominal is what a wire usually measures, as part of the printed maximum.
// The reference calls 3 to 8 % below usual; from memory, no published source.
const Nominal = 0.95

// Least is the least that a sound wire of the right size and length measures,
// as part of the printed maximum. Common practice: the conductor's area is
// nowhere more than a tenth above the nominal one.
const Least = 0.88

// ResistanceSource says where [Gauge.MaxResistance] comes from.
func (g Gauge) ResistanceSource() Citation {
	if g.index == 0 {
		return Citation{"resistivity of 22 AWG aircraft wire, by area", Derived}
	}
	if rows[g.index-1].sheetOhm == 0 {
		return tableWire
	}
	return sheetWire
}

// Mass is the finished wire's mass in kg/m: AS22759/16 data sheet; for sizes
// that it does not list, scaled by area from the nearest that it does.
func (g Gauge) Mass() float64 {
	if g.index > 0 && rows[g.index-1].pounds > 0 {
		return rows[g.index-1].pounds * kgPerPound / metresPerThousandFeet
	}
	nearest := 0
	for i := range rows {
		if rows[i].pounds > 0 && math.Abs(math.Log(g.mm2/awg(i).mm2)) < math.Abs(math.Log(g.mm2/awg(nearest).mm2)) {
			nearest = i
		}
	}
	return awg(nearest).Mass() * g.mm2 / awg(nearest).mm2
}

// Insulation is a wire's temperature rating in °C.
type Insulation int

// The ratings that table 11-9 lists.
const (
	Rated105 Insulation = 105
	Rated150 Insulation = 150
	Rated200 Insulation = 200
)

// Ampacity is the continuous current in amperes that the wire may carry in a
// bundle under the conditions of AC 43.13-1B table 11-9 (70 °C, 33 or more
// wires, 60 000 ft: the hard case). 0 for a size or rating not listed.
func (g Gauge) Ampacity(rating Insulation) (float64, Citation) {
	r := g.rated()
	if r == nil {
		return 0, tableWire
	}
	switch {
	case rating >= Rated200:
		return r.i2, tableWire
	case rating >= Rated150:
		return r.i150, tableWire
	case rating >= Rated105:
		return r.i105, tableWire
	}
	return 0, tableWire
}

// LargestProtector is the largest breaker (or fuse) in amperes that may guard
// the wire by AC 43.13-1B table 11-3. 0 where the table prints none.
func (g Gauge) LargestProtector(fuse bool) (float64, Citation) {
	r := g.rated()
	switch {
	case r == nil:
		return 0, tableProtector
	case fuse:
		return r.fuse, tableProtector
	}
	return r.breaker, tableProtector
}
