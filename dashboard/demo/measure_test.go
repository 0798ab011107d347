package demo

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/probe/bench"
	"loomproof/scripts"
)

// hands do one thing that the desk asks for; false when the context has ended.
type hands func(context.Context, *mockup.Mockup, *procedure.Desk, procedure.Now) bool

// obey does what is asked for.
func obey(ctx context.Context, m *mockup.Mockup, desk *procedure.Desk, now procedure.Now) bool {
	return m.Do(ctx, desk, now, mockup.Pace{Move: 18 * time.Millisecond, Answer: true})
}

// play performs a script on the Marsh Hen in emulated time.
func play(t *testing.T, script string, faults ...airframe.Fault) (s *procedure.Sheet, err error) {
	t.Helper()
	return playBy(t, script, obey, faults...)
}

// playBy does so with hands of the test's own.
func playBy(t *testing.T, script string, do hands, faults ...airframe.Fault) (s *procedure.Sheet, err error) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		text, _ := scripts.Design("marsh-hen")
		d, perr := design.Parse("marsh-hen.yaml", text)
		require.NoError(t, perr)
		m, perr := mockup.New(d, faults, 3)
		require.NoError(t, perr)
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		instruments, unplug, perr := newBench(ctx, "all", m, 3, func() (*bench.Cable, error) { return bench.NewMemoryCable(), nil })
		require.NoError(t, perr)
		defer unplug()
		book, perr := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, perr)
		defer book.Close()
		w, perr := book.Begin(ctx, logbook.Opening{Procedure: "test", Script: script, Design: d.Text, File: d.File, Revision: d.Revision})
		require.NoError(t, perr)
		desk := procedure.NewDesk()
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			var now procedure.Now
			for done := 0; ; done = now.ID {
				if desk.Until(ctx, func(v procedure.View) bool { now = v.Now; return v.Now.ID != done }) != nil || !do(ctx, m, desk, now) {
					return
				}
			}
		}()
		p := procedure.Performance{Design: d, Sheet: w, Name: "test", Script: []byte(script), Bench: instruments, Desk: desk}
		err = p.Perform(ctx)
		cancel()
		<-ended
		s, perr = procedure.Fold(w.Records())
		require.NoError(t, perr)
	})
	return s, err
}

// Ohms: a way that is there is felt by itself, one that is open is a result.
func TestOhms(t *testing.T) {
	script := `
r = measure("transponder.breaker", "J2.2", "run", quantity = "resistance")
check("continuity", "transponder", r)
a = measure("transponder.breaker", "", "apart", quantity = "resistance", joined = ["radio.breaker"])
check("apart", "transponder", a)
`
	s, err := play(t, script)
	require.NoError(t, err)
	require.Len(t, s.Steps, 2)
	assert.Equal(t, "pass", s.Steps[0].Verdict, "%+v", s.Steps[0])
	assert.Equal(t, "pass", s.Steps[1].Verdict, "%+v", s.Steps[1])

	s, err = play(t, script, airframe.Fault{Kind: airframe.OpenCircuit, At: "transponder/1"})
	require.NoError(t, err)
	assert.Equal(t, "fail", s.Steps[0].Verdict, "%+v", s.Steps[0])
	assert.Nil(t, s.Steps[0].Reading, "open")
	require.Len(t, s.Findings, 1)
	assert.Contains(t, s.Findings[0].What, "transponder: open between")
}

// A resistance from two loads, and limits that a script brings.
func TestSlopeAndOwnLimits(t *testing.T) {
	s, err := play(t, `
needs("meter", "supply")
power(volts = 13.8, limit = 20)
move("on", "master", "master")
v1 = measure("battery+", "battery-", "a")
w1 = measure("main", "battery-", "b")
i1 = read("supply current")
for c in ["fuel-pump", "landing-light"]:
    move("close", c, c)
    move("on", c, c)
v2 = measure("battery+", "battery-", "a")
w2 = measure("main", "battery-", "b")
i2 = read("supply current")
check_slope("run resistance", "master", v1, v2, i1, i2, minus1 = w1, minus2 = w2)
check("bus under load", "main", w2, low = 13, rule = "a test")
p = pulse("main", "battery-", "key it", seconds = 1)
check("dip", "main", p, low = 13, high = 14, design = 13.7, rule = "a test", status = "memory", title = "dip")
`)
	require.NoError(t, err)
	require.Len(t, s.Steps, 3)
	for _, step := range s.Steps {
		assert.Equal(t, "pass", step.Verdict, "%+v", step)
	}
	assert.Equal(t, "Ω", s.Steps[0].Unit)
	assert.InDelta(t, *s.Steps[0].Design, *s.Steps[0].Reading, 1e-3)
	assert.Nil(t, s.Steps[1].Design)
	assert.Equal(t, "a test (memory)", s.Steps[2].Rule.String())
}

