package procedure

import (
	"context"
	"path/filepath"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/checks/verdict"
)

// A person who says smoke cuts the power whatever is being asked; nothing goes on.
func TestSmokeCutsAndEnds(t *testing.T) {
	u := &unruly{}
	p := playWith(t, u, "power(volts = 14, limit = 20)\nhold('look')\nhold('never asked')\n", func(d *Desk, n Now) bool {
		if n.Say == "look" {
			require.NoError(t, d.Say(Word{Kind: WordSmoke, By: "Tove Lind"}))
			return true
		}
		assert.NotEqual(t, "never asked", n.Say)
		return false
	})
	require.NoError(t, p.err)
	assert.False(t, u.isOn())
	require.Len(t, p.sheet.Cuts, 1)
	assert.True(t, p.sheet.Cuts[0].Smoke)
	assert.Equal(t, "smoke, said by Tove Lind", p.sheet.Stopped)
	assert.Equal(t, verdict.Fail, p.sheet.Verdict)
	assert.True(t, p.sheet.Closed)
	assert.Contains(t, p.said, "Power is cut: smoke. Battery and supply off, everybody out, extinguisher ready.")
}

// What no instrument can cut, a person is told to switch off.
func TestSmokeOnTheBatteryNamesTheSwitches(t *testing.T) {
	p := playWith(t, &unruly{}, "feed('battery', 'connect')\nmove('on', 'master', 'on')\nhold('look')\n", func(d *Desk, n Now) bool {
		if n.Say != "look" {
			return false
		}
		require.NoError(t, d.Say(Word{Kind: WordSmoke, By: "Tove Lind"}))
		return true
	})
	require.NoError(t, p.err)
	assert.Contains(t, p.said, "MASTER off and battery off, by hand, now.")
	assert.Contains(t, p.said, "Smoke. MASTER off and battery off, by hand, now. Everybody out, extinguisher ready.")
	require.NotEmpty(t, p.sheet.Findings)
	assert.Equal(t, "Smoke, said by Tove Lind, with master switched on last. No instrument could cut the power. To be switched off by hand: MASTER and battery.", p.sheet.Findings[0].What)
	assert.Equal(t, []string{"MASTER", "battery"}, p.sheet.Cuts[0].ByHand)
}

// A worksheet that is stopped while the battery feeds says what is still on.
func TestAStopOnTheBatteryNamesTheSwitches(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		const script = "feed('battery', 'connect')\nmove('on', 'master', 'on')\nhold('look')\n"
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		desk := NewDesk()
		desk.Settle = 0
		p := playAt(t, ctx, desk, &Bench{}, begin(t, book, script), script, nil, func(_ *Desk, n Now) bool {
			if n.Say == "look" {
				stop()
			}
			return n.Say == "look"
		}, nil)
		require.ErrorIs(t, p.err, context.Canceled)
		assert.ErrorContains(t, p.err, "MASTER off and battery off, by hand, now.")
		v, _ := desk.View()
		assert.Equal(t, "Stopped. The worksheet can be resumed. MASTER off and battery off, by hand, now.", v.Now.Say)
	})
}

// A cut while a person is asked something that has no part in it is told at once,
// and the next thing that needs the power learns of it.
func TestACutDuringAHoldStopsIt(t *testing.T) {
	u := &unruly{volts: func(on time.Duration) float64 {
		if on > 100*time.Millisecond {
			return 18
		}
		return 14
	}}
	p := play(t, u, "power(volts = 14, limit = 20)\nhold('look')\nr = read('supply current')\nif not r.cut:\n    fail()\ncheck_cut('master', r.cut)\n")
	require.NoError(t, p.err)
	require.Len(t, p.sheet.Cuts, 1)
	assert.Equal(t, "bus voltage runs away", p.sheet.Cuts[0].Why)
	assert.Contains(t, p.said, "The power was cut: bus voltage runs away.")
	require.Len(t, p.sheet.Steps, 1)
}

// What is left out says why and by whom, and what rests on it is not done.
func TestLeftOut(t *testing.T) {
	p := playWith(t, &unruly{}, `
moved = move("close", "radio", "close it")
if moved.ok or not moved.skipped:
    fail()
r = typed("How warm?", "temperature", "panel")
if check("warmth", "panel", r, high = 40, rule = "a test") != "not done":
    fail()
`, func(d *Desk, n Now) bool {
		require.ErrorContains(t, d.Say(Word{Kind: WordSkip, ID: n.ID, By: "Tove Lind"}), "say why")
		kind := WordSkip
		if n.Number != "" {
			kind = WordNone
		}
		require.NoError(t, d.Say(Word{Kind: kind, ID: n.ID, Reason: "no thermometer", By: "Tove Lind"}))
		return true
	})
	require.NoError(t, p.err)
	require.Len(t, p.sheet.Steps, 1)
	assert.Equal(t, "not applicable: no thermometer (Tove Lind)", p.sheet.Steps[0].Note)
}

// A step that is read again keeps the reading before it.
func TestReadAgain(t *testing.T) {
	var more atomic.Bool
	u := &unruly{amperes: func(time.Duration) float64 {
		if more.Load() {
			return 0.002
		}
		return 0.001
	}}
	p := playWith(t, u, `
power(volts = 14, limit = 20)
check("total current", "master", read("supply current"))
hold("again?")
hold("enough?")
`, func(d *Desk, n Now) bool {
		if n.Say != "again?" || more.Swap(true) {
			return false
		}
		require.ErrorContains(t, d.Say(Word{Kind: WordRedo, Step: "nothing", By: "somebody"}), "no step that was read")
		require.NoError(t, d.Say(Word{Kind: WordRedo, Step: "master/total current", By: "somebody"}))
		return true
	})
	require.NoError(t, p.err)
	require.Len(t, p.sheet.Steps, 1)
	assert.InDelta(t, 0.002, *p.sheet.Steps[0].Reading, 1e-9)
	require.Len(t, p.sheet.Superseded, 1)
	assert.InDelta(t, 0.001, *p.sheet.Superseded[0].Reading, 1e-9)
	assert.Equal(t, 1, p.sheet.Steps[0].Redo)
}

// One person holds the probes; taking over is explicit and kept.
func TestOneHoldsTheProbes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := NewDesk()
		d.Settle = 0
		ask := func() int {
			d.show(Now{Kind: DoHold, Say: "well?", Answers: []string{"Done"}})
			v, _ := d.View()
			return v.Now.ID
		}
		require.NoError(t, d.Answer(Answer{ID: ask(), Choice: "Done", By: "Tove Lind"}))
		id := ask()
		var held *HeldError
		require.ErrorAs(t, d.Answer(Answer{ID: id, Choice: "Done", By: "Per Holm"}), &held)
		assert.Equal(t, "Tove Lind", held.By)
		require.NoError(t, d.Answer(Answer{ID: id, Choice: "Done", By: "Per Holm", Take: true}))
		v, _ := d.View()
		assert.Equal(t, "Per Holm", v.Holder)
	})
	p := playWith(t, &unruly{}, "hold('a')\nhold('b')\n", func(d *Desk, n Now) bool {
		return n.Say == "b" && d.Answer(Answer{ID: n.ID, Choice: "Done", By: "Per Holm", As: "inspector", Take: true}) == nil
	})
	require.NoError(t, p.err)
	assert.Equal(t, []Hands{{By: "somebody"}, {By: "Per Holm", As: "inspector", From: "somebody"}}, p.sheet.Hands)
}
