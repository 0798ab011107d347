package procedure

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/verdict"
	"loomproof/probe"
	"loomproof/scripts"
)

// unruly is a supply that a test makes do wrong: what it reads back, whether it
// answers, whether it can be switched off.
type unruly struct {
	amperes, volts func(since time.Duration) float64 // with the output on
	readErr        func(since time.Duration) error
	cutErr         error

	mu    sync.Mutex
	on    bool
	since time.Time
	offAt time.Time
	log   []string
}

func (u *unruly) Identity() probe.Identity { return probe.Identity{Name: "supply"} }
func (u *unruly) Channels() []probe.Channel {
	return []probe.Channel{{Name: "voltage", Quantity: probe.Voltage}, {Name: "current", Quantity: probe.Current}}
}
func (u *unruly) Close() error { return nil }

func (u *unruly) Read(ctx context.Context, channel string) (probe.Reading, error) {
	select { // a conversion takes its time
	case <-time.After(2 * time.Millisecond):
	case <-ctx.Done():
		return probe.Reading{}, context.Cause(ctx)
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	r := probe.Reading{Source: "supply", Channel: channel, At: time.Now(), Quantity: probe.Quantity(channel), Accuracy: probe.Accuracy{OfReading: 0.001, Digits: 5}, Digit: 0.001, FullScale: 30}
	if !u.on {
		return r, nil
	}
	on := time.Since(u.since)
	if u.readErr != nil && u.readErr(on) != nil {
		return probe.Reading{}, u.readErr(on)
	}
	r.Value = 14
	switch {
	case channel == "current" && u.amperes != nil:
		r.Value = u.amperes(on)
	case channel == "current":
		r.Value = 0.001
	case u.volts != nil:
		r.Value = u.volts(on)
	}
	return r, nil
}

func (u *unruly) note(format string, args ...any) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.log = append(u.log, fmt.Sprintf(format, args...))
}

func (u *unruly) Set(_ context.Context, volts, amperes float64) error {
	u.note("set %.3g V %.3g A", volts, amperes)
	return nil
}

func (u *unruly) Output(_ context.Context, on bool) error {
	u.note("output %v", on)
	u.mu.Lock()
	defer u.mu.Unlock()
	if on && !u.on {
		u.since = time.Now()
	}
	u.on = on
	return nil
}

func (u *unruly) Cut(context.Context) error {
	u.note("cut")
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.cutErr == nil {
		u.on, u.offAt = false, time.Now()
	}
	return u.cutErr
}

func (u *unruly) isOn() bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.on
}

// played is what came of a script.
type played struct {
	sheet *Sheet
	err   error
	said  []string // warnings that were shown

	readings map[string]taken // as the engine has them
	records  []logbook.Record
}

// play performs a script on the Marsh Hen with an unruly supply, in emulated
// time. Hold points are answered with their first answer after a while.
func play(t *testing.T, u *unruly, script string) (out played) {
	t.Helper()
	return playWith(t, u, script, nil)
}

// playWith has what is asked first seen by the test: what it answers true for is
// dealt with.
func playWith(t *testing.T, u *unruly, script string, dealt func(*Desk, Now) bool) (out played) {
	t.Helper()
	return playBench(t, &Bench{Supply: u, Patience: time.Second}, script, dealt)
}

// playBench is playWith on a bench of the test's own.
func playBench(t *testing.T, b *Bench, script string, dealt func(*Desk, Now) bool) (out played) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		out = playDealing(t, b, begin(t, book, script), script, nil, dealt, nil)
	})
	return out
}

func begin(t *testing.T, book *logbook.Book, script string) *logbook.Worksheet {
	t.Helper()
	text, _ := scripts.Design("marsh-hen")
	w, err := book.Begin(t.Context(), logbook.Opening{Procedure: "test", Script: script, Design: string(text), File: "marsh-hen.yaml", Revision: design.Revision(text)})
	require.NoError(t, err)
	return w
}

func playInto(t *testing.T, u *unruly, w *logbook.Worksheet, script string, dealt func(*Desk, Now) bool) (out played) {
	t.Helper()
	return playDealing(t, &Bench{Supply: u, Patience: time.Second}, w, script, nil, dealt, nil)
}

// playOn performs a script on a bench. answer says what to answer a hold point
// with; nil is the first answer to each.
func playOn(t *testing.T, b *Bench, w *logbook.Worksheet, script string, answer func(Now) string) (out played) {
	t.Helper()
	return playDealing(t, b, w, script, answer, nil, nil)
}

// playEarlier performs with a supply that does right, after other worksheets.
func playEarlier(t *testing.T, w *logbook.Worksheet, script string, earlier map[string]Earlier) played {
	t.Helper()
	return playDealing(t, &Bench{Supply: &unruly{}, Patience: time.Second}, w, script, nil, nil, earlier)
}