// A run's resistance from the circuit on and off, with other loads on that take up
// what the bus rises by: within its uncertainty of what is planted, and too much of
// it found.
func TestRunResistance(t *testing.T) {
	const script = `
power(volts = 13.8, limit = 20)
move("on", "master", "master")
move("close", "fuel-pump", "pump")
move("on", "fuel-pump", "pump")
move("close", "%[1]s", "breaker")
for c in circuits:
    if c.name == "%[1]s":
        if c.switch:
            move("on", c.name, "switch")
        bus, end = measure(c.bus, reference, "a"), measure(c.feed[-1], reference, "b")
on = read("supply current")
move("open", "%[1]s", "breaker")
check_run("%[1]s", bus, end, on, read("supply current"))
`
	sound := play1(t, fmt.Sprintf(script, "landing-light"))
	assert.Equal(t, "pass", sound.Verdict, "%+v", sound)
	assert.Len(t, sound.Captures, 4)
	const more = 0.05 // ohms in a joint
	bad := play1(t, fmt.Sprintf(script, "landing-light"), airframe.Fault{Kind: airframe.HighResistanceJoint, At: "landing-light/1", Size: more})
	assert.Equal(t, "fail", bad.Verdict, "%+v", bad)
	assert.InDelta(t, *sound.Reading+more, *bad.Reading, *bad.Uncertainty)
}

// Who leaves circuits on as all go off, with the reason, comes to the end of the
// worksheet all the same, and each current that was not read is listed.
func TestLoadedWithABusThatStaysOn(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	script, _ := scripts.Procedure("loaded")
	left := map[string]bool{}
	s, err := playBy(t, string(script), func(ctx context.Context, m *mockup.Mockup, desk *procedure.Desk, now procedure.Now) bool {
		k := d.Circuit(now.Circuit)
		if k == nil || k.Bus != "avionics" || now.Kind != procedure.DoAct || now.Action != "open" && now.Action != "off" {
			return obey(ctx, m, desk, now)
		}
		left[k.Name] = true
		return assert.NoError(t, desk.Say(procedure.Word{Kind: procedure.WordSkip, ID: now.ID, Reason: "it needs an hour to start", By: mockup.By}))
	})
	require.NoError(t, err)
	require.NotEmpty(t, left)
	notDone := map[string]int{}
	for _, step := range s.Steps {
		assert.NotEqual(t, "fail", step.Verdict, "%+v", step)
		if left[step.Circuit] && step.Verdict == "not done" {
			assert.Contains(t, step.Note, "it needs an hour to start")
			notDone[step.Circuit+" "+step.What]++
		}
	}
	for name := range left {
		assert.Equal(t, 1, notDone[name+" "+procedure.WhatRun], name)
		assert.Equal(t, 1, notDone[name+" "+procedure.WhatCurrent], name)
	}
}

// A cut as a hand lets go of what it keyed ends the worksheet as any other.
func TestACutAsAHandLetsGo(t *testing.T) {
	for _, test := range []struct{ procedure, action, circuit, step string }{
		{"loaded", "off", "trim", "cut"},
		{"loaded", "release", "transponder", "cut"},
		{"avionics", "release", "transponder", "cut"},
	} {
		t.Run(test.procedure+" "+test.circuit, func(t *testing.T) {
			script, _ := scripts.Procedure(test.procedure)
			s, err := playBy(t, string(script), func(ctx context.Context, m *mockup.Mockup, desk *procedure.Desk, now procedure.Now) bool {
				if now.Action == test.action && now.Circuit == test.circuit {
					for _, c := range []string{"landing-light", "alternator-field", "fuel-pump", "cabin-fan", "starter", "cranking"} {
						m.Move("in", c) // what the elbow finds
					}
				}
				return obey(ctx, m, desk, now)
			})
			require.NoError(t, err)
			assert.NotEmpty(t, s.Cuts)
			assert.True(t, slices.ContainsFunc(s.Steps, func(x procedure.Step) bool { return x.What == procedure.WhatCut }), "it is told as a step")
		})
	}
}

// Where nothing reads a current, nobody has to switch off one load after the other.
func TestNothingIsSwitchedOffForNothing(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	s, _, records := reportedOn(t, text, "meter", "loaded", mockup.Planted{}, 1)
	var off []string
	for _, r := range records {
		var e struct {
			Call string
			Args struct{ Action, Circuit string }
		}
		if r.Decode(&e) == nil && e.Call == "act" && (e.Args.Action == "open" || e.Args.Action == "off") {
			off = append(off, e.Args.Circuit)
		}
	}
	assert.ElementsMatch(t, []string{"alternator-field", "fuel-pump", "cabin-fan", "trim"}, off, "what heats or runs dry, and what is held")
	for _, what := range []string{procedure.WhatRun, procedure.WhatCurrent} {
		assert.True(t, slices.ContainsFunc(s.Steps, func(x procedure.Step) bool {
			return x.Circuit == "landing-light" && x.What == what && x.Unproven
		}), what)
	}
}

