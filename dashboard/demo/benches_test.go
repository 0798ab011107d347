package demo

import (
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/checks/verdict"
	"loomproof/probe"
	"loomproof/scripts"
)

// alone performs a procedure with one meter and nothing else.
func alone(t *testing.T, meter, name, fault string, seed uint64) *procedure.Sheet {
	t.Helper()
	text, _ := scripts.Design("marsh-hen")
	planted := mockup.Planted{}
	if fault != NoFault {
		var ok bool
		planted, ok = mockup.Find(fault)
		require.True(t, ok, fault)
	}
	return performedOn(t, text, meter, name, planted, seed)
}

// everyOf is all of some with LOOMPROOF_ALL_BENCHES=1; the gate takes the first.
func everyOf(names ...string) []string {
	if os.Getenv("LOOMPROOF_ALL_BENCHES") != "" {
		return names
	}
	return names[:1]
}

// With one meter and the aircraft's own battery nothing fails on a sound aircraft,
// and it is no pass: what no instrument there can prove is not done, with what
// would prove it.
func TestASoundAircraftWithAMeterAlone(t *testing.T) {
	for _, name := range everyOf("first-power-on", "loaded", "avionics", "annual-check") {
		t.Run(name, func(t *testing.T) {
			s := alone(t, "meter", name, NoFault, 1)
			assert.Empty(t, alarms(s))
			assert.Equal(t, verdict.NotDone, s.Verdict, s.Summary())
			assert.Empty(t, s.Stopped)
			unproven := 0
			for _, step := range s.Steps {
				if step.Unproven {
					unproven++
					assert.Contains(t, step.Note, "What would prove it: ", step.ID)
					assert.Equal(t, "not done", step.Verdict, step.ID)
				}
				if step.What == procedure.WhatTotal {
					assert.True(t, step.Unproven || step.Note != "", "%s: it says what it was told by", step.ID)
				}
				if step.What == procedure.WhatCurrent && name == "first-power-on" {
					assert.Equal(t, "pass", step.Verdict, "%s: read in series, over the open breaker", step.ID)
				}
			}
			assert.Positive(t, unproven)
			t.Log(s.Summary())
		})
	}
}

// What one meter on the battery finds of the catalogue, and at the right place.
func TestFaultsFoundWithAMeterAlone(t *testing.T) {
	for procedure, faults := range map[string][]string{
		"first-power-on": everyOf(
			"short-to-airframe", "high-resistance-joint", "bad-ground", "wrong-gauge", "oversized-breaker", "swapped-circuits", "open-circuit",
			"short-of-main-bus", "short-of-avionics-bus", "short-before-master", "live-with-master-off", "broken-return", "hungry-light",
		),
		"loaded":       everyOf("high-resistance-joint", "bad-ground", "wrong-gauge", "open-circuit", "broken-return", "hungry-light"),
		"annual-check": everyOf("bad-ground", "high-resistance-joint", "broken-return", "hungry-light"),
	} {
		for _, fault := range faults {
			t.Run(procedure+"/"+fault, func(t *testing.T) {
				planted, _ := mockup.Find(fault)
				s := alone(t, "meter", procedure, fault, 1)
				assert.Equal(t, found, outcome(s, planted), "%v", alarms(s))
			})
		}
	}
}

// With the engine stopped a field heats and a pump may run dry: each is on for its
// own readings, and off for all others.
func TestFieldAndPumpGoOffAgain(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	for _, which := range []string{"all", "meter"} {
		_, _, records := reportedOn(t, text, which, "first-power-on", mockup.Planted{}, 1)
		history, err := procedure.Tell(d, records)
		require.NoError(t, err)
		for _, name := range []string{"alternator-field", "fuel-pump", "cabin-fan"} {
			own, others := 0, 0
			for _, r := range history.Readings {
				if r.Quantity != probe.Voltage || !r.State.Closed[name] || !r.State.On[name] {
					continue
				}
				if at := d.Terminal(r.Red); at.Circuit != nil && at.Circuit.Name != name {
					others++
				}
				own++
			}
			assert.Zero(t, others, "%s, %s: it is on while others are read", which, name)
			assert.LessOrEqual(t, own, 10, "%s, %s", which, name)
			assert.Greater(t, own, 3, "%s, %s", which, name)
		}
	}
}

// What is read in series flows into one circuit. It is no current of the battery,
// and no power was cut: the explanation of the report stays with the fault.
func TestReadingsInSeriesAreExplained(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	for fault, says := range map[string]string{
		"high-resistance-joint": "A bad joint",
		"hungry-light":          "The load of landing light",
	} {
		t.Run(fault, func(t *testing.T) {
			planted, ok := mockup.Find(fault)
			require.True(t, ok)
			s, rep, _ := reportedOn(t, text, "meter", "first-power-on", planted, 1)
			assert.Empty(t, rep.Cuts)
			require.NotEmpty(t, rep.Causes)
			assert.Contains(t, rep.Causes[0].What, says)
			for _, c := range rep.Causes {
				assert.NotContains(t, c.What, "the power was cut")
			}
			inSeries := 0
			for _, c := range s.Captures {
				if c.Quantity == probe.Current {
					inSeries++
					assert.NotEmpty(t, c.Circuit, c.ID)
				}
			}
			assert.Greater(t, inSeries, 10)
		})
	}
}

// A handheld meter that sends its display is coarser: much stays undecided, nothing
// fails that is sound, and what is grossly wrong is found all the same.
func TestAHandheldMeterAlone(t *testing.T) {
	s := alone(t, "handheld", "first-power-on", NoFault, 1)
	assert.Zero(t, s.Count(verdict.Fail), "%v", alarms(s))
	assert.Positive(t, s.Count(verdict.Pass))
	for _, step := range s.Steps {
		if step.What == procedure.WhatCurrent {
			assert.True(t, step.Unproven || step.Note != "", "%s: without a range for amperes it is told by the drop over its breaker", step.ID)
		}
	}
	for id, c := range s.Captures {
		assert.False(t, c.TakenAsIs, "%s: the hands lift the probes for as long as this meter needs to show it", id)
	}
	t.Log(s.Summary())
	for _, fault := range everyOf("oversized-breaker", "open-circuit", "short-to-airframe", "bad-ground") {
		t.Run(fault, func(t *testing.T) {
			planted, _ := mockup.Find(fault)
			s := alone(t, "handheld", "first-power-on", fault, 1)
			assert.Equal(t, found, outcome(s, planted), "%v", alarms(s))
		})
	}
}