func playDealing(t *testing.T, b *Bench, w *logbook.Worksheet, script string, answer func(Now) string, dealt func(*Desk, Now) bool, earlier map[string]Earlier) (out played) {
	t.Helper()
	desk := NewDesk()
	desk.Settle = 0
	return playAt(t, t.Context(), desk, b, w, script, answer, dealt, earlier)
}

// playAt performs at a desk of the test's own, until the context ends.
func playAt(t *testing.T, until context.Context, desk *Desk, b *Bench, w *logbook.Worksheet, script string, answer func(Now) string, dealt func(*Desk, Now) bool, earlier map[string]Earlier) (out played) {
	t.Helper()
	opening, err := w.Opening()
	require.NoError(t, err)
	d, err := design.Parse(opening.File, []byte(opening.Design))
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(until, time.Hour)
	hands := make(chan struct{})
	go func() {
		defer close(hands)
		done := 0
		for {
			var n Now
			if desk.Until(ctx, func(v View) bool { n = v.Now; return n.ID != done }) != nil {
				return
			}
			done = n.ID
			if n.Warn {
				out.said = append(out.said, n.Say)
			}
			if n.Asks() {
				time.Sleep(500 * time.Millisecond)
				if dealt != nil && dealt(desk, n) {
					continue
				}
				a := Answer{ID: n.ID, Number: 20, Text: "2026-01-31", By: "somebody"}
				if len(n.Answers) > 0 {
					a.Choice = n.Answers[0]
				}
				if answer != nil {
					a.Choice = answer(n)
				}
				_ = desk.Answer(a)
			}
		}
	}()
	p := Performance{Design: d, Sheet: w, Name: "test", Script: []byte(script), Bench: b, Desk: desk, Earlier: earlier}
	out.err = p.Perform(ctx)
	synctest.Wait()
	cancel()
	<-hands
	out.readings, out.records = p.reading, w.Records()
	out.sheet, err = Fold(out.records)
	require.NoError(t, err)
	return out
}

const powerAndHold = `
power(volts = 14, limit = 20)
hold("look")
`

func TestARunawayCurrentIsCut(t *testing.T) {
	u := &unruly{amperes: func(on time.Duration) float64 {
		if on > 100*time.Millisecond {
			return 9
		}
		return 0.001
	}}
	p := play(t, u, powerAndHold)
	require.NoError(t, p.err)
	require.Len(t, p.sheet.Cuts, 1)
	assert.Equal(t, "current runs away", p.sheet.Cuts[0].Why)
	assert.Equal(t, verdict.Fail, p.sheet.Verdict, "no step tells of it, and still it is no pass")
	assert.NotEmpty(t, p.sheet.Findings)
	assert.False(t, u.isOn())
}

// A good current beside it must not hide a collapsed bus.
func TestACollapseAloneIsCut(t *testing.T) {
	u := &unruly{volts: func(on time.Duration) float64 {
		if on > 100*time.Millisecond {
			return 2
		}
		return 14
	}}
	p := play(t, u, powerAndHold)
	require.Len(t, p.sheet.Cuts, 1)
	assert.Equal(t, "bus collapsed", p.sheet.Cuts[0].Why)
	assert.False(t, u.isOn())
}

func TestOneSpikeIsNotACut(t *testing.T) {
	u := &unruly{amperes: func(on time.Duration) float64 {
		if on > 100*time.Millisecond && on < 140*time.Millisecond {
			return 9
		}
		return 0.001
	}}
	p := play(t, u, powerAndHold)
	require.NoError(t, p.err)
	assert.Empty(t, p.sheet.Cuts)
}

func TestPowerThatNobodySeesIsCut(t *testing.T) {
	for _, err := range []error{probe.ErrGone, probe.ErrSilent} {
		u := &unruly{readErr: func(on time.Duration) error {
			if on > 100*time.Millisecond {
				return err
			}
			return nil
		}}
		p := play(t, u, powerAndHold)
		require.Len(t, p.sheet.Cuts, 1, "%v", err)
		assert.Equal(t, "the supply does not answer", p.sheet.Cuts[0].Why)
		assert.False(t, u.isOn())
	}
}

// A supply that does not confirm the cut is switched off by a hand.
func TestAFailedCutIsSaid(t *testing.T) {
	u := &unruly{cutErr: errors.New("no answer"), amperes: func(on time.Duration) float64 {
		if on > 100*time.Millisecond {
			return 9
		}
		return 0.001
	}}
	p := play(t, u, "power(volts = 14, limit = 20)\nr = move('close', 'radio', 'close it')\n")
	require.Len(t, p.sheet.Cuts, 1)
	assert.NotEmpty(t, p.sheet.Cuts[0].Failed)
	assert.Contains(t, p.said, "The supply off, by hand, now.")
	assert.ErrorContains(t, p.err, "switch it off by hand")
}

