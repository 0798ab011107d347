package procedure

import (
	"context"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/limits"
	"loomproof/checks/logbook"
	"loomproof/checks/verdict"
	"loomproof/probe"
	typing "loomproof/probe/keyboard"
	"loomproof/probe/steady"
)

// A person types what a meter shows, at the desk: what is no reading is asked
// again with the reason, and one reading is enough.
func TestAMeterThatAPersonReads(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		desk := NewDesk()
		desk.Settle = 0
		meter, err := typing.Open(t.Context(), desk.Line, typing.Options{
			Name: "panel voltmeter", Scales: []typing.Scale{{Channel: "voltage", Quantity: probe.Voltage, High: 30, Class: 1.5, Division: 0.5}},
		})
		require.NoError(t, err)
		desk.show(Now{Kind: DoProbe, Say: "Red on the bus."})
		var asked []View
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		go func() {
			for _, line := range []string{"12.4 A", "12,4"} {
				_ = desk.Until(ctx, func(v View) bool { return v.Now.Write != "" && (v.Live != nil) == (len(asked) > 0) })
				v, _ := desk.View()
				asked = append(asked, v)
				assert.NoError(t, desk.Answer(Answer{ID: v.Now.ID, Text: line}))
				synctest.Wait()
			}
		}()
		p := &Performance{Desk: desk, Bench: &Bench{Meter: meter}, Design: &design.Design{}, watch: &watcher{}}
		c, err := p.untilSteady(ctx, meter, "voltage", feel{rule: steady.Rule{MustLift: true, Touch: 6}}, 1)
		require.NoError(t, err)
		assert.Equal(t, 12.4, c.Value)
		assert.Equal(t, 1, c.Count)
		require.Len(t, asked, 2)
		assert.Equal(t, "What does panel voltmeter show? Type the voltage in V", asked[0].Now.Say)
		assert.Equal(t, "Red on the bus.", asked[0].Now.Detail)
		assert.Contains(t, asked[1].Live.Phase, "wrong unit")
		assert.Equal(t, `wrong unit: "A" was typed where V is wanted; turn the meter to voltage, and type the number with V, mV, kV or nothing behind it`, asked[1].Now.Refused)
		v, _ := desk.View()
		assert.Equal(t, "Red on the bus.", v.Now.Say, "what was shown stands there again")
	})
}

// typedBench has one meter whose digits a person types, and which shows so many ohms.
func typedBench(t *testing.T, desk *Desk, ohms float64) *Bench {
	t.Helper()
	meter, err := typing.Open(t.Context(), desk.Line, typing.Options{
		Name: "hand meter", Accuracy: map[string]probe.Accuracy{"voltage": {OfReading: 0.005, Digits: 2}, "resistance": {OfReading: 0.008, Digits: 4}},
		Scales: []typing.Scale{{Channel: "voltage", Quantity: probe.Voltage, High: 40}, {Channel: "resistance", Quantity: probe.Resistance, High: ohms}},
	})
	require.NoError(t, err)
	return &Bench{Meter: meter}
}

// playTyped performs with such a meter. answers are what is typed or chosen, by
// what is asked for, one after the other.
func playTyped(t *testing.T, ohms float64, script string, answers map[string][]string) (out played) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		desk := NewDesk()
		desk.Settle = 0
		out = playAt(t, t.Context(), desk, typedBench(t, desk, ohms), begin(t, book, script), script, nil, func(d *Desk, n Now) bool {
			asked := n.Say
			if n.Write != "" {
				asked = n.Detail
			}
			for part, says := range answers {
				if !strings.Contains(asked, part) || len(says) == 0 {
					continue
				}
				answers[part] = says[1:]
				a := Answer{ID: n.ID, By: "somebody", Text: says[0]}
				if n.Write == "" {
					a = Answer{ID: n.ID, By: "somebody", Choice: says[0]}
				}
				require.NoError(t, d.Answer(a))
				return true
			}
			return false
		}, nil)
	})
	return out
}

// A minus where the design has a plus is told as the danger that it is. Leads that
// were crossed are read again; a battery the wrong way round ends the worksheet.
func TestMinusOnTheBattery(t *testing.T) {
	const script = "feed('battery', 'connect')\nm = measure('battery+', 'battery-', 'Red on plus.')\ncheck('bus voltage', 'master', m)\nhold('go on')\n"
	crossed := playTyped(t, 4000, script, map[string][]string{"Red on plus.": {"-12.70", "12.70"}, "MINUS": {leadsCrossed}})
	require.NoError(t, crossed.err)
	require.Len(t, crossed.sheet.Steps, 1)
	assert.Equal(t, "pass", crossed.sheet.Steps[0].Verdict)
	require.NotEmpty(t, crossed.said)
	assert.Equal(t, "MINUS 12.7 V at the lug of the battery + lead: the battery is connected the wrong way round, or the meter's leads are crossed. "+
		"Take it off now, before anything is switched on.", crossed.said[0])

	wrong := playTyped(t, 4000, script, map[string][]string{"Red on plus.": {"-12.70"}, "MINUS": {wrongWay}})
	require.NoError(t, wrong.err)
	assert.Equal(t, verdict.Fail, wrong.sheet.Verdict)
	assert.Contains(t, wrong.sheet.Stopped, "connected the wrong way round")
	require.Len(t, wrong.sheet.Steps, 1, "nothing goes on")
	assert.Equal(t, WhatPolarity, wrong.sheet.Steps[0].What)

	on := playTyped(t, 4000, "feed('battery', 'connect')\nmove('on', 'master', 'on')\nm = measure('main', 'battery-', 'Red on the bus.')\n",
		map[string][]string{"Red on the bus.": {"-12.70"}, "MINUS": {wrongWay}})
	require.NotEmpty(t, on.said)
	assert.Contains(t, on.said[0], "MASTER off and battery off, by hand, now.")
}

