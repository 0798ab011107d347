package trend

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/procedure"
)

// The evidence of ALARMS.md. In the gate a small sample is held against it; the
// whole is made by
//
//	go test ./checks/trend -run FalseAlarms -pairs 1000
var wholePairs = flag.Int("pairs", 0, "compare so many pairs of healthy years and write ALARMS.md anew")

const alarmsFile = "ALARMS.md"

// A healthy pair: one aircraft, two years, other weather, another supply setting,
// loads and contacts that wander; half of them with another meter, half with the
// temperature on the worksheet.
func healthyPair(t testing.TB, d *design.Design, n uint64, faults ...airframe.Fault) *Comparison {
	t.Helper()
	r := rand.New(rand.NewPCG(n, 9))
	a := year{aircraft: n, seed: 2 * n, at: firstYear, celsius: 20 + unknownCelsius*r.NormFloat64(), told: n%2 == 0, volts: 13.8 + 0.2*r.NormFloat64(), meter: "A1"}
	b := a
	b.seed, b.at, b.celsius, b.volts, b.faults = 2*n+1, secondYear, 20+unknownCelsius*r.NormFloat64(), 13.8+0.2*r.NormFloat64(), faults
	if n%4 < 2 {
		b.meter = "B2"
	}
	return Compare(a.sheet(t, d), b.sheet(t, d), UsualRate)
}

// alarms counts the pairs with any false alarm, and the comparisons made.
func alarms(t testing.TB, d *design.Design, from, to uint64) (pairs, alarmed, comparisons int) {
	t.Helper()
	for n := from; n < to; n++ {
		c := healthyPair(t, d, n)
		pairs++
		comparisons += len(c.Changes)
		if slices.ContainsFunc(c.Changes, func(x Change) bool { return x.Significant }) {
			alarmed++
		}
	}
	return pairs, alarmed, comparisons
}

// A creep is the smallest change that is found with 90 %, at one place.
type creep struct {
	Circuit string
	Place   string
	Sound   float64 // ohms, the design's
	Most    float64 // ohms that a sound one may show
	Creep   float64 // ohms more
	Tried   int
	Found   int
}

// creeps works out the smallest creep for each circuit, at the run where it is
// largest, and tries it.
func creeps(t testing.TB, d *design.Design, tries int) (out []creep) {
	t.Helper()
	c := healthyPair(t, d, 4) // the temperature is told, another meter: the usual case
	m := airframe.New(d)
	critical := quantile(UsualRate / float64(len(c.Changes)))
	for _, k := range d.Circuits {
		worst := creep{Circuit: k.Name}
		id := ""
		for _, x := range c.Changes {
			if x.Circuit != k.Name || !strings.Contains(x.ID, "/"+procedure.WhatDrop+"/") {
				continue
			}
			p := partOver(m, x)
			if p == nil || p.Kind != airframe.WireRun {
				continue
			}
			if by := (critical + 1.2816) * x.U; by > worst.Creep {
				worst.Place, worst.Creep, worst.Sound, worst.Most = p.Name, by, p.Ohms.Usual, p.Ohms.Most
				id = x.ID
			}
		}
		if id == "" {
			continue
		}
		for n := range uint64(tries) {
			got := healthyPair(t, d, 4*n, airframe.Fault{Kind: airframe.HighResistanceJoint, At: worst.Place, Size: worst.Creep})
			worst.Tried++
			if slices.ContainsFunc(got.Changes, func(x Change) bool { return x.Significant && x.ID == id }) {
				worst.Found++
			}
		}
		out = append(out, worst)
	}
	return out
}

func partOver(m *airframe.Model, x Change) *airframe.Part {
	ends := strings.Split(x.ID, "/")
	for _, p := range m.Parts() {
		if len(ends) == 4 && (p.From == ends[2] && p.To == ends[3] || p.From == ends[3] && p.To == ends[2]) {
			return p
		}
	}
	return nil
}

