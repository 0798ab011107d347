package procedure

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/verdict"
	"loomproof/probe"
)

// slowToCut is a supply on whose way to a cut, or to coming on, a test does something.
type slowToCut struct {
	*unruly
	cutting  func() // nil for nothing
	comingOn func()
}

func (s *slowToCut) Cut(ctx context.Context) error {
	if s.cutting != nil {
		s.cutting()
	}
	return s.unruly.Cut(ctx)
}

func (s *slowToCut) Output(ctx context.Context, on bool) error {
	if on && s.comingOn != nil {
		s.comingOn()
	}
	return s.unruly.Output(ctx, on)
}

var _ probe.Supply = (*slowToCut)(nil)

func smoke(t *testing.T, d *Desk) {
	t.Helper()
	require.NoError(t, d.Say(Word{Kind: WordSmoke, By: "Tove Lind"}))
}

// assertSmokeEnded tells that the worksheet ended with smoke, and the power off
// before anybody was asked.
func assertSmokeEnded(t *testing.T, p played, on []bool) {
	t.Helper()
	require.NoError(t, p.err)
	assert.Contains(t, p.said, "Power is cut: smoke. Battery and supply off, everybody out, extinguisher ready.")
	assert.NotContains(t, on, true, "the power is off when it is asked whether it is safe")
	assert.Contains(t, p.sheet.Stopped, "smoke, said by Tove Lind")
	assert.Equal(t, verdict.Fail, p.sheet.Verdict)
	require.Len(t, p.sheet.Cuts, 1)
	assert.True(t, p.sheet.Cuts[0].Smoke)
}

// Smoke that is said as the last question is answered keeps the power off, though the
// script switches it on next.
func TestSmokeBeforeThePowerComesOn(t *testing.T) {
	for range 20 { // which of the two is heard first is left to chance
		u, on := &unruly{}, []bool{}
		p := playWith(t, u, "hold('ready?')\npower(volts = 14, limit = 20)\nhold('never asked')\n", func(d *Desk, n Now) bool {
			switch n.Say {
			case "ready?":
				require.NoError(t, d.Answer(Answer{ID: n.ID, Choice: "Done", By: "Tove Lind"}))
				smoke(t, d)
				return true
			case "never asked":
				assert.Fail(t, "the worksheet goes on after smoke")
			}
			on = append(on, u.isOn())
			return false
		})
		assertSmokeEnded(t, p, on)
		assert.NotContains(t, u.log, "output true")
	}
}

// Smoke that is said while the output comes on takes it off again.
func TestSmokeWhileThePowerComesOn(t *testing.T) {
	var desk *Desk
	u, on := &unruly{}, []bool{}
	s := &slowToCut{unruly: u, comingOn: func() {
		smoke(t, desk)
		time.Sleep(100 * time.Millisecond) // it is cut, and confirmed, before the output is on
	}}
	p := playBench(t, &Bench{Supply: s, Patience: time.Second}, "hold('ready?')\npower(volts = 14, limit = 20)\nhold('never asked')\n", func(d *Desk, n Now) bool {
		desk = d
		on = append(on, u.isOn())
		return false
	})
	assertSmokeEnded(t, p, on)
}

// Smoke that is said while the watch cuts for something else ends the worksheet, too.
func TestSmokeWhileTheWatchCuts(t *testing.T) {
	var desk *Desk
	u, on := &unruly{amperes: func(time.Duration) float64 { return 9 }}, []bool{}
	s := &slowToCut{unruly: u}
	s.cutting = func() {
		if desk != nil && u.isOn() {
			smoke(t, desk)
		}
	}
	p := playBench(t, &Bench{Supply: s, Patience: time.Second}, "hold('ready?')\npower(volts = 14, limit = 20)\nread('supply current')\nhold('never asked')\n", func(d *Desk, n Now) bool {
		desk = d
		assert.NotEqual(t, "never asked", n.Say)
		on = append(on, u.isOn())
		return false
	})
	assertSmokeEnded(t, p, on)
	assert.Equal(t, "current runs away; smoke, said by Tove Lind", p.sheet.Cuts[0].Why)
}

// Where a step cannot be done again, the person who is told so can still say smoke.
func TestSmokeWhileARedoIsRefused(t *testing.T) {
	u, asked := &unruly{}, 0
	p := playWith(t, u, `
power(volts = 14, limit = 20)
move("on", "master", "on", answers = ["On", "Not"])
i = read("supply current")
move("close", "landing-light", "close it", answers = ["Closed", "Not"])
move("on", "landing-light", "on", answers = ["On", "Not"])
check("total current", "master", i)
power_off()
hold('again?')
`, func(d *Desk, n Now) bool {
		switch {
		case n.Say == "again?" && asked == 0:
			asked++
			require.NoError(t, d.Say(Word{Kind: WordRedo, Step: "master/total current", By: "somebody"}))
			return true
		case n.Answers[0] == "Go on":
			asked++
			require.Less(t, asked, 3, "nobody goes on after smoke")
			smoke(t, d)
			return true
		}
		return false
	})
	require.NoError(t, p.err)
	assert.Equal(t, "smoke, said by Tove Lind", p.sheet.Stopped)
}

// A supply that does not confirm that it is off, as the procedure ends, is told on the
// page, too.
func TestAnEndThatLeavesThePowerOnIsSaid(t *testing.T) {
	p := play(t, &unruly{cutErr: errors.New("no answer")}, "power(volts = 14, limit = 20)\nstop('enough')\n")
	assert.ErrorContains(t, p.err, "switch it off by hand")
	require.NotEmpty(t, p.said)
	assert.Contains(t, p.said[len(p.said)-1], "the power may still be on, switch it off by hand")
}

// A limit that is set while a cut is on its way is not held against power that is off.
func TestACutIsNotCutAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatcher(&Bench{Supply: &unruly{}})
		w.arm(1, 11, 16, "radio", "")
		w.smoke("Tove Lind")
		w.arm(1, 11, 16, "radio", "") // by an answer that came at the same time
		_, tripped := w.state()
		<-tripped
		w.reset()
		for range 5 {
			w.look(t.Context())
		}
		c, _ := w.state()
		assert.Nil(t, c)
	})
}
