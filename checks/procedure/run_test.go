package procedure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
)

// The uncertainty of a run's resistance against 100 000 tries with noise on what
// was lost and on the current, and a share of the current that may be anything from
// 1 to as far beyond what the design has (a Monte Carlo trial as JCGM 101 describes).
func TestUncertaintyOfARunAgainstMonteCarlo(t *testing.T) {
	lost := measured{value: 0.31, u: 0.004, quantity: probe.Voltage, captures: []string{"r1", "r2"}}
	fell := measured{value: 7, u: 0.03, quantity: probe.Current, captures: []string{"r3", "r4"}}
	const share = 1.03
	want, err := resistance(lost, fell, share)
	require.NoError(t, err)
	assert.Equal(t, []string{"r1", "r2", "r3", "r4"}, want.captures)
	assert.InEpsilon(t, 0.31/(7*1.03), want.value, 1e-12, "Ohm's law")
	r := rand.New(rand.NewPCG(11, 12))
	sum, squares := 0.0, 0.0
	const tries = 100_000
	for range tries {
		between := share + (2*r.Float64()-1)*(share-1)
		ohms := (lost.value + lost.u*r.NormFloat64()) / ((fell.value + fell.u*r.NormFloat64()) * between)
		sum += ohms
		squares += ohms * ohms
	}
	mean := sum / tries
	assert.InEpsilon(t, want.value, mean, 2e-3)
	assert.InEpsilon(t, want.u, math.Sqrt(squares/tries-mean*mean), 0.03, "the law of propagation leaves out what is of second order (JCGM 100, 5.1.2)")
}

func TestACurrentThatDidNotFallTellsNoRun(t *testing.T) {
	_, err := resistance(measured{value: 0.1, u: 0.01}, measured{value: 0.04, u: 0.02, quantity: probe.Current}, 1)
	assert.ErrorContains(t, err, "it fell by 40 mA as it went off")
}

// A circuit that was not switched off, or draws next to nothing, leaves its run not
// done; the worksheet goes on.
func TestARunWhoseCircuitStaysOn(t *testing.T) {
	p := play(t, &unruly{}, `
power(volts = 14, limit = 20)
move("on", "master", "on", answers = ["On", "Not"])
v, i = read("supply voltage"), read("supply current")
check_run("radio", v, v, i, i)
`)
	require.NoError(t, p.err)
	require.Len(t, p.sheet.Steps, 1)
	assert.Equal(t, "not done", p.sheet.Steps[0].Verdict)
	assert.Contains(t, p.sheet.Steps[0].Note, "by the design the current does not fall: that of supply, as VHF radio goes off")
}