// quantile is the deviation that a two-sided probability belongs to.
func quantile(p float64) float64 {
	lo, hi := 0.0, 20.0
	for range 80 {
		if mid := (lo + hi) / 2; math.Erfc(mid/math.Sqrt2) > p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

type evidence struct {
	Pairs, Alarmed, Comparisons int
	Creeps                      []creep
}

func (e evidence) markdown() string {
	var b strings.Builder
	fmt.Fprintf(&b, `# False alarms, and the smallest creep that is found

Made by `+"`go test ./checks/trend -run FalseAlarms -pairs N`"+`; the gate holds a small sample against it.

## False alarms

%d pairs of healthy years of the Marsh Hen, another aircraft each: parts anywhere inside what sound ones may be, other weather
(20 °C ± 6 K), another supply setting (± 0.2 V), loads that draw 2 %% more or less, contacts mated again; half of them with another
meter, half with the temperature on the worksheet.

| pairs | comparisons | pairs with any false alarm | promised at most |
|---|---|---|---|
| %d | %d | %d (%.1f %%) | %.0f %% |

## The smallest creep found with 90 %%

For each circuit, at that of its runs where it is largest; worked out from the uncertainty of the change, then tried %d times with
the fault in. The temperature was on the worksheet. Meter: ±(0.05 %% + 2 digits of 0.1 mV); supply's display: ±(0.2 %% + 10 digits of 0.5 mA).

| circuit | run | design | sound at most | creep found | found when tried |
|---|---|---|---|---|---|
`, e.Pairs, e.Pairs, e.Comparisons, e.Alarmed, 100*float64(e.Alarmed)/float64(e.Pairs), 100*UsualRate, e.Creeps[0].Tried)
	for _, c := range e.Creeps {
		fmt.Fprintf(&b, "| %s | %s | %.1f mΩ | %.1f mΩ | %.1f mΩ | %.0f %% |\n", c.Circuit, c.Place, 1e3*c.Sound, 1e3*c.Most, 1e3*c.Creep, 100*float64(c.Found)/float64(c.Tried))
	}
	text, _ := json.Marshal(e)
	fmt.Fprintf(&b, "\n<!-- %s -->\n", text)
	return b.String()
}

func TestFalseAlarms(t *testing.T) {
	d := exampleDesign(t, "marsh-hen")
	if *wholePairs > 0 {
		var e evidence
		e.Pairs, e.Alarmed, e.Comparisons = alarms(t, d, 0, uint64(*wholePairs))
		e.Creeps = creeps(t, d, 50)
		require.NoError(t, os.WriteFile(alarmsFile, []byte(e.markdown()), 0o644))
	}
	text, err := os.ReadFile(alarmsFile)
	require.NoError(t, err)
	_, after, _ := strings.Cut(string(text), "<!-- ")
	numbers, _, _ := strings.Cut(after, " -->")
	var committed evidence
	require.NoError(t, json.Unmarshal([]byte(numbers), &committed))
	require.GreaterOrEqual(t, committed.Pairs, 1000)
	bound := func(n int) float64 { return UsualRate + 3*math.Sqrt(UsualRate*(1-UsualRate)/float64(n)) }
	assert.LessOrEqual(t, float64(committed.Alarmed)/float64(committed.Pairs), bound(committed.Pairs))
	tried, found := 0, 0
	for _, c := range committed.Creeps {
		tried, found = tried+c.Tried, found+c.Found
		assert.GreaterOrEqual(t, float64(c.Found)/float64(c.Tried), 0.75, c.Circuit)
	}
	assert.InDelta(t, 0.9, float64(found)/float64(tried), 0.06)

	// A sample of other pairs.
	pairs, alarmed, _ := alarms(t, d, 1_000_000, 1_000_060)
	assert.LessOrEqual(t, float64(alarmed)/float64(pairs), bound(pairs), "%d of %d", alarmed, pairs)
}
