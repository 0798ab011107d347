package fit_test

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/fit"
)

// table reads a file of testdata: a header and rows of numbers.
func table(t testing.TB, name string) [][]float64 {
	t.Helper()
	file, err := os.Open("testdata/" + name + ".csv")
	require.NoError(t, err)
	defer file.Close()
	records, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	var out [][]float64
	for _, record := range records[1:] {
		row := make([]float64, len(record))
		for i, field := range record {
			row[i], err = strconv.ParseFloat(field, 64)
			require.NoError(t, err)
		}
		out = append(out, row)
	}
	return out
}

// certified reads NIST's certified values by data set and quantity: the value
// and, for a coefficient, its standard deviation.
func certified(t testing.TB) map[string]map[string][2]float64 {
	t.Helper()
	file, err := os.Open("testdata/certified.csv")
	require.NoError(t, err)
	defer file.Close()
	records, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	out := map[string]map[string][2]float64{}
	for _, r := range records[1:] {
		if out[r[0]] == nil {
			out[r[0]] = map[string][2]float64{}
		}
		value, err := strconv.ParseFloat(r[2], 64)
		require.NoError(t, err)
		sd := 0.0
		if r[3] != "" {
			sd, err = strconv.ParseFloat(r[3], 64)
			require.NoError(t, err)
		}
		out[r[0]][r[1]] = [2]float64{value, sd}
	}
	return out
}

// NIST Statistical Reference Datasets, linear regression: lower difficulty
// (Norris, Pontius) and average (NoInt1, NoInt2).
func TestCertifiedResultsOfNIST(t *testing.T) {
	const digits = 1e-10
	want := certified(t)
	for name, powers := range map[string][]float64{
		"Norris": {0, 1}, "Pontius": {0, 1, 2}, "NoInt1": {1}, "NoInt2": {1},
	} {
		t.Run(name, func(t *testing.T) {
			var rows [][]float64
			var y []float64
			for _, point := range table(t, name) {
				y = append(y, point[0])
				row := make([]float64, len(powers))
				for i, p := range powers {
					row[i] = math.Pow(point[1], p)
				}
				rows = append(rows, row)
			}
			f, err := fit.Linear(rows, y, nil)
			require.NoError(t, err)
			for i, p := range powers {
				b := want[name]["B"+strconv.Itoa(int(p))]
				assert.InEpsilon(t, b[0], f.Coefficients[i], digits, "B%v", p)
				assert.InEpsilon(t, b[1], f.Uncertainty(i), digits, "standard deviation of B%v", p)
			}
			assert.InEpsilon(t, want[name]["residual_sd"][0], f.ResidualSD, digits)
			assert.Equal(t, int(want[name]["residual_df"][0]), f.Freedom)
		})
	}
}

// JCGM 100:2008 (GUM) H.3: the calibration curve of a thermometer. The GUM
// prints y1 = -0.1712 °C, u 0.0029; y2 = 0.00218, u 0.00067; r = -0.930; at
// 30 °C -0.1494 °C, u 0.0041. More digits: GUM Tree Calculator, example H3.
func TestTheCalibrationCurveOfTheGUM(t *testing.T) {
	var x, y []float64
	for _, p := range table(t, "gum_h3") {
		x, y = append(x, p[0]-20), append(y, p[1])
	}
	f, err := fit.Line(x, y, nil)
	require.NoError(t, err)
	assert.InDelta(t, -0.171203790, f.Coefficients[0], 1e-9)
	assert.InDelta(t, 0.002877598, f.Uncertainty(0), 1e-9)
	assert.InDelta(t, 0.00218269774, f.Coefficients[1], 1e-11)
	assert.InDelta(t, 0.000667938773, f.Uncertainty(1), 1e-12)
	assert.InDelta(t, -0.930429603, f.Covariance[0][1]/f.Uncertainty(0)/f.Uncertainty(1), 1e-9)
	assert.InDelta(t, 0.00349756396, f.ResidualSD, 1e-11)
	assert.Equal(t, 9, f.Freedom)
	value, u := f.At(1, 10)
	assert.InDelta(t, -0.149376813, value, 1e-9)
	assert.InDelta(t, 0.004138596, u, 1e-9)
}

// Weighted by 1/u², a line through two points goes through both, and its
// uncertainty there is that of the points (by hand).
func TestTwoPointsWithUncertainties(t *testing.T) {
	f, err := fit.Line([]float64{2, 12}, []float64{1, 21}, []float64{0.3, 0.4})
	require.NoError(t, err)
	assert.InDelta(t, -3, f.Coefficients[0], 1e-12)
	assert.InDelta(t, 2, f.Coefficients[1], 1e-13)
	assert.Zero(t, f.Freedom)
	assert.Zero(t, f.ResidualSD)
	for x, want := range map[float64]float64{2: 0.3, 12: 0.4, 7: 0.25} { // in the middle √(0.3² + 0.4²)/2
		_, u := f.At(1, x)
		assert.InDelta(t, want, u, 1e-12, "at %v", x)
	}
}