// What a hand leaves alone, for a reason, is not done: nothing behind it is read as if
// it had moved, and failed or passed for it.
func TestWhatAHandLeavesAloneIsNotDone(t *testing.T) {
	const reason = "its knob is off for repair"
	for _, test := range []struct{ procedure, action, circuit, step string }{
		{"loaded", "key", "transponder", "transponder/load voltage"},
		{"avionics", "close", "transponder", "transponder/load voltage"},
		{"avionics", "key", "transponder", "transponder/load voltage"},
		{"compass", "close", "landing-light", "landing-light/compass pull"},
		{"compass", "on", "landing-light", "landing-light/compass pull"},
		{"ground-run", "on", "cranking", "cranking/cranking"},
		{"first-power-on", "on", "landing-light", "landing-light/load voltage"},
		{"first-power-on", "on", "avionics-master", "transponder/load voltage"},
		{"first-power-on", "close", "avionics-master", "transponder/load voltage"},
	} {
		t.Run(test.procedure+" "+test.action+" "+test.circuit, func(t *testing.T) {
			script, _ := scripts.Procedure(test.procedure)
			left, planted := false, false
			s, err := playBy(t, string(script), func(ctx context.Context, m *mockup.Mockup, desk *procedure.Desk, now procedure.Now) bool {
				if !planted && test.procedure == "compass" { // so that each load is asked for by itself
					planted = true
					m.Plant(mockup.Quirk{What: "compass pull", Where: "panel-lights", Value: 9})
				}
				if now.Kind != procedure.DoAct || now.Action != test.action || now.Circuit != test.circuit {
					return obey(ctx, m, desk, now)
				}
				left = true
				return assert.NoError(t, desk.Say(procedure.Word{Kind: procedure.WordSkip, ID: now.ID, Reason: reason, By: mockup.By}))
			})
			require.NoError(t, err)
			require.True(t, left)
			last := procedure.Step{}
			for _, step := range s.Steps {
				assert.True(t, step.Verdict != "fail" || test.procedure == "compass", "%+v", step)
				if step.ID == test.step || strings.HasPrefix(step.ID, test.step+"#") {
					last = step
				}
			}
			assert.Equal(t, "not done", last.Verdict)
			assert.Contains(t, last.Note, reason)
		})
	}
}

// play1 performs a script of one step.
func play1(t *testing.T, script string, faults ...airframe.Fault) procedure.Step {
	t.Helper()
	s, err := play(t, script, faults...)
	require.NoError(t, err)
	require.Len(t, s.Steps, 1)
	return s.Steps[0]
}

// A mistake of a script is told with its line, before anything is touched.
func TestMistakesOfAScript(t *testing.T) {
	for script, says := range map[string]string{
		`needs("hammer")`:                                     `"hammer" is no instrument`,
		`measure("nowhere", "main", "x")`:                     `test.star:1:8: there is no terminal "nowhere"`,
		`measure("main", "battery-", "x", quantity = "mass")`: `not "mass"`,
		"power(volts = 13.8, limit = 20)\nmeasure('main', 'battery-', 'x', quantity = 'resistance')":        "ohms are read with the power off",
		"power(volts = 13.8, limit = 20)\ncheck('x', 'y', read('supply current'), low = 1)":                 "a limit needs its rule",
		"power(volts = 13.8, limit = 20)\ncheck('x', 'y', read('supply current'))":                          `the design has no limit for it; give low or high`,
		"power(volts = 13.8, limit = 20)\ncheck('x', 'y', read('supply current'), low=2, high=1, rule='r')": "is above high",
		`pulse("main", "battery-", "x", seconds = 900)`:                                                     "outside 0 to 60",
	} {
		t.Run(script, func(t *testing.T) {
			_, err := play(t, script)
			assert.ErrorContains(t, err, says)
		})
	}
}

// A script that says what it wants is told how, and what cannot be had.
func TestPlanOfAScript(t *testing.T) {
	s, err := play(t, `
p = plan([("drop", "radio", "avionics", "radio.breaker"), ("current", "radio", "", ""), ("dip", "avionics", "avionics", "battery-")])
note("%d %d %s %s" % (p.moves, len(p.order), p.ways[1], p.cannot[0].addition))
`)
	require.NoError(t, err)
	assert.Equal(t, []string{"2 2 current of radio: the rise of the supply's own reading as the breaker closes the node on that bus, or a meter that holds the least reading"}, s.Notes)
	for script, says := range map[string]string{
		`plan([("drop", "radio")])`:              "is no want",
		`plan([("weight", "radio", "", "")])`:    `"weight" cannot be planned`,
		`plan([("drop", "radio", "x", "main")])`: `there is no terminal "x"`,
	} {
		_, err := play(t, script)
		assert.ErrorContains(t, err, says)
	}
}
