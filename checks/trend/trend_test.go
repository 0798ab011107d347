package trend

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
)

// The fifteen p-values of Benjamini and Hochberg (1995), section 3.2: at 0.05
// their procedure rejects the first four, Bonferroni's (and so, first, Holm's)
// three. Figures from memory.
func TestThePublishedExampleOfManyComparisons(t *testing.T) {
	p := []float64{0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000}
	count := func(yes []bool) (n int) {
		for _, y := range yes {
			if y {
				n++
			}
		}
		return n
	}
	r := rand.New(rand.NewPCG(1, 1))
	r.Shuffle(len(p), func(i, j int) { p[i], p[j] = p[j], p[i] })
	bh, holm := BenjaminiHochberg(p, 0.05), Holm(p, 0.05)
	assert.Equal(t, 4, count(bh))
	assert.Equal(t, 3, count(holm))
	for i := range p {
		assert.Equal(t, p[i] <= 0.0095, bh[i])
		assert.Equal(t, p[i] <= 0.0019, holm[i])
	}
	assert.Empty(t, Holm(nil, 0.05))
}

// With nothing true but one strong effect, Holm raises a false alarm in at most
// the stated share of cases: here over 4000 of 30 comparisons that have much in
// common.
func TestHolmKeepsItsRate(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	alarms := 0
	const tries = 4000
	for range tries {
		p := make([]float64, 30)
		common := r.NormFloat64()
		for i := range p {
			z := 0.7*common + math.Sqrt(1-0.49)*r.NormFloat64()
			p[i] = math.Erfc(math.Abs(z) / math.Sqrt2)
		}
		p[0] = 1e-12
		if slices.Contains(Holm(p, 0.05)[1:], true) {
			alarms++
		}
	}
	assert.Less(t, float64(alarms)/tries, 0.05+3*math.Sqrt(0.05*0.95/tries))
}

var (
	firstYear  = time.Date(2024, 4, 6, 9, 0, 0, 0, time.UTC)
	secondYear = time.Date(2025, 4, 5, 9, 0, 0, 0, time.UTC)
)

// A joint that was some 12 mΩ and is now 31 while every limit is kept: on another
// day, at another temperature, with other loads.
func TestAJointThatCrept(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	a := year{aircraft: 3, seed: 1, at: firstYear, celsius: 12, volts: 13.8, meter: "A1"}
	b := year{aircraft: 3, seed: 2, at: secondYear, celsius: 27, volts: 13.5, meter: "A1", faults: []airframe.Fault{{Kind: airframe.HighResistanceJoint, At: "strobe/3", Size: 0.019}}}
	c := Compare(a.sheet(t, d), b.sheet(t, d), UsualRate)
	worse := c.Worse()
	require.NotEmpty(t, worse)
	assert.Equal(t, "strobe", worse[0].Circuit)
	assert.Equal(t, "Ω", worse[0].Unit)
	assert.InDelta(t, 0.019, worse[0].By, 3*worse[0].U)
	for _, x := range worse {
		assert.Equal(t, "strobe", x.Circuit, "%+v", x)
	}
	assert.Empty(t, c.Design)
}

// A ground point that seven circuits share is said as one.
func TestAGroundPointIsSaidAsOne(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	a := year{aircraft: 4, seed: 1, at: firstYear, celsius: 18, volts: 13.8, meter: "A1"}
	b := year{aircraft: 4, seed: 2, at: secondYear, celsius: 21, volts: 13.8, meter: "A1", faults: []airframe.Fault{{Kind: airframe.BadGround, At: "G4", Size: 0.012}}}
	c := Compare(a.sheet(t, d), b.sheet(t, d), UsualRate)
	require.NotEmpty(t, c.Groups)
	assert.Equal(t, "ground point G4", c.Groups[0].Cause)
	assert.GreaterOrEqual(t, len(c.Groups[0].IDs), 4)
	order := Order([]*Sheet{b.sheet(t, d), a.sheet(t, d)}, []string{"strobe", "fuel-pump", "transponder", "radio"})
	assert.ElementsMatch(t, []string{"transponder", "radio"}, order[:2], "what crept is asked for first")
	assert.Equal(t, []string{"strobe", "fuel-pump"}, order[2:], "the others stay as they stand")
}

