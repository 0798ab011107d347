package procedure

import (
	"fmt"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/probe"
)

// playQuietly performs a script with no instruments.
func playQuietly(t *testing.T, script string, answer func(Now) string) (out played) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		out = playOn(t, &Bench{Patience: time.Second}, begin(t, book, script), script, answer)
	})
	return out
}

const looks = `
section("Locator")
seen = observe("guard", "locator", "Is it guarded?", finding = "It is not guarded.", attempt = "Guard it.")
t = typed("How warm?", "temperature", "aircraft", accuracy = "1%", least = -40, most = 60, what = "ambient temperature")
check_number("warmth", "aircraft", t.value, "°C", low = 10, high = 30, rule = "a rule", status = "verified", u = 0.5)
check_number("heat", "aircraft", t.value, "°C", high = 19, rule = "a rule", u = 0.1)
check_number("nearly", "aircraft", t.value, "°C", high = 20, rule = "a rule", u = 0.1)
due = date("When?")
check_number("days", "locator", due.days, "d", high = 0, rule = "not passed")
c = clock("Compare it.")
row("table", Heading = "030", Deviation = 1.5)
note("%s %s" % (seen, c.ok))
`

func TestWhatAPersonSeesAndReads(t *testing.T) {
	p := playQuietly(t, looks, nil)
	require.NoError(t, p.err)
	var words []string
	for _, s := range p.sheet.Steps {
		words = append(words, s.ID+" "+s.Verdict)
		assert.Equal(t, "Locator", s.Section)
	}
	// The emulated year is 2000: the date of 2026 has not passed.
	assert.Equal(t, []string{"locator/guard pass", "aircraft/warmth pass", "aircraft/heat fail", "aircraft/nearly undecided", "locator/days pass"}, words)
	guard, warmth := p.sheet.Steps[0], p.sheet.Steps[1]
	assert.Nil(t, guard.Reading)
	assert.Contains(t, guard.Note, "Is it guarded?")
	assert.Equal(t, "a rule", warmth.Rule.String())
	assert.InDelta(t, 1, *warmth.Uncertainty, 1e-12)
	assert.Equal(t, 20.0, p.sheet.Captures["r1"].Value)
	assert.Equal(t, "somebody", p.sheet.Captures["r1"].By)
	assert.Equal(t, probe.Temperature, p.sheet.Captures["r1"].Quantity)
	assert.Equal(t, []Row{{"table", [][2]string{{"Heading", "030"}, {"Deviation", "1.5"}}}}, p.sheet.Rows)
	assert.Equal(t, []string{"pass True"}, p.sheet.Notes)
}

func TestWhatAPersonSeesWrong(t *testing.T) {
	p := playQuietly(t, looks, func(n Now) string {
		if len(n.Answers) > 1 {
			return n.Answers[1]
		}
		return ""
	})
	require.NoError(t, p.err)
	assert.Equal(t, "fail", p.sheet.Steps[0].Verdict)
	assert.Equal(t, Finding{Circuit: "locator", What: "It is not guarded.", Evidence: []string{"locator/guard"}, Try: "Guard it."}, p.sheet.Findings[0])
	assert.Equal(t, []string{"fail False"}, p.sheet.Notes)

	p = playQuietly(t, looks, func(n Now) string {
		if n.What == "guard" {
			return n.Answers[2]
		}
		return "Differs"
	})
	require.NoError(t, p.err)
	assert.Equal(t, "not done", p.sheet.Steps[0].Verdict)
}

func TestNumbersOutsideTheirSpanAreRefusedAtTheDesk(t *testing.T) {
	least, most := -40.0, 60.0
	n := Now{Number: "°C", Least: &least, Most: &most}
	require.NoError(t, n.accepts(&Answer{Number: 60}))
	assert.ErrorContains(t, n.accepts(&Answer{Number: 61}), "-40 °C to 60 °C")
	n.Least = nil
	assert.ErrorContains(t, n.accepts(&Answer{Number: 61}), "at most 60 °C")
	n = Now{Number: "A", Least: &least}
	assert.ErrorContains(t, n.accepts(&Answer{Number: -41}), "at least -40 A")
}

func TestHandsChangeTheState(t *testing.T) {
	p := playQuietly(t, `
plugs(out = True, say = "Off.")
plugs(out = False, say = "On.")
feed("battery", "Battery on.")
put("asleep", "Switches off.")
move("key", "radio", "Key it.")
move("release", "radio", "Release it.")
unfeed("battery", "Battery off.")
`, nil)
	require.NoError(t, p.err)
}