// Equal uncertainties that are the residual deviation itself give the same as
// none; a weighted mean is Σw y / Σw with the variance 1/Σw (by hand).
func TestWeights(t *testing.T) {
	var x, y, u []float64
	for _, p := range table(t, "Norris") {
		y, x = append(y, p[0]), append(x, p[1])
	}
	plain, err := fit.Line(x, y, nil)
	require.NoError(t, err)
	for range y {
		u = append(u, plain.ResidualSD)
	}
	weighted, err := fit.Line(x, y, u)
	require.NoError(t, err)
	assert.InDelta(t, 1, weighted.ResidualSD, 1e-10)
	assert.InEpsilon(t, plain.Covariance[0][1], weighted.Covariance[0][1], 1e-9)

	mean, err := fit.Linear([][]float64{{1}, {1}, {1}}, []float64{10, 11, 14}, []float64{1, 2, 0.5})
	require.NoError(t, err)
	w := 1 + 0.25 + 4.0
	assert.InDelta(t, (10+11*0.25+14*4)/w, mean.Coefficients[0], 1e-12)
	assert.InDelta(t, 1/math.Sqrt(w), mean.Uncertainty(0), 1e-12)
	wide := mean.Widened()
	assert.Greater(t, mean.ResidualSD, 1.0)
	assert.InEpsilon(t, mean.Uncertainty(0)*mean.ResidualSD, wide.Uncertainty(0), 1e-12)
	assert.InDelta(t, 1/math.Sqrt(w), mean.Uncertainty(0), 1e-12, "the first fit stays as it was")
	assert.Equal(t, weighted.Covariance, weighted.Widened().Covariance)
}

// Of many draws, about 95.4 of 100 true slopes lie within two standard
// uncertainties (normal distribution).
func TestTheUncertaintyCoversTheTruth(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	const draws = 4000
	inside := 0
	for range draws {
		var x, y, u []float64
		for i := range 6 {
			x, u = append(x, float64(i)*2.5), append(u, 0.01*float64(i+1))
			y = append(y, 0.2+1.01*x[i]+rng.NormFloat64()*u[i])
		}
		f, err := fit.Line(x, y, u)
		require.NoError(t, err)
		if math.Abs(f.Coefficients[1]-1.01) < 2*f.Uncertainty(1) {
			inside++
		}
	}
	assert.InDelta(t, 0.9545, float64(inside)/draws, 0.013, "four standard deviations of such a count")
}

func TestWhatIsRefused(t *testing.T) {
	nan := math.NaN()
	for name, tt := range map[string]struct {
		rows [][]float64
		y, u []float64
		says string
	}{
		"nothing":         {nil, nil, nil, "needs points"},
		"no coefficients": {[][]float64{{}}, []float64{1}, nil, "needs points"},
		"lengths":         {[][]float64{{1}, {1}}, []float64{1}, nil, "as many"},
		"uncertainties":   {[][]float64{{1}, {1}}, []float64{1, 2}, []float64{1}, "as many"},
		"ragged":          {[][]float64{{1, 2}, {1}, {1, 3}}, []float64{1, 2, 3}, nil, "point 2 has 1 entries, the first has 2"},
		"not a number":    {[][]float64{{1}, {1}}, []float64{1, nan}, nil, "point 2 has what is no number"},
		"infinite":        {[][]float64{{1}, {math.Inf(1)}}, []float64{1, 1}, nil, "point 2 has what is no number"},
		"no uncertainty":  {[][]float64{{1}, {1}}, []float64{1, 2}, []float64{1, 0}, "point 2 has the uncertainty 0; it must be above 0"},
		"too few":         {[][]float64{{1, 2}}, []float64{1}, []float64{1}, "1 points are too few for 2 coefficients: at least 2"},
		"too few for u":   {[][]float64{{1, 2}, {1, 3}}, []float64{1, 2}, nil, "at least 3 are needed"},
	} {
		_, err := fit.Linear(tt.rows, tt.y, tt.u)
		assert.ErrorContains(t, err, tt.says, name)
	}
	for name, rows := range map[string][][]float64{
		"all at one place":     {{1, 5}, {1, 5}, {1, 5}},
		"zeros":                {{1, 0}, {1, 0}, {1, 0}},
		"a sum of two others":  {{1, 2, 3}, {1, 4, 5}, {1, 7, 8}, {1, 1, 2}},
		"nearly at one place":  {{1, 5}, {1, 5 + 1e-13}, {1, 5 - 1e-13}},
		"one the other scaled": {{1e-6, 1e6}, {2e-6, 2e6}, {3e-6, 3e6}},
	} {
		y := make([]float64, len(rows))
		_, err := fit.Linear(rows, y, nil)
		assert.ErrorIs(t, err, fit.ErrDependent, name)
	}
}

// Whatever is given, it is refused or the residuals are orthogonal to every
// column, which is what least squares means.
func FuzzLinear(f *testing.F) {
	f.Add(uint64(1), uint8(6), uint8(2), 3.0)
	f.Add(uint64(9), uint8(40), uint8(4), -1e6)
	f.Fuzz(func(t *testing.T, seed uint64, points, coefficients uint8, size float64) {
		rng := rand.New(rand.NewPCG(seed, 7))
		m, n := int(points%64), int(coefficients%6)
		rows, y := make([][]float64, m), make([]float64, m)
		for i := range rows {
			rows[i] = make([]float64, n)
			for j := range rows[i] {
				rows[i][j] = rng.NormFloat64() * math.Pow(10, float64(j))
			}
			y[i] = rng.NormFloat64() * size
		}
		got, err := fit.Linear(rows, y, nil)
		if err != nil {
			return
		}
		for j := range n {
			product, scale := 0.0, 0.0
			for i := range rows {
				product += rows[i][j] * got.Residuals[i]
				scale += math.Abs(rows[i][j] * y[i])
			}
			if math.Abs(product) > 1e-6*scale {
				t.Errorf("column %d is not orthogonal: %v of %v", j, product, scale)
			}
		}
	})
}

func BenchmarkLine(b *testing.B) {
	var x, y []float64
	for _, p := range table(b, "Norris") {
		y, x = append(y, p[0]), append(x, p[1])
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := fit.Line(x, y, nil); err != nil {
			b.Fatal(err)
		}
	}
}