// Correlated parts cancel: the same meter tells a smaller change than another.
func TestTheSameInstrumentCancels(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	a := year{aircraft: 5, seed: 1, at: firstYear, celsius: 20, volts: 13.8, meter: "A1", told: true}.sheet(t, d)
	u := func(meter string) float64 {
		b := year{aircraft: 5, seed: 2, at: secondYear, celsius: 20, volts: 13.8, meter: meter, told: true}.sheet(t, d)
		for _, x := range Compare(a, b, UsualRate).Changes {
			if x.ID == "everything/"+"total current" {
				return x.U
			}
		}
		t.Fatal("no total current")
		return 0
	}
	assert.Less(t, u("A1"), u("B2"))
}

// What was redrawn is not compared, and is said; the rest is.
func TestDesignChangesBesideTheReadings(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	text := strings.Replace(d.Text, "{from: switch.out, to: load+, gauge: 14 AWG, length: 2.1 m, bundle: nose}", "{from: switch.out, to: load+, gauge: 12 AWG, length: 2.1 m, bundle: nose}", 1)
	require.NotEqual(t, d.Text, text)
	changed, err := design.Parse("marsh-hen.yaml", []byte(text))
	require.NoError(t, err)
	a := year{aircraft: 6, seed: 1, at: firstYear, celsius: 20, volts: 13.8, meter: "A1"}.sheet(t, d)
	b := year{aircraft: 6, seed: 2, at: secondYear, celsius: 20, volts: 13.8, meter: "A1"}.sheet(t, changed)
	c := Compare(a, b, UsualRate)
	require.Len(t, c.Design, 1)
	assert.Equal(t, "landing-light", c.Design[0].Circuit)
	assert.Contains(t, c.Design[0].Before, "14 AWG")
	assert.Contains(t, c.Design[0].After, "12 AWG")
	lost := map[string]string{}
	for _, l := range c.Lost {
		lost[l.ID] = l.Why
	}
	assert.Equal(t, "the design has changed there", lost["landing-light/drop/landing-light.switch.out/landing-light.load+"])
	assert.Greater(t, len(c.Changes), 80)
	assert.Empty(t, c.Worse())
}

// Five years of a joint that grows by 2 mΩ a year: the slope is found, and the
// interval holds when it meets its limit.
func TestATrendMeetsItsLimit(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	var sheets []*Sheet
	for i := range 6 {
		y := year{
			aircraft: 7, seed: uint64(10 + i), at: firstYear.AddDate(i, 0, 0), celsius: 15 + 2*float64(i%3), told: true, volts: 13.8, meter: "A1",
			faults: []airframe.Fault{{Kind: airframe.HighResistanceJoint, At: "fuel-pump/3", Size: 0.002 * float64(i)}},
		}
		s := y.sheet(t, d)
		for k := range s.Values {
			if s.Values[k].ID == "fuel-pump/drop/P1.3/fuel-pump.load+" {
				limit := 0.060
				s.Values[k].High = &limit
			}
		}
		sheets = append(sheets, s)
	}
	lines, err := Years(sheets)
	require.NoError(t, err)
	require.NotEmpty(t, lines)
	l := lines[0]
	require.Equal(t, "fuel-pump/drop/P1.3/fuel-pump.load+", l.ID)
	assert.InDelta(t, 0.002, l.PerYear, 3*l.U)
	now := l.Points[len(l.Points)-1].Value
	years := (0.060 - now) / 0.002
	truth := sheets[5].At.Add(time.Duration(years * yearDays * 24 * float64(time.Hour))).Format("2006-01")
	assert.LessOrEqual(t, l.Earliest, truth)
	assert.True(t, l.Latest == "" || l.Latest >= truth, "%s, truth %s", l.Latest, truth)
	assert.NotEmpty(t, l.Meets)
}

// Steps that the model does not know are compared as they stand.
func TestNamedNumbersOfOthers(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	with := func(seed uint64, at time.Time, setPoint float64) *Sheet {
		s, h := year{aircraft: 8, seed: seed, at: at, celsius: 20, volts: 13.8, meter: "A1"}.perform(t, d)
		p := performer{sheet: s}
		p.step("regulator set-point", "alternator", setPoint, 0.02, "V", "", "")
		out, err := Read(s, h)
		require.NoError(t, err)
		return out
	}
	c := Compare(with(1, firstYear, 14.20), with(2, secondYear, 14.55), UsualRate)
	require.True(t, c.Changes[0].Significant)
	assert.Equal(t, "alternator/regulator set-point", c.Changes[0].ID)
	assert.InDelta(t, 0.35, c.Changes[0].By, 1e-9)
	assert.InDelta(t, 0.02*math.Sqrt2, c.Changes[0].U, 1e-9)
}
