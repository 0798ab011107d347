package verdict

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/wire"
)

var none wire.Citation

// JCGM 106:2012: 7.3.3 example 1 (Zener, V ≤ −5.40 V), example 2 (burst
// pressure ≥ 490 kPa), 7.4 (oil viscosity 12.5 to 16.3 mm²/s). The inputs are
// from memory; each result is exact arithmetic, and agrees with the printed
// 0.92, 0.99 and 0.66.
func TestConformityAgainstJCGM106(t *testing.T) {
	assert.InDelta(t, 0.919243, Conformity(-5.47, 0.05, Limit{High: AtMost(-5.40, none)}), 1e-6)
	assert.InDelta(t, 0.989010, Conformity(509.7, 8.6, Limit{Low: AtLeast(490, none)}), 1e-6)
	assert.InDelta(t, 0.662630, Conformity(13.6, 1.8, Limit{Low: AtLeast(12.5, none), High: AtMost(16.3, none)}), 1e-6)
}

// Two verdicts of this project's kind, worked out beforehand: a regulator at
// 13.92 V of 13.80 to 14.40 V, and a drop of 0.496 V of 0.500 V.
func TestTwoVerdictsWorkedOut(t *testing.T) {
	regulator := Limit{Low: AtLeast(13.80, none), High: AtMost(14.40, none)}
	v := Judge(13.92, 0.05200820, regulator)
	assert.Equal(t, Pass, v.Word)
	assert.InDelta(t, 0.989482, v.Probability, 1e-6)
	v = Judge(0.496, 0.003163879, Limit{High: AtMost(0.5, none)})
	assert.Equal(t, Undecided, v.Word)
	assert.InDelta(t, 0.896934, v.Probability, 1e-6)
}

func TestGuardBandIsTheQuantile(t *testing.T) {
	l := Limit{High: AtMost(1, none)}
	const u = 0.1
	assert.Equal(t, Pass, Judge(1-Guard*u-1e-12, u, l).Word)
	assert.Equal(t, Undecided, Judge(1-Guard*u+1e-6, u, l).Word)
	assert.Equal(t, Undecided, Judge(1+Guard*u-1e-6, u, l).Word)
	assert.Equal(t, Fail, Judge(1+Guard*u+1e-12, u, l).Word)
}

func TestNoUncertaintyLeavesNoDoubt(t *testing.T) {
	l := Limit{High: AtMost(1, none)}
	assert.Equal(t, Pass, Judge(1, 0, l).Word)
	assert.Equal(t, Fail, Judge(1.0000001, 0, l).Word)
	assert.Equal(t, Pass, Judge(-7, 3, Limit{}).Word)
	assert.Equal(t, Undecided, Judge(math.NaN(), 0, l).Word)
}

// A band narrower than the uncertainty can never be kept with certainty.
func TestNarrowBandIsNeverAPass(t *testing.T) {
	l := Limit{Low: AtLeast(0.99, none), High: AtMost(1.01, none)}
	assert.Equal(t, Undecided, Judge(1, 0.02, l).Word)
	assert.Equal(t, Undecided, Judge(1, 2, l).Word, "nor a fail: nothing says on which side it lies")
}

// False alarms: a true value on the limit is called bad in 5 of 100 readings,
// one that is inside by two uncertainties practically never.
func TestFalseAlarmsAreAsPromised(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	count := func(truth float64) (fails int) {
		for range 200_000 {
			if Judge(truth+0.1*r.NormFloat64(), 0.1, Limit{High: AtMost(1, none)}).Word == Fail {
				fails++
			}
		}
		return fails
	}
	assert.InDelta(t, 10_000, count(1), 400)
	assert.Less(t, count(0.8), 100, "1 - Φ(3.645) is 0.00013")
}

func TestTightenNamesTheRuleThatBites(t *testing.T) {
	rule := wire.Citation{Text: "rule"}
	sound := wire.Citation{Text: "sound parts"}
	l := Limit{High: AtMost(0.5, rule)}.Tighten(Limit{Low: AtLeast(0, sound), High: AtMost(0.04, sound)})
	assert.Equal(t, sound, l.High.Rule)
	assert.Equal(t, l.High, l.Governing(0.1))
	assert.Equal(t, l.Low, l.Governing(0.001))
	assert.Equal(t, rule, Limit{High: AtMost(0.5, rule)}.Tighten(Limit{High: AtMost(0.5, sound)}).High.Rule)
}

func TestWorst(t *testing.T) {
	assert.Equal(t, Fail, Worst(Pass, Undecided, Fail, NotDone))
	assert.Equal(t, Undecided, Worst(Pass, Undecided))
	assert.Equal(t, NotDone, Worst(Pass, NotDone))
	assert.Equal(t, NotDone, Worst())
	assert.Equal(t, Pass, Worst(Pass, Pass))
}

func TestUndecidedSaysWhatWouldDecide(t *testing.T) {
	l := Limit{High: AtMost(0.5, none)}
	assert.Equal(t, "an uncertainty below ±4.864 mV (it is ±6.328 mV now): a lower range, a better or a calibrated meter, or more load current",
		WhatDecides(0.496, 0.003163879, l, "V"))
	assert.Contains(t, WhatDecides(0.5, 0.003, l, "V"), "on the limit itself")

	// Between two limits that stand close it takes less than the nearer one alone asks for.
	narrow := Limit{Low: AtLeast(12.5, none), High: AtMost(13, none)}
	require.Equal(t, Undecided, Judge(12.77, 0.155, narrow).Word)
	var needed, now float64
	_, err := fmt.Sscanf(WhatDecides(12.77, 0.155, narrow, "V"), "an uncertainty below ±%f mV (it is ±%f mV now)", &needed, &now)
	require.NoError(t, err)
	assert.InDelta(t, 310, now, 1e-9)
	assert.Less(t, needed, now)
	assert.NotEqual(t, Undecided, Judge(12.77, needed/2000*0.999, narrow).Word)
}
