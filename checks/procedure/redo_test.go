package procedure

import (
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/checks/verdict"
)

// What was seen, marked or typed is asked for once more; the answer before it
// stays, and a worksheet that goes on afterwards has both.
func TestAskedAgain(t *testing.T) {
	tests := map[string]struct {
		script, step  string
		before, after string // verdicts
		first, second Answer
	}{
		"seen": {
			script: "observe('chafing', 'radio', 'No bare wire?', finding = 'bare wire', attempt = 'tape')\n", step: "radio/chafing",
			before: "fail", after: "pass", first: Answer{Choice: "No"}, second: Answer{Choice: "Yes"},
		},
		"left out, then seen": {
			script: "observe('chafing', 'radio', 'No bare wire?')\n", step: "radio/chafing",
			before: "not done", after: "pass", first: Answer{Choice: leftOut}, second: Answer{Choice: "Yes"},
		},
		"marked": {
			script: "check_marking('radio', number('Which rating?', 'A'))\n", step: "radio/marking",
			before: "fail", after: "pass", first: Answer{Number: 30}, second: Answer{Number: 10},
		},
		"typed": {
			script: "check('bond', 'radio', typed('Milliohms?', 'resistance', 'radio', least = 0), high = 0.01, rule = 'a test')\n", step: "radio/bond",
			before: "fail", after: "pass", first: Answer{Number: 1}, second: Answer{Number: 0.001},
		},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				path := filepath.Join(t.TempDir(), "logbook.db")
				book, err := logbook.Open(path)
				require.NoError(t, err)
				defer book.Close()
				script := test.script + "hold('again?')\nhold('enough?')\n"
				w := begin(t, book, script)
				asked := false
				refuse(t, path, "CREATE TRIGGER refuse BEFORE INSERT ON records WHEN NEW.kind = 'close' BEGIN SELECT RAISE(ABORT, 'no more'); END")
				p := playInto(t, &unruly{}, w, script, func(d *Desk, n Now) bool {
					a := test.first
					switch {
					case n.Say == "again?" && !asked:
						asked = true
						require.ErrorContains(t, d.Say(Word{Kind: WordRedo, Step: "nothing", By: "somebody"}), "no step that was read, seen or marked")
						require.NoError(t, d.Say(Word{Kind: WordRedo, Step: test.step, By: "somebody"}))
						return true
					case n.Say == "again?" || n.Say == "enough?":
						return false
					case asked:
						a = test.second
					}
					a.ID, a.By = n.ID, "somebody"
					require.NoError(t, d.Answer(a))
					return true
				})
				require.ErrorContains(t, p.err, "logbook "+path)
				refuse(t, path, "DROP TRIGGER refuse")
				p = playInto(t, &unruly{}, w, script, func(_ *Desk, n Now) bool {
					assert.Fail(t, "nothing is asked twice", n.Say)
					return false
				})
				require.NoError(t, p.err)
				require.Len(t, p.sheet.Steps, 1)
				require.Len(t, p.sheet.Superseded, 1)
				was, is := p.sheet.Superseded[0], p.sheet.Steps[0]
				assert.Equal(t, []string{test.before, test.after}, []string{was.Verdict, is.Verdict})
				assert.Equal(t, 1, is.Redo)
				assert.Equal(t, []string{was.ID, was.Title}, []string{is.ID, is.Title})
				assert.Empty(t, is.Finding)
				assert.Equal(t, verdict.Word(test.after), p.sheet.Verdict)
				require.NoError(t, w.Check())
			})
		})
	}
}

// What was looked at can be left out for a reason, or not be there at all.
func TestWhatIsLookedAtIsLeftOutWithAReason(t *testing.T) {
	for _, kind := range []string{WordSkip, WordNone} {
		p := playWith(t, &unruly{}, "observe('light', 'radio', 'Does it light up?', needed = True)\n", func(d *Desk, n Now) bool {
			require.NoError(t, d.Say(Word{Kind: kind, ID: n.ID, Reason: "no bulb", By: "Tove Lind"}))
			return true
		})
		require.NoError(t, p.err)
		require.Len(t, p.sheet.Steps, 1)
		assert.Equal(t, Word{Kind: kind, Reason: "no bulb", By: "Tove Lind"}.why(), p.sheet.Steps[0].Note)
		assert.Equal(t, verdict.NotDone, p.sheet.Verdict)
	}
}

// Of a slope, the readings at the load that is there now are taken again; those at
// the other load stay.
func TestASlopeIsTakenAgain(t *testing.T) {
	var amperes, volts atomic.Int64 // thousandths
	amperes.Store(100)
	volts.Store(50)
	var once sync.Once
	u := &unruly{
		amperes: func(time.Duration) float64 { return float64(amperes.Load()) / 1000 },
		volts:   func(time.Duration) float64 { return 14 - float64(volts.Load())/1000 },
	}
	const script = `
power(volts = 14, limit = 20)
move("on", "master", "switch it on")
move("close", "landing-light", "close it")
v1, i1 = read("supply voltage"), read("supply current")
move("on", "landing-light", "switch it on")
v2, i2 = read("supply voltage"), read("supply current")
check_slope("run resistance", "radio", v1, v2, i1, i2, low = -1, high = 0, rule = "a test")
hold("again?")
hold("enough?")
`
	p := playWith(t, u, script, func(d *Desk, n Now) bool {
		again := false
		switch {
		case n.Circuit == "landing-light" && n.Action == "on":
			amperes.Store(5100)
			volts.Store(300)
		case n.Say == "again?":
			once.Do(func() {
				volts.Store(1050)
				require.NoError(t, d.Say(Word{Kind: WordRedo, Step: "radio/run resistance", By: "somebody"}))
				again = true
			})
		}
		return again
	})
	require.NoError(t, p.err)
	require.Len(t, p.sheet.Superseded, 1)
	was, is := p.sheet.Superseded[0], p.sheet.Steps[0]
	assert.InDelta(t, -0.05, *was.Reading, 1e-9)
	assert.InDelta(t, -0.2, *is.Reading, 1e-9)
	assert.Equal(t, was.Captures[:2], is.Captures[:2], "the lower load is gone: its readings stay")
	assert.NotEqual(t, was.Captures[2:], is.Captures[2:])
	assert.Equal(t, []float64{*was.Low, *was.High}, []float64{*is.Low, *is.High})
}
