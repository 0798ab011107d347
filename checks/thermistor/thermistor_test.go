package thermistor

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The published pair of a 10 kΩ thermistor 10K3MCD1: coefficients and the
// maker's table, -40 to +1 °C in steps of 1 °C, from the manual of a temperature
// probe (p. 15 and p. C-1).
var published = SteinhartHart{A: 1.129241e-3, B: 2.341077e-4, C: 8.775468e-8}

func TestAgainstThePublishedTable(t *testing.T) {
	f, err := os.Open("testdata/published.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 43)
	for _, r := range rows[1:] {
		celsius, err := strconv.ParseFloat(r[0], 64)
		require.NoError(t, err)
		ohms, err := strconv.ParseFloat(r[1], 64)
		require.NoError(t, err)
		assert.InDelta(t, celsius, published.Celsius(ohms), 0.005)
	}
}

// Worked out with 25 digits from the formula and its inverse.
func TestFormulaAndItsInverse(t *testing.T) {
	for ohms, celsius := range map[float64]float64{10000: 24.999969, 5000: 41.572577, 1000: 87.168133} {
		assert.InDelta(t, celsius, published.Celsius(ohms), 1e-6)
	}
	for celsius, ohms := range map[float64]float64{25: 9999.986, 50: 3601.098, 85: 1070.448, 100: 678.4165} {
		assert.InEpsilon(t, ohms, published.Ohms(celsius), 1e-6)
	}
	for c := -60.0; c <= 300; c += 7 {
		assert.InDelta(t, c, published.Celsius(published.Ohms(c)), 1e-9)
	}
}

// A second published table: a 10 kΩ sensor of a welding machine, its manual
// p. 14. The curve through 20, 60 and 100 °C, worked out apart from this program,
// meets the other rows within 0.011 °C; one β does not hold over the range.
func TestAgainstASecondTable(t *testing.T) {
	table := []Point{{20, 12490}, {25, 10000}, {30, 8057}, {55, 2986}, {60, 2488}, {65, 2083}, {90, 917.7}, {95, 788.5}, {100, 680}}
	s := SteinhartHart{A: 1.12327384e-3, B: 2.35106651e-4, C: 8.37177102e-8}
	for _, p := range table {
		assert.InDelta(t, p.Celsius, s.Celsius(p.Ohms), 0.011)
	}
	assert.InDelta(t, 3941.73, Between(table[1], table[3]).B, 0.01)
	assert.InDelta(t, 3987.73, Between(table[1], table[8]).B, 0.01)
}

func TestBeta(t *testing.T) {
	b := Beta{Point{25, 10000}, 3950}
	assert.InDelta(t, 1086.6708, b.Ohms(85), 1e-4)
	assert.InDelta(t, 33620.604, b.Ohms(0), 1e-3)
	assert.InDelta(t, 85, b.Celsius(b.Ohms(85)), 1e-9)
	plain := Between(Point{0, 240}, Point{40, 240})
	assert.Equal(t, 240.0, plain.Ohms(90))
	assert.True(t, math.IsNaN(plain.Celsius(240)))
}
