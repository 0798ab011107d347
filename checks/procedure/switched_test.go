package procedure

import (
	"encoding/json"
	"math"
	"path/filepath"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
)

// felts are by how much the supply's current answered for each move of a hand.
func felts(t *testing.T, records []logbook.Record) (felt []float64, by []string) {
	t.Helper()
	for _, r := range records {
		var e struct {
			Call   string
			Result outcome
		}
		if r.Kind == kindEffect && json.Unmarshal(r.Body, &e) == nil && e.Call == "act" {
			felt, by = append(felt, e.Result.Felt), append(by, e.Result.By)
		}
	}
	return felt, by
}

// A hand that switches a load shows in the supply's current, and nobody has to say
// so. What the current does not show, a person says.
func TestTheSupplyTellsThatAHandHasMoved(t *testing.T) {
	const landing = 7.0 // what the landing light draws, about
	for _, c := range []struct {
		name    string
		amperes float64 // that its switch brings
		presses int
		felt    float64
	}{
		{"as the design has it", landing, 0, landing},
		{"a dead circuit", 0, 1, 0},
		{"half of it is missing", landing / 2, 1, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
				require.NoError(t, err)
				defer book.Close()
				const script = `
power(volts = 14, limit = 20)
move("on", "master", "MASTER on.")
move("close", "landing-light", "Close its breaker.")
move("on", "landing-light", "LANDING on.", detail = "On the panel.")
move("off", "landing-light", "LANDING off.")
`
				var on atomic.Bool
				u := &unruly{amperes: func(time.Duration) float64 {
					if on.Load() {
						return 1 + c.amperes
					}
					return 1
				}}
				w := begin(t, book, script)
				presses, details := 0, []string{}
				p := playDealing(t, &Bench{Supply: u, Patience: 5 * time.Second}, w, script, nil, func(d *Desk, n Now) bool {
					if n.Kind != DoAct || n.Circuit != "landing-light" || n.Action == "close" {
						return false
					}
					on.Store(n.Action == "on")
					if n.Felt {
						return true
					}
					presses++
					details = append(details, n.Detail)
					return false
				}, nil)
				require.NoError(t, p.err)
				felt, by := felts(t, w.Records())
				require.Len(t, felt, 4)
				if c.presses == 0 {
					assert.InDelta(t, c.felt, felt[2], 1e-6)
					assert.InDelta(t, -c.felt, felt[3], 1e-6)
					assert.Equal(t, []string{"", ""}, by[2:], "no person said it")
					assert.Zero(t, presses)
					return
				}
				assert.Equal(t, []float64{0, 0}, felt[2:])
				assert.Equal(t, []string{"somebody", "somebody"}, by[2:])
				assert.Equal(t, []string{
					"On the panel. The current does not show it: say when it is done.", "The current does not show it: say when it is done.",
				}, details)
			})
		})
	}
}

// A cut that comes while the current is looked at is a cut, as ever; and a load that
// is not the design's to be told by its current is asked about.
func TestACutWhileTheCurrentIsLookedAt(t *testing.T) {
	asked := false
	u := &unruly{amperes: func(time.Duration) float64 {
		if asked {
			return 19
		}
		return 1
	}}
	p := playWith(t, u, `
power(volts = 14, limit = 20)
move("on", "master", "x")
move("close", "landing-light", "Close its breaker.")
m = move("on", "landing-light", "LANDING on.")
note(m.cut.why if m.cut else "no cut")
`, func(d *Desk, n Now) bool {
		u.mu.Lock()
		defer u.mu.Unlock()
		asked = n.Circuit == "landing-light" && n.Action == "on"
		return asked
	})
	require.NoError(t, p.err)
	require.Len(t, p.sheet.Cuts, 1)
	assert.Equal(t, []string{"current runs away"}, p.sheet.Notes)
	assert.False(t, u.isOn())
}

// A key that was about to say "done" as the current had answered already is no
// answer to what comes next.
func TestAKeyThatComesAfterTheCurrentAnswersNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := NewDesk()
		d.wentOn()
		d.show(Now{Kind: DoHold, Say: "Smoke?", Answers: []string{"None", "Yes"}})
		v, _ := d.View()
		time.Sleep(700 * time.Millisecond)
		assert.ErrorIs(t, d.Answer(Answer{ID: v.Now.ID, Choice: "None"}), ErrTooSoon)
		time.Sleep(400 * time.Millisecond)
		assert.NoError(t, d.Answer(Answer{ID: v.Now.ID, Choice: "None"}))
	})
}

// What is heard after hands have switched says that they have; a state that a watched
// supply feeds is for move.
func TestALookAfterAHand(t *testing.T) {
	p := playQuietly(t, `
feed("battery", "On?")
observe("noise", "radio", "Quiet?", hand = [("in", "radio"), ("in", "intercom")])
observe("noise", "strobe", "Quiet?", hand = [("out", "radio"), ("in", "strobe")])
check("total current", "master", typed("Amperes?", "current", "master"), low = 0, rule = "a test")
`, nil)
	require.NoError(t, p.err)
	assert.Contains(t, p.sheet.Steps[2].Title, "2 circuits on", "intercom and strobe: the radio is out again")
	for script, says := range map[string]string{
		`observe("noise", "radio", "?", hand = ["radio"])`:            `write it like ("in", "radio")`,
		`observe("noise", "radio", "?", hand = [("in", "radar")])`:    `there is no circuit "radar"`,
		`observe("noise", "radio", "?", hand = [("push", "radio")])`:  `"push": a hand can`,
		`observe("noise", "radio", "?", hand = [("in", "radio", 1)])`: "is no move",
	} {
		assert.ErrorContains(t, playQuietly(t, script, nil).err, says)
	}
	p = play(t, &unruly{}, "power(volts = 14, limit = 20)\n"+`observe("noise", "radio", "?", hand = [("in", "radio")])`)
	assert.ErrorContains(t, p.err, "have each moved by move")
}

// Where a load pulses, as a strobe, the current never comes to rest: a person is asked
// soon, and not only when a probe would be given up.
func TestACurrentThatNeverRestsKeepsNobodyWaiting(t *testing.T) {
	u := &unruly{amperes: func(on time.Duration) float64 {
		return 0.4 + 0.4*math.Sin(on.Seconds()*170)
	}}
	var master time.Time
	waited := time.Duration(0)
	p := playBench(t, &Bench{Supply: u}, `
power(volts = 14, limit = 20)
move("on", "master", "on")
move("close", "landing-light", "Close its breaker.")
move("on", "landing-light", "LANDING on.")
`, func(_ *Desk, n Now) bool {
		switch n.Circuit + " " + n.Action {
		case "landing-light close":
			master = time.Now()
		case "landing-light on":
			waited = time.Since(master)
		}
		return false
	})
	require.NoError(t, p.err)
	assert.Empty(t, p.sheet.Cuts)
	assert.Less(t, waited, restPatience+time.Second)
	assert.Positive(t, waited)
}
