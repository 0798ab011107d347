package procedure

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
)

// What runs away after a hand was told not to move is not put down to what it left
// alone: a circuit that was left out, or whose breaker did not hold.
func TestACutIsNotPutDownToWhatDidNotMove(t *testing.T) {
	for name, leave := range map[string]func(d *Desk, n Now) error{
		"left out": func(d *Desk, n Now) error {
			return d.Say(Word{Kind: WordSkip, ID: n.ID, Reason: "taped off", By: "somebody"})
		},
		"it does not hold": func(d *Desk, n Now) error { return d.Answer(Answer{ID: n.ID, Choice: DoesNotHold, By: "somebody"}) },
	} {
		t.Run(name, func(t *testing.T) {
			runs := false
			u := &unruly{}
			u.amperes = func(time.Duration) float64 { // asked with u.mu held
				if runs {
					return 19
				}
				return 0.001
			}
			p := playWith(t, u, `
power(volts = 14, limit = 20)
move("on", "master", "on", answers = ["On", "It does not hold"])
move("close", "radio", "close it", answers = ["Closed", "It does not hold"], stay = ["It does not hold"])
hold("look")
`, func(d *Desk, n Now) bool {
				if n.Circuit != "radio" {
					u.mu.Lock()
					defer u.mu.Unlock()
					first := n.Say == "look" && !runs
					runs = runs || first
					return first
				}
				require.NoError(t, leave(d, n))
				return true
			})
			require.NoError(t, p.err)
			require.Len(t, p.sheet.Cuts, 1)
			assert.Equal(t, "master", p.sheet.Cuts[0].Circuit)
			assert.Empty(t, p.sheet.Cuts[0].Before)
		})
	}
}

// A step that is read again while a hand is asked to move something is judged in the
// state from before it moves; and the circuit before stays suspect.
func TestADoneAgainStepIsOfTheStateBefore(t *testing.T) {
	for name, move := range map[string]string{
		"move": `move("close", "radio", "change it", answers = ["Closed", "Not"])`,
		"put":  `put("all-on", "change it")`,
	} {
		t.Run(name, func(t *testing.T) {
			asked, runs := 0, false
			u := &unruly{}
			u.amperes = func(time.Duration) float64 {
				if runs {
					return 100
				}
				return 0.001
			}
			p := playWith(t, u, `
power(volts = 14, limit = 20)
move("on", "master", "on", answers = ["On", "Not"])
check("total current", "master", read("supply current"))
`+move+"\n", func(d *Desk, n Now) bool {
				if n.Say != "change it" {
					return false
				}
				if asked++; asked == 1 {
					require.NoError(t, d.Say(Word{Kind: WordRedo, Step: "master/total current", By: "somebody"}))
					return true
				}
				u.mu.Lock()
				defer u.mu.Unlock()
				runs = true
				return true
			})
			require.NoError(t, p.err)
			require.Len(t, p.sheet.Superseded, 1)
			var again Redo
			for _, r := range p.records {
				if r.Kind == kindRedo {
					require.NoError(t, r.Decode(&again))
				}
			}
			assert.Equal(t, map[string]bool{"master": true}, again.State.On)
			assert.Empty(t, again.State.Closed)
			assert.Equal(t, *p.sheet.Superseded[0].High, *again.Step.High)
			require.Len(t, p.sheet.Cuts, 1)
			if name == "move" {
				assert.Equal(t, "master", p.sheet.Cuts[0].Before)
			}
		})
	}
}

// A word that came as what it was said of was done already is not kept for the next.
func TestAWordThatCameTooLateLeavesNothingOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &Performance{Desk: NewDesk(), watch: newWatcher(&Bench{}), ctx: t.Context()}
		for range 50 { // which of the two is heard first is left to chance
			_, stop := p.heed()
			p.Desk.words <- Word{Kind: WordSkip}
			assert.NotNil(t, stop())
			require.Empty(t, p.Desk.words)
		}
	})
}

// What was heard after hands had switched is not asked about once more when they have
// switched on: it would be heard of another state, with switches moved behind the
// program's back.
func TestALookAfterAHandIsNotDoneAgainInAnotherState(t *testing.T) {
	refused := ""
	p := playBench(t, &Bench{Patience: time.Second}, `
feed("battery", "On?")
observe("noise", "radio", "Quiet?", hand = [("in", "radio")])
hold("same")
observe("noise", "strobe", "Quiet?", hand = [("in", "strobe")])
hold("other")
`, func() func(d *Desk, n Now) bool {
		said := map[string]bool{}
		return func(d *Desk, n Now) bool {
			if n.Answers[0] == "Go on" {
				refused = n.Say
			}
			if n.Say != "same" && n.Say != "other" || said[n.Say] {
				return false
			}
			said[n.Say] = true
			require.NoError(t, d.Say(Word{Kind: WordRedo, Step: "radio/noise", By: "somebody"}))
			return true
		}
	}())
	require.NoError(t, p.err)
	assert.Len(t, p.sheet.Superseded, 1, "in the same state it is")
	assert.Contains(t, refused, "cannot be done again now: it was seen or heard in another state of the aircraft")
}

// A meter that does something each time that it is read.
type watchedMeter struct {
	ohmmeter
	read func()
}

func (m *watchedMeter) Read(ctx context.Context, channel string) (probe.Reading, error) {
	m.read()
	return m.ohmmeter.Read(ctx, channel)
}

// A step that is done again while a hand is closing a circuit is of the state in
// which it is open.
func TestADoneAgainStepWhileAHandCloses(t *testing.T) {
	var desk *Desk
	said := 0
	m := &watchedMeter{}
	m.read = func() {
		m.open.Store(said < 2) // then the hand has closed it
		if v, _ := desk.View(); v.Now.Action != "in" {
			return
		}
		if said++; said == 1 {
			require.NoError(t, desk.Say(Word{Kind: WordRedo, Step: "radio/chafing", By: "somebody"}))
		}
	}
	p := playBench(t, &Bench{Meter: m, Patience: 5 * time.Second}, `
observe("chafing", "radio", "No bare wire?")
measure("main", "radio.load+", "Close the radio.", quantity = "resistance", closing = "radio")
`, func(d *Desk, _ Now) bool { desk = d; return false })
	require.NoError(t, p.err)
	assert.True(t, p.readings["r1"].state.Closed["radio"])
	require.Len(t, p.sheet.Superseded, 1)
	var again Redo
	for _, r := range p.records {
		if r.Kind == kindRedo {
			require.NoError(t, r.Decode(&again))
		}
	}
	assert.False(t, again.State.Closed["radio"])
}
