package compass

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Handbook of Magnetic Compass Adjustment, chapter V, 501: deviations on eight
// compass headings from north on. The data were read there; the handbook's own
// results line was cut off. The approximate rule gives A +1.0, B +12.0, C +8.0,
// D +5.0, E +1.5; least squares, worked out apart from this program, 1.00, 11.94,
// 7.96, 5.00, 1.50.
var handbook = [8]float64{10.5, 20.0, 11.5, -1.2, -5.5, -8.0, -12.5, -6.8}

// quick is the approximate rule for eight headings, north first, each 45° on:
// means and differences, as a person works them out by hand.
func quick(deviations [8]float64) Coefficients {
	n, ne, e, se, s, sw, w, nw := deviations[0], deviations[1], deviations[2], deviations[3], deviations[4], deviations[5], deviations[6], deviations[7]
	return Coefficients{
		A: (n + ne + e + se + s + sw + w + nw) / 8,
		B: (e - w) / 2, C: (n - s) / 2,
		D: (ne - se + sw - nw) / 4, E: (n - e + s - w) / 4,
	}
}

func sightings(deviations [8]float64) []Sighting {
	var out []Sighting
	for i, d := range deviations {
		h := float64(45 * i)
		out = append(out, Sighting{h + d, h})
	}
	return out
}

func TestHandbookByTheApproximateRule(t *testing.T) {
	c := quick(handbook)
	for name, x := range map[string][2]float64{"A": {1.0, c.A}, "B": {12.0, c.B}, "C": {8.0, c.C}, "D": {5.0, c.D}, "E": {1.5, c.E}} {
		assert.InDelta(t, x[0], x[1], 1e-9, name)
	}
}

func TestHandbookByLeastSquares(t *testing.T) {
	f, err := Solve(sightings(handbook), 1)
	require.NoError(t, err)
	for name, x := range map[string][2]float64{"A": {1.00, f.A}, "B": {11.94, f.B}, "C": {7.96, f.C}, "D": {5.00, f.D}, "E": {1.50, f.E}} {
		assert.InDelta(t, x[0], x[1], 0.005, name)
	}
	rule := quick(handbook)
	assert.InDelta(t, rule.B, f.B, 0.1, "the rule by hand is near")
	assert.InDelta(t, rule.E, f.E, 0.1)
	for i, r := range f.Remainder {
		assert.Less(t, math.Abs(r), 0.15, "heading %d", 45*i)
	}
	// Eight equidistant headings: u(A) = u/√8, the others u/√4 (orthogonal columns).
	assert.InDelta(t, 1/math.Sqrt(8), f.U.A, 1e-9)
	assert.InDelta(t, 0.5, f.U.B, 1e-9)
	_, u := f.At(77)
	assert.InDelta(t, math.Sqrt(5.0/8), u, 1e-9, "the same on each heading")
}

// Whatever the coefficients, their deviations give them back, over north, too.
func TestSolveFindsWhatWasPutIn(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 200 {
		c := Coefficients{3 * r.NormFloat64(), 6 * r.NormFloat64(), 6 * r.NormFloat64(), 2 * r.NormFloat64(), r.NormFloat64()}
		var seen []Sighting
		for h := 0.0; h < 360; h += 30 {
			seen = append(seen, Sighting{math.Mod(h+c.Deviation(h)+360, 360), h})
		}
		f, err := Solve(seen, 0.5)
		require.NoError(t, err)
		assert.InDelta(t, c.B, f.B, 1e-9)
		assert.InDelta(t, c.E, f.E, 1e-9)
		_, worst := f.Worst()
		for h := range 360 {
			assert.LessOrEqual(t, math.Abs(f.Deviation(float64(h))), math.Abs(worst)+1e-12)
		}
	}
}

func TestCardLeadsWhereItSays(t *testing.T) {
	c := quick(handbook)
	card := c.Card(30)
	require.Len(t, card, 12)
	for _, r := range card {
		assert.InDelta(t, 0, turn(r.Steer+c.Deviation(r.Steer)-r.For), 1e-6, "for %v steer %v", r.For, r.Steer)
	}
	assert.Len(t, c.Card(45), 8)
}

func TestHeadingsThatTellTooLittle(t *testing.T) {
	_, err := Solve(sightings(handbook)[:4], 1)
	assert.ErrorContains(t, err, "five at least")
	same := make([]Sighting, 8)
	_, err = Solve(same, 1)
	assert.ErrorContains(t, err, "alike")
	_, err = Solve(sightings(handbook), 0)
	assert.Error(t, err)
	_, err = Solve(append(sightings(handbook), Sighting{math.NaN(), 0}), 1)
	assert.Error(t, err)
}

func TestDeviationOverNorth(t *testing.T) {
	assert.InDelta(t, 5, Sighting{2, 357}.Deviation(), 1e-12)
	assert.InDelta(t, -5, Sighting{357, 2}.Deviation(), 1e-12)
	assert.InDelta(t, 180, Sighting{180, 0}.Deviation(), 1e-12)
}
