package wire

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func gauge(t *testing.T, text string) Gauge {
	t.Helper()
	g, err := ParseGauge(text)
	require.NoError(t, err)
	return g
}

// AC 43.13-1B p. 11-22, table 11-7: required size at 20 A, resistance of the
// chart wire times length times current. The table prints 0.942, 0.504, 3.60
// and 6.12 V; 3.60 is a rounding of 3.555.
func TestTable11_7(t *testing.T) {
	for _, c := range []struct {
		size       string
		feet, want float64
	}{{"6", 107, 0.9416}, {"4", 90, 0.5040}, {"12", 88, 3.5552}, {"14", 100, 6.1200}} {
		r := gauge(t, c.size)
		var ac float64
		for i := range rows {
			if awg(i) == r {
				ac = rows[i].acOhm
			}
		}
		assert.InDelta(t, c.want, ac/1000*c.feet*20, 1e-9, "%s AWG by the circular's table", c.size)
		// The program works with the data sheet's resistance, which agrees
		// with the circular within its rounding (0.44 against 0.445).
		assert.InEpsilon(t, c.want, r.MaxResistance(20)*c.feet*0.3048*20, 0.012, "%s AWG", c.size)
	}
}

// AC 43.13-1B p. 11-22, table 11-8: No. 10 at 20 A. Its second row prints
// 0.366 V where its own inputs give 0.491 V: a misprint, not to be met.
func TestTable11_8(t *testing.T) {
	for _, c := range []struct{ feet, want float64 }{{39, 0.9828}, {19.5, 0.4914}, {156, 3.9312}, {273, 6.8796}} {
		assert.InDelta(t, c.want, gauge(t, "10").MaxResistance(20)*c.feet*0.3048*20, 1e-9)
	}
}

// AC 43.13-1B p. 11-26, example 1: 50 ft, 20 A, 28 V: No. 10 drops 1.26 V
// (over 1 V), No. 8 0.70 V.
func TestExample1(t *testing.T) {
	limit, _ := AllowedDrop(28, false)
	drop := func(size string) float64 { return gauge(t, size).MaxResistance(20) * 50 * 0.3048 * 20 }
	assert.Greater(t, drop("10"), limit)
	assert.Less(t, drop("8"), limit)
	assert.InDelta(t, 1.26, drop("10"), 1e-9)
	assert.InDelta(t, 0.70, drop("8"), 0.002)
}

// AC 43.13-1B p. 11-22: hot conductor L2 = 254.5 L1/(234.5 + T2). The
// coefficient 0.00393 says the same within 0.02 %.
func TestHotConductor(t *testing.T) {
	for _, c := range []float64{-40, 0, 20, 70, 105, 182, 200} {
		assert.InEpsilon(t, (234.5+c)/254.5, AtTemperature(c), 3e-4)
	}
}

// Solid AWG: d = 0.127 mm * 92^((36-n)/39) (ASTM B258 by a public copy). The
// warning of the package comment, as numbers: 20 and 18 AWG aircraft wire has
// 2 to 3 % less, 16 to 10 AWG 20 to 27 % more.
func TestAircraftWireIsNotSolidWire(t *testing.T) {
	for size, want := range map[string]float64{"22": 0.4, "20": -2.7, "18": -2.4, "16": 19.8, "14": 21.2, "12": 27.2, "10": 26.1} {
		var n float64
		fmt.Sscan(size, &n)
		d := 0.127
		for i := n; i < 36; i++ {
			d *= 1.1229322
		}
		solid := 0.017241 / (3.14159265 / 4 * d * d)
		assert.InDelta(t, want, (gauge(t, size).MaxResistance(20)/solid-1)*100, 0.1, "%s AWG", size)
	}
}

func TestTablesRiseWithSize(t *testing.T) {
	for i := 1; i < len(rows); i++ {
		a, b := awg(i-1), awg(i)
		assert.Less(t, a.Area(), b.Area())
		assert.Greater(t, a.MaxResistance(20), b.MaxResistance(20))
		assert.Less(t, a.Mass(), b.Mass())
		for _, ins := range []Insulation{Rated105, Rated150, Rated200} {
			x, _ := a.Ampacity(ins)
			y, _ := b.Ampacity(ins)
			assert.Less(t, x, y)
		}
	}
}

func TestGaugesAsPeopleWriteThem(t *testing.T) {
	for text, want := range map[string]string{
		"22 AWG": "22 AWG", "AWG22": "22 AWG", "#22": "22 AWG", "22": "22 AWG", "22 ga": "22 AWG", "2/0 AWG": "00 AWG",
		"00": "00 AWG", "0.35 mm²": "0.35 mm²", "0,35mm2": "0.35 mm²",
	} {
		assert.Equal(t, want, gauge(t, text).String(), text)
	}
	for text, want := range map[string]string{
		"21 AWG":  `"21 AWG": no such aircraft wire size; listed: 24 to 2 AWG in even sizes, 1, 0, 00, 000, 0000`,
		"thick":   `"thick" is not a wire size; write it like 22 AWG or 0.35 mm²`,
		"900 mm²": `"900 mm²": wire sizes go from 0.1 mm² to 120 mm²`,
	} {
		_, err := ParseGauge(text)
		assert.EqualError(t, err, want)
	}
}

// A metric wire is rated as the next smaller AWG size: 0.35 mm² as 24 AWG.
func TestMetricWireIsRatedDown(t *testing.T) {
	g := gauge(t, "0.35 mm²")
	got, _ := g.Ampacity(Rated150)
	assert.Equal(t, 4.0, got)
	assert.Greater(t, g.MaxResistance(20), gauge(t, "22").MaxResistance(20))
	assert.Less(t, g.MaxResistance(20), gauge(t, "24").MaxResistance(20))
}

// E-T-A 483 data sheet: typical drop at rated current, each listed rating.
func TestBreakerDropAtRatedCurrent(t *testing.T) {
	for _, b := range breakers {
		s, cite := Breaker(b.rating)
		assert.InDelta(t, b.drop, s.Usual*b.rating, 1e-12)
		assert.Equal(t, Verified, cite.Status)
	}
	between, cite := Breaker(6)
	five, _ := Breaker(5)
	assert.Less(t, between.Usual, five.Usual)
	assert.Equal(t, Derived, cite.Status)
}

func FuzzParseGauge(f *testing.F) {
	for _, s := range []string{"22 AWG", "0.35 mm²", "4/0", "#8", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		g, err := ParseGauge(text)
		if err != nil {
			return
		}
		again, err := ParseGauge(g.String())
		if err != nil || again.MaxResistance(20)/g.MaxResistance(20) > 1.001 {
			t.Errorf("%q became %s, which reads back as %s, %v", text, g, again, err)
		}
	})
}
