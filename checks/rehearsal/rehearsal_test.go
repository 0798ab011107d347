package rehearsal

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"loomproof/checks/design"
	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/checks/sandbox"
	"loomproof/checks/verdict"
	"loomproof/probe"
	"loomproof/scripts"
)

var update = flag.Bool("update", false, "write scripts/WORDS.md anew")

func TestMain(m *testing.M) {
	sandbox.Serve()
	goleak.VerifyTestMain(m)
}

func good() Kit { return GoodKit() }

func on(t testing.TB, name string) *design.Design {
	t.Helper()
	text, ok := scripts.Design(name)
	require.True(t, ok)
	d, err := design.Parse(name+".yaml", text)
	require.NoError(t, err)
	return d
}

func rehearse(t testing.TB, name, script string, kit Kit) (*Rehearsal, error) {
	t.Helper()
	return Run(t.Context(), Options{Design: on(t, "marsh-hen"), Name: name, Script: []byte(script), Kit: kit})
}

// Each procedure can be rehearsed, and proves a sound aircraft with good
// instruments.
func TestEachProcedureIsRehearsed(t *testing.T) {
	for _, name := range scripts.Procedures() {
		t.Run(name, func(t *testing.T) {
			text, _ := scripts.Procedure(name)
			begun := time.Now()
			r, err := rehearse(t, name, string(text), good())
			require.NoError(t, err)
			t.Logf("%s: %d steps, %d holds, %d presses, %d moves, about %s, rehearsed in %s", name, r.Effort.Steps, r.Effort.Holds, r.Effort.Presses, r.Effort.Moves, r.Time(), time.Since(begun).Round(time.Millisecond))
			for _, e := range r.Events {
				if e.Step != nil && e.Step.Verdict == string(verdict.Fail) {
					t.Errorf("fails: %s, %v", e.Step.Title, *e.Step.Reading)
				}
			}
			assert.NotEmpty(t, r.Cautions)
			assert.NotEmpty(t, r.Tools)
			assert.Positive(t, r.People)
			assert.Positive(t, r.Effort.Steps)
			var out bytes.Buffer
			require.NoError(t, r.Text(&out))
			for line := range strings.Lines(out.String()) {
				assert.LessOrEqual(t, utf8.RuneCountInString(strings.TrimRight(line, "\n")), 80, line)
			}
		})
	}
}

// The example of each word runs, and uses the word.
func TestEachWordsExample(t *testing.T) {
	seen := map[string]bool{}
	for _, w := range procedure.ScriptWords() {
		t.Run(w.Name(), func(t *testing.T) {
			assert.False(t, seen[w.Name()], "it stands in the table twice")
			seen[w.Name()] = true
			assert.Contains(t, w.Example, w.Name())
			assert.NotEmpty(t, w.Says)
			_, err := rehearse(t, "example", w.Example+"\n", good())
			require.NoError(t, err)
		})
	}
}

// scripts/WORDS.md is the table of the code.
func TestTheListOfWords(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, procedure.ListScriptWords(&out))
	const file = "../../scripts/WORDS.md"
	if *update {
		require.NoError(t, os.WriteFile(file, out.Bytes(), 0o644))
	}
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, out.String(), string(text), "write it anew: go test ./checks/rehearsal -run ListOfWords -update")
}

func TestPressesAndMovesAreCounted(t *testing.T) {
	r, err := rehearse(t, "count", `
TOOLS = ["fire extinguisher", "a ladder"]
PEOPLE = 2
hold("Ready?")
power(volts = supply.volts, limit = supply.limit)
move("on", "master", "Switch on master.")
a = measure("battery+", reference, "Red on plus.")
check("bus voltage", "master", a)
b = measure("main", reference, "Red on main.")
c = measure("main", reference, "Once more.", stays = True)
check("bus voltage", "master", b)
not_done("current", "radio", "later")
hold("Done?")
`, good())
	require.NoError(t, err)
	assert.Equal(t, Effort{Circuit: "all", Steps: 3, Holds: 2, Moves: 3}, r.Effort, "two probes for the first, one for the second; the supply's current answers for the master")
	require.Len(t, r.Circuits, 2)
	assert.Equal(t, Effort{Circuit: "master", Steps: 2, Holds: 1, Moves: 3}, r.Circuits[0])
	assert.Equal(t, Effort{Circuit: "radio", Steps: 1}, r.Circuits[1])
	assert.Equal(t, []string{"fire extinguisher", "a ladder"}, r.Tools)
	assert.Equal(t, 2, r.People)
	assert.Equal(t, []string{"vhf radio: current: later"}, lower(r.LeftOut))
	assert.InDelta(t, 2*holdSeconds+moveSeconds+3*probeSeconds+3*readingSeconds, r.Seconds, 1e-9)
}