// Whatever ends the script, the power goes off.
func TestThePowerNeverStaysOn(t *testing.T) {
	for name, script := range map[string]string{
		"the script forgets":     "power(volts = 14, limit = 20)",
		"a mistake in it":        "power(volts = 14, limit = 20)\nx = 1 // 0",
		"it stops early":         "power(volts = 14, limit = 20)\nstop('smoke')",
		"a circuit without one":  "power(volts = 14, limit = 20)\ncheck_marking('master', 5)",
		"an endless loop":        "power(volts = 14, limit = 20)\nwhile True:\n    pass",
		"a number of wrong kind": "power(volts = 14, limit = 20)\npower(volts = 'x', limit = 1)",
	} {
		t.Run(name, func(t *testing.T) {
			u := &unruly{}
			play(t, u, script)
			assert.False(t, u.isOn())
			assert.True(t, slices.Contains(u.log, "cut"))
		})
	}
}

// The limit for the present state is set before the output comes on: with
// nothing closed, far less than the script's own 20 A.
func TestTheLimitComesBeforeTheOutput(t *testing.T) {
	u := &unruly{}
	play(t, u, powerAndHold)
	require.GreaterOrEqual(t, len(u.log), 2)
	assert.Equal(t, []string{"set 14 V 0.6 A", "output true"}, u.log[:2])
}

func TestAStoppedProcedureIsNotAPass(t *testing.T) {
	p := play(t, &unruly{}, `
power(volts = 14, limit = 20)
check("total current", "master", read("supply current"))
stop("smoke")
`)
	require.NoError(t, p.err)
	assert.Equal(t, verdict.NotDone, p.sheet.Verdict)
	assert.Equal(t, "smoke", p.sheet.Stopped)
}

// A reading that the cut took away cannot be checked.
func TestACutReadingIsRefused(t *testing.T) {
	u := &unruly{amperes: func(on time.Duration) float64 { return 9 + on.Seconds() }}
	p := play(t, u, `
power(volts = 14, limit = 20)
r = read("supply current")
check("total current", "master", r)
`)
	assert.ErrorContains(t, p.err, "the power was cut while r1 was read")
	assert.Empty(t, p.sheet.Steps)
	assert.NotEqual(t, verdict.Pass, p.sheet.Verdict)
}

// What a killed run left on goes off before anything else, even if the
// worksheet cannot go on.
func TestAResumeBeginsWithTheCut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		w := begin(t, book, powerAndHold)
		_, err = w.Append(t.Context(), kindEffect, effectRecord{"power", map[string]any{"on": true, "volts": 14, "limit": 20}, outcome{OK: true}})
		require.NoError(t, err)
		u := &unruly{on: true}
		p := playInto(t, u, w, `hold("something else")`, nil)
		require.ErrorIs(t, p.err, ErrScriptChanged)
		assert.False(t, u.isOn())
		assert.Equal(t, "cut", u.log[0])
	})
}

func TestAnswersThatFitNothingAreRefused(t *testing.T) {
	d := NewDesk()
	d.Settle = 0
	d.show(Now{Kind: DoHold, Say: "well?", Answers: []string{"Done"}})
	v, _ := d.View()
	assert.ErrorContains(t, d.Answer(Answer{ID: v.Now.ID, Choice: "Perhaps"}), `"Perhaps" is no answer here`)
	assert.ErrorIs(t, d.Answer(Answer{ID: v.Now.ID + 1, Choice: "Done"}), ErrAnswered)
	require.NoError(t, d.Answer(Answer{ID: v.Now.ID, Choice: "Done"}))
	assert.ErrorIs(t, d.Answer(Answer{ID: v.Now.ID, Choice: "Done"}), ErrAnswered)
}

// The bounce of the press that answered one hold point is no answer to the next.
func TestABounceAnswersNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := NewDesk()
		ask := func() int {
			d.show(Now{Kind: DoHold, Say: "well?", Answers: []string{"Done"}})
			v, _ := d.View()
			return v.Now.ID
		}
		first := ask()
		time.Sleep(time.Second)
		require.NoError(t, d.Answer(Answer{ID: first, Choice: "Done"}))
		second := ask()
		time.Sleep(40 * time.Millisecond)
		require.ErrorIs(t, d.Answer(Answer{ID: second, Choice: "Done"}), ErrTooSoon)
		assert.ErrorIs(t, d.Answer(Answer{ID: first, Choice: "Done"}), ErrAnswered)
		time.Sleep(200 * time.Millisecond)
		assert.NoError(t, d.Answer(Answer{ID: second, Choice: "Done"}), "a person's own press")
	})
}
