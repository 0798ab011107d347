package units

import (
	"encoding"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestPeopleWriteQuantitiesInManyWays(t *testing.T) {
	for text, want := range map[string]float64{
		"6 ft": 1.8288, "6ft": 1.8288, "72 in": 1.8288, "1.8 m": 1.8, "1,8 m": 1.8, "180 cm": 1.8, "1800mm": 1.8, `6"`: 0.1524,
	} {
		var l Metres
		require.NoError(t, l.UnmarshalText([]byte(text)), text)
		assert.InDelta(t, want, float64(l), 1e-12, text)
	}
	for text, want := range map[string]float64{
		"3 mΩ": 0.003, "3 mohm": 0.003, "0.003 ohm": 0.003, "3000 µΩ": 0.003, "3e-3 Ω": 0.003, "2.2 kΩ": 2200,
	} {
		var r Ohms
		require.NoError(t, r.UnmarshalText([]byte(text)), text)
		assert.InDelta(t, want, float64(r), want*1e-12, text)
	}
	var c Celsius
	require.NoError(t, c.UnmarshalText([]byte("68 °F")))
	assert.InDelta(t, 20, float64(c), 1e-12)
	var f Fraction
	require.NoError(t, f.UnmarshalText([]byte("10 %")))
	assert.InDelta(t, 0.1, float64(f), 1e-15)
}

func TestBadQuantitiesSayWhatToWrite(t *testing.T) {
	var v Volts
	var l Metres
	for _, c := range []struct {
		into       encoding.TextUnmarshaler
		text, want string
	}{
		{&v, "14", `"14" has no unit; write it like 14 V`},
		{&v, "volts", `"volts" is not a voltage; write it like 14 V`},
		{&v, "14 A", `"14 A": unknown unit "A" for a voltage; known: V, kV, mV`},
		{&v, "1e999 V", `"1e999 V" is not a voltage; write it like 14 V`},
		{&l, "1.2.3 m", `"1.2.3 m" is not a length; write it like 1.8 m or 6 ft`},
		{&l, "", `"" is not a length; write it like 1.8 m or 6 ft`},
	} {
		assert.EqualError(t, c.into.UnmarshalText([]byte(c.text)), c.want)
	}
}

func TestFormatGivesFourFigures(t *testing.T) {
	for _, c := range []struct {
		v    float64
		unit string
		want string
	}{
		{13.8214, "V", "13.82 V"},
		{0.01234, "V", "12.34 mV"},
		{0.00001234, "A", "12.34 µA"},
		{0, "V", "0 V"},
		{-0.5, "A", "-500 mA"},
		{2200, "Ω", "2.2 kΩ"},
		{100, "A", "100 A"},
		{0.99996, "V", "1 V"},
		{math.NaN(), "V", "no value"},
	} {
		assert.Equal(t, c.want, Format(c.v, c.unit))
	}
}

// GUM 7.2.6: 10.05762 Ω with u 27 mΩ is written 10.058 Ω.
func TestFormatWithFollowsTheUncertainty(t *testing.T) {
	assert.Equal(t, "10.058 ± 0.027 Ω", FormatWith(10.05762, 0.027, "Ω"))
	assert.Equal(t, "12.3 ± 1.1 mV", FormatWith(0.01234, 0.0011, "V"))
	assert.Equal(t, "0.0 ± 2.0 mV", FormatWith(0.00001, 0.002, "V"))
	assert.Equal(t, "13.82 V", FormatWith(13.82, 0, "V"))
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"6 ft", "1,8m", "1e3 Ω", "-3 mV", "°C", "", "9.9E37 V", "1e V"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, d := range []dimension{volts, ohms, metres, celsius, fractions} {
			v, err := d.parse(text)
			if err == nil && (math.IsNaN(v) || v > math.MaxFloat64) {
				t.Errorf("%q became %v", text, v)
			}
		}
	})
}