// What a reading shows, nobody has to say: the clip of a comb shows that the probe
// was there, a way that closes that it was open. Where nothing shows it, a key is
// pressed, and the rehearsal says why.
// What is marked, seen or heard is a reading: its answer is counted apart from the
// keys that only say that a hand is done.
func TestAnswersThatAreReadingsAreCountedApart(t *testing.T) {
	r, err := rehearse(t, "looks", `
observe("chafing", "radio", "No bare wire?", finding = "bare wire", attempt = "tape it")
check_marking("radio", number("Marked?", "A", circuit = "radio"))
hold("Done?")
`, good())
	require.NoError(t, err)
	assert.Equal(t, Effort{Circuit: "all", Steps: 2, Holds: 1, Looks: 2}, r.Effort)
}

// What a coarse meter cannot prove is said once for each circuit, and what would
// prove it once.
func TestWhatCannotBeProvenIsSaidTogether(t *testing.T) {
	const advice = "a lower range, or more load current"
	assert.Equal(t, []string{
		"radio, read to ±50 mV, needs ±10 mV for drop; ±20 mV for load voltage", "GPS, read to ±50 mV, needs ±5 mV for drop", "radio: dip: a node", "What would: " + advice,
	}, together([]string{
		"radio: drop: an uncertainty below ±10 mV (it is ±50 mV now): " + advice, "GPS: drop: an uncertainty below ±5 mV (it is ±50 mV now): " + advice,
		"radio: dip: a node", "radio: load voltage: an uncertainty below ±20 mV (it is ±50 mV now): " + advice,
	}))
}

func TestReadingsAnswerForPresses(t *testing.T) {
	for _, c := range []struct {
		name, script string
		presses      int
		says         string
	}{
		{"comb", `check("apart", "radio", measure("radio.breaker", "", "x", quantity = "resistance", joined = ["gps.breaker"], comb = True))`, 0, ""},
		{"no comb", `check("apart", "radio", measure("radio.breaker", "", "x", quantity = "resistance", joined = ["gps.breaker"]))`, 1, "a probe in the air read the same"},
		{"closing", `check("continuity", "strobe", measure("main", "strobe.load+", "x", quantity = "resistance", closing = "strobe"))`, 0, ""},
		{"a breaker, and then the way", "move('in', 'strobe', 'x')\n" + `check("continuity", "strobe", measure("main", "strobe.load+", "x", quantity = "resistance"))`, 1, "no reading shows"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := rehearse(t, "felt", "plugs(True, 'Off?')\n"+c.script+"\n", good())
			require.NoError(t, err)
			assert.Equal(t, 1, r.Effort.Holds, "the plugs: nothing goes on before they are off")
			assert.Equal(t, c.presses, r.Effort.Presses)
			require.Equal(t, 1, r.Effort.Steps)
			assert.Equal(t, verdict.Pass, r.Verdict())
			var out bytes.Buffer
			require.NoError(t, r.Text(&out))
			assert.Contains(t, strings.Join(strings.Fields(out.String()), " "), c.says)
		})
	}
}

func lower(items []string) []string {
	out := make([]string, len(items))
	for i, s := range items {
		name, rest, _ := strings.Cut(s, ":")
		out[i] = strings.ToLower(name) + ":" + rest
	}
	return out
}

// With a poor meter a sound aircraft cannot be told from a bad one everywhere;
// the rehearsal says where, before anybody starts.
func TestWhatCannotBeProvenIsSaid(t *testing.T) {
	script := `
needs("meter", "supply")
power(volts = supply.volts, limit = supply.limit)
check("bus voltage", "master", measure("battery+", reference, "Red on plus."))
`
	r, err := rehearse(t, "x", script, good())
	require.NoError(t, err)
	assert.Empty(t, r.Unproven)
	assert.Equal(t, verdict.Pass, r.Verdict())
	a, err := probe.ParseAccuracy("2% + 5 digits")
	require.NoError(t, err)
	r, err = rehearse(t, "x", script, Kit{Meter: Rated("meter", a), Supply: Rated("supply", a)})
	require.NoError(t, err)
	require.Len(t, r.Unproven, 1)
	assert.Contains(t, r.Unproven[0], "bus voltage")
	_, err = rehearse(t, "x", script, Kit{Meter: Rated("meter", a)})
	assert.ErrorContains(t, err, "supply")
}

// The run of a load that draws little cannot be told by a coarse meter even where it
// is sound: that is left out, and does not leave the whole undecided, since what is
// lost over the run is judged by itself.
func TestARunThatCannotBeToldIsLeftOut(t *testing.T) {
	script := `
power(volts = supply.volts, limit = supply.limit)
move("on", "master", "Master.")
move("close", "avionics-master", "Breaker.")
move("on", "avionics-master", "Avionics master.")
move("close", "intercom", "Breaker.")
bus, end = measure("avionics", reference, "Red on the bus."), measure("intercom.load+", reference, "Red on the load.")
on = read("supply current")
move("open", "intercom", "Breaker.")
check_run("intercom", bus, end, on, read("supply current"))
`
	r, err := rehearse(t, "x", script, good())
	require.NoError(t, err)
	assert.Empty(t, r.LeftOut)
	assert.Equal(t, verdict.Pass, r.Verdict())
	a, err := probe.ParseAccuracy("0.2% + 2 digits")
	require.NoError(t, err)
	r, err = rehearse(t, "x", script, Kit{Meter: Rated("meter", a), Supply: Rated("supply", a)})
	require.NoError(t, err)
	require.Len(t, r.LeftOut, 1)
	assert.Contains(t, r.LeftOut[0], "intercom: run resistance: told to ±")
	assert.Empty(t, r.Unproven)
}