func TestMistakesInScriptsNameTheLine(t *testing.T) {
	for script, says := range map[string]string{
		`feed("supply", "?")`:                                "bench supply",
		`feed("nowhere", "?")`:                               `there is no source "nowhere"`,
		`unfeed("battery", "?")`:                             "does not feed",
		"feed('battery', '?')\nfeed('battery', '?')":         "feeds the aircraft already",
		"feed('battery', '?')\nplugs(out = True, say = '?')": "power off only",
		`put("upside-down", "?")`:                            "there are: all-on",
		`move("key", "gps", "?")`:                            "no short work",
		`typed("?", "weight", "x")`:                          "cannot be typed",
		`typed("?", "voltage", "x", accuracy = "good")`:      "accuracy",
		`check_number("x", "y", 1, "V", u = -1)`:             "no value to judge",
		`check_number("x", "y", 1, "V", low = "a")`:          "want a number",
		`row("x")`:                                "each field",
		`row("x", a = [])`:                        "neither words nor a number",
		`sender_limit("nothing", 20, 2)`:          "no sender",
		`yardstick("elbow")`:                      "no yardstick",
		`compass_fit([0], [0, 1], 1)`:             "as many",
		`compass_fit(["a"], [0], 1)`:              "no number",
		`battery_resistance("x", 1, 2, 3, 4, [])`: "it takes a battery",
	} {
		p := playQuietly(t, script, nil)
		assert.ErrorContains(t, p.err, says, script)
		assert.ErrorContains(t, p.err, "test.star:", script)
	}
}

// With the supply on, hands that switch much on or off at once do not trip the
// watch, and a source of another kind is refused.
func TestPutWithTheSupplyOn(t *testing.T) {
	offAfter := func(d time.Duration) *unruly {
		return &unruly{amperes: func(on time.Duration) float64 {
			if on > d {
				return 0.001
			}
			return 25
		}}
	}
	const script = `
put("all-on", "Everything on.")
power(volts = 13.8, limit = 50)
put("off", "Everything off.")
hold("wait")
`
	p := play(t, offAfter(300*time.Millisecond), script)
	require.NoError(t, p.err)
	assert.Empty(t, p.sheet.Cuts, "hands were quicker than the word")
	p = play(t, offAfter(2*time.Second), script)
	require.NoError(t, p.err)
	assert.Len(t, p.sheet.Cuts, 1, "the current still flows after the word")

	p = play(t, &unruly{}, "power(volts = 14, limit = 20)\nfeed(\"battery\", \"?\")")
	assert.ErrorContains(t, p.err, "the supply is on")
	p = play(t, &unruly{}, "feed(\"battery\", \"?\")\npower(volts = 14, limit = 20)")
	assert.ErrorContains(t, p.err, "battery feeds the aircraft")
}

// A word that may be given in the first five minutes of an hour only: at the wrong
// time the procedure waits, and a person can leave it out; without a clock that
// was confirmed it is not asked for.
func TestAWordInItsWindow(t *testing.T) {
	const script = `
clock()
hold("a long time")
note("got " + hold("Self-test?", answers = ["Done", "Not done"], within = (%d, %d)))
`
	// The emulated clock begins at midnight UTC; whoever answers takes his time.
	var asked []string
	slow := func(first, waiting time.Duration) func(Now) string {
		asked = nil
		return func(n Now) string {
			asked = append(asked, n.Say)
			switch {
			case n.Say == "a long time":
				time.Sleep(first)
			case n.Answers[0] == leftOut:
				time.Sleep(waiting)
			}
			return n.Answers[0]
		}
	}
	p := playQuietly(t, fmt.Sprintf(script, 0, 5), slow(time.Minute, 0))
	require.NoError(t, p.err)
	assert.Equal(t, []string{"got Done"}, p.sheet.Notes)

	p = playQuietly(t, fmt.Sprintf(script, 0, 5), slow(10*time.Minute, 0))
	require.NoError(t, p.err)
	assert.Equal(t, []string{"got "}, p.sheet.Notes, "left out")
	assert.Contains(t, asked, "Not now: wait until 01:00 UTC.")
	assert.NotContains(t, asked, "Self-test?")

	p = playQuietly(t, fmt.Sprintf(script, 20, 25), slow(time.Minute, 22*time.Minute))
	require.NoError(t, p.err)
	assert.Equal(t, []string{"got Done"}, p.sheet.Notes, "waited, and was asked again at 00:20")
	assert.Contains(t, asked, "Not now: wait until 00:20 UTC.")

	p = playQuietly(t, fmt.Sprintf(script, 1, 2), slow(90*time.Second, 0))
	require.NoError(t, p.err)
	assert.Equal(t, []string{"got Done"}, p.sheet.Notes)

	p = playQuietly(t, `hold("x", within = (0, 5))`, nil)
	assert.ErrorContains(t, p.err, "the clock has not been confirmed")
	p = playQuietly(t, "clock()\nhold(\"x\", within = (5, 0))", nil)
	assert.ErrorContains(t, p.err, "no span of minutes")
}

// A script may judge numbers of its own by the names that the program uses, with
// no design value beside them; what fails is a finding, never a mistake.
func TestOwnNumbersUnderKnownNames(t *testing.T) {
	for _, what := range []string{WhatMarking, WhatLoad, WhatDrop, WhatReturn, WhatCurrent, WhatTotal, WhatThrough, WhatApart, WhatProtector, WhatFeeder, WhatBus, "elbow room"} {
		for _, limit := range []string{"low = 5", "high = 1"} {
			p := playQuietly(t, fmt.Sprintf(`check_number(%q, "radio", 2, "V", u = 0.01, %s, rule = "a rule")`, what, limit), nil)
			require.NoError(t, p.err, "%s %s", what, limit)
			require.Len(t, p.sheet.Findings, 1, "%s %s", what, limit)
			assert.Contains(t, p.sheet.Findings[0].What, "2 V", "%s %s", what, limit)
		}
	}
}