// OL is a reading of ohms: above the largest that the meter shows. It proves that
// ways are apart as far as the range goes, and that a way is broken.
func TestOverloadIsTyped(t *testing.T) {
	const script = "plugs(out = True, say = 'out')\nr = measure('transponder.breaker', 'J2.2', 'Through.', quantity = 'resistance')\ncheck('continuity', 'transponder', r)\n" +
		"a = measure('transponder.breaker', '', 'Apart.', quantity = 'resistance')\ncheck('apart', 'transponder', a)\n"
	for typed, want := range map[string]struct{ through, apart string }{
		"OL":     {"fail", "undecided"}, // the scale ends at 4 kΩ, below the limit of 100 kΩ
		"> 20 M": {"fail", "pass"},
		"0.L":    {"fail", "undecided"},
	} {
		p := playTyped(t, 4000, script, map[string][]string{"Through.": {typed}, "Apart.": {typed}})
		require.NoError(t, p.err, typed)
		require.Len(t, p.sheet.Steps, 2, typed)
		assert.Equal(t, want.through, p.sheet.Steps[0].Verdict, typed)
		assert.Equal(t, want.apart, p.sheet.Steps[1].Verdict, "%s: %+v", typed, p.sheet.Steps[1])
		if want.apart == "undecided" {
			assert.Contains(t, p.sheet.Steps[1].Decide, "turn the meter to a higher range")
		}
	}
	p := playTyped(t, 4000, "r = measure('G1', 'G1', 'The leads.', quantity = 'resistance')\nif r.open:\n    fail()\n", map[string][]string{"The leads.": {"OL", "0.2"}})
	require.NoError(t, p.err, "leads on one point are never open")
}

// A plain meter of 4000 counts shows tenths of an ohm. It tells whether a way is
// joined, not whether it is as good as the design has it: the step passes as the one
// and says the other. A way that is plainly bad fails.
func TestAPlainMeterRingsOut(t *testing.T) {
	const script = "leads = measure('G1', 'G1', 'The leads.', quantity = 'resistance')\n" +
		"r = measure('transponder.breaker', 'J2.2', 'Through.', quantity = 'resistance')\ncheck('continuity', 'transponder', r, minus = None if r.open else leads)\n"
	for typed, want := range map[string]string{"0.2": "pass", "0.4": "pass", "0.8": "pass", "1.9": "fail", "12.4": "fail", "OL": "fail"} {
		p := playTyped(t, 40e6, script, map[string][]string{"The leads.": {"0.2"}, "Through.": {typed}})
		require.NoError(t, p.err, typed)
		require.Len(t, p.sheet.Steps, 1, typed)
		s := p.sheet.Steps[0]
		assert.Equal(t, want, s.Verdict, "%s: %+v", typed, s)
		assert.Empty(t, s.Decide, typed)
		if want == "pass" {
			assert.Contains(t, s.Note, "it is joined; whether it has no more than", typed)
			assert.Equal(t, limits.RingsOut, s.Rule, typed)
			assert.False(t, s.Unproven, "%s: it leaves the worksheet whole", typed)
		}
	}
	p := playTyped(t, 40e6, "plugs(out = True, say = 'out')\na = measure('transponder.breaker', '', 'Apart.', quantity = 'resistance')\ncheck('apart', 'transponder', a)\n",
		map[string][]string{"Apart.": {"100.1 k"}})
	require.NoError(t, p.err)
	require.Len(t, p.sheet.Steps, 1)
	assert.Equal(t, "undecided", p.sheet.Steps[0].Verdict)
	assert.Contains(t, p.sheet.Steps[0].Decide, "all the digits that it shows")
	assert.NotContains(t, p.sheet.Steps[0].Decide, "load current")
}

// A worksheet that goes on says where the comb's clips and the black probe were, and
// nothing of a supply that is not there.
func TestGoingOnNamesTheComb(t *testing.T) {
	const script = "plugs(out = True, say = 'out')\na = measure('transponder.breaker', '', 'Apart.', quantity = 'resistance', joined = ['radio.breaker', 'gps.breaker'], comb = True)\n" +
		"r = measure('transponder.breaker', 'J2.2', 'Through.', quantity = 'resistance')\nhold('look')\n"
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		w := begin(t, book, script)
		var resumed Now
		perform := func(stopAt string) played {
			desk := NewDesk()
			desk.Settle = 0
			b := typedBench(t, desk, 40e6)
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			return playAt(t, ctx, desk, b, w, script, nil, func(d *Desk, n Now) bool {
				switch {
				case n.Say == stopAt || n.Write != "" && n.Detail == stopAt:
					stop()
					return true
				case n.Restore != nil && strings.HasPrefix(n.Say, "The worksheet goes on."):
					resumed = n
				case n.Write != "":
					require.NoError(t, d.Answer(Answer{ID: n.ID, By: "somebody", Text: "OL"}))
					return true
				}
				return false
			}, nil)
		}
		require.ErrorIs(t, perform("Through.").err, context.Canceled)
		require.NoError(t, perform("never").err)
		assert.Equal(t, "Lift the probes. Black probe on the comb; the comb's clips on the airframe and on: VHF radio, load side of the breaker; GPS, load side of the breaker.", resumed.Detail)
	})
}