// What a builder gets wrong is found with its line.
func TestCheckFindsMistakes(t *testing.T) {
	for name, c := range map[string]struct{ script, want string }{
		"syntax":            {"hold('x'\n", "mine.star:2:1: wrong: got end of file"},
		"unknown word":      {"hold('x')\nholds('y')\n", "mine.star:2:1: wrong: undefined: holds"},
		"unknown argument":  {"hold('x', answer = ['a'])\n", `mine.star:1:5: wrong: hold: unexpected keyword argument "answer"`},
		"unknown circuit":   {"not_done('current', 'radio', 'x')\nmove('close', 'radar', 'Close it.')\n", `mine.star:2:5: wrong: there is no circuit "radar"`},
		"unknown point":     {"measure('radio.load', reference, 'x')\n", `mine.star:1:8: wrong: there is no terminal "radio.load"`},
		"wrong kind":        {"power('14', 20)\n", "mine.star:1:6: wrong: power: for parameter volts: got string, want a number"},
		"only on a branch":  {"def f():\n    check('drop', 'radio')\nif hold('Smoke?', answers = ['No', 'Yes']) == 'Yes':\n    f()\nnot_done('x', 'y', 'z')\n", "mine.star:2:10: look: no rehearsal came to this call"},
		"behind a return":   {"def f():\n    return 1\n    hold('x')\nf()\nnot_done('x', 'y', 'z')\n", "mine.star:3:5: look: nothing comes to this line"},
		"never used":        {"def f():\n    pass\nnot_done('x', 'y', 'z')\n", "mine.star:1:1: look: f is never used"},
		"a word's own name": {"def check():\n    pass\ncheck()\n", "check is a word of the program"},
		"no step":           {"hold('x')\n", "look: it comes to no step on marsh-hen.yaml"},
		"no list of tools":  {"TOOLS = 'hammer'\nhold('x')\n", `mine.star:1:1: wrong: TOOLS is a list of texts: TOOLS = ["fire extinguisher"], written out`},
		"nobody":            {"PEOPLE = 0\nhold('x')\n", "mine.star:1:1: wrong: PEOPLE is a number from 1 up"},
		"tools not said":    {"hold('x')\n", "look: it does not say which tools it takes"},
		"people not said":   {"hold('x')\n", "look: it does not say how many people it takes"},
		"no end":            {"while True: pass\n", "does a loop never end?"},
		"a division":        {"hold('x')\nx = 1 // 0\n", "mine.star:2:7: wrong: floored division by zero"},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := Check(t.Context(), []Options{{Design: on(t, "marsh-hen"), Name: "mine", Script: []byte(c.script), Kit: good()}}, nil)
			require.NoError(t, err)
			assert.Contains(t, fmt.Sprint(got.Complaints), c.want)
			assert.Equal(t, strings.Contains(c.want, "look:"), !got.Wrong(), "%v", got.Complaints)
		})
	}
}

// Nothing is wrong with our own procedures. The gate checks one, on both designs
// and with a fault that makes the watch cut; LOOMPROOF_ALL_SCRIPTS=1 checks each.
func TestOurOwnScriptsPassTheCheck(t *testing.T) {
	names := []string{"annual-check"}
	if os.Getenv("LOOMPROOF_ALL_SCRIPTS") != "" {
		names = scripts.Procedures()
	}
	for _, name := range names {
		t.Run(name, func(t *testing.T) {
			text, _ := scripts.Procedure(name)
			all := []Options{}
			for _, d := range []string{"marsh-hen", "marsh-hen-28"} {
				all = append(all, Options{Design: on(t, d), Name: name, Script: text, Kit: good()})
			}
			short, _ := mockup.Find("short-to-airframe")
			got, err := Check(t.Context(), all, []mockup.Planted{short})
			require.NoError(t, err)
			assert.False(t, got.Wrong(), "%v", got.Complaints)
			t.Logf("%d of %d calls reached", got.Reached, got.Calls)
		})
	}
}

func BenchmarkRehearse(b *testing.B) {
	b.ReportAllocs()
	text, _ := scripts.Procedure("first-power-on")
	for b.Loop() {
		if _, err := rehearse(b, "first-power-on", string(text), good()); err != nil {
			b.Fatal(err)
		}
	}
}
