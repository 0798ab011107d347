package procedure

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/checks/verdict"
	"loomproof/scripts"
)

// The shipped procedure passes only when the self-test was made, and made in a
// window that is known.
func TestTheLocatorPassesByItsSelfTestOnly(t *testing.T) {
	script, ok := scripts.Procedure("locator")
	require.True(t, ok)
	for name, c := range map[string]struct {
		answers map[string]string // by a piece of what is said; else the first answer
		minutes []float64         // typed, in turn
		want    verdict.Word
		why     string
		note    string
	}{
		"made in its window":   {want: verdict.Pass},
		"not made":             {answers: map[string]string{"Self-test now": "Not done"}, want: verdict.NotDone, why: "left out"},
		"not told":             {answers: map[string]string{"lamp, buzzer": leftOut}, want: verdict.NotDone},
		"a wrong clock":        {answers: map[string]string{"This computer says": "Differs"}, want: verdict.NotDone, why: "cannot be trusted"},
		"no window known":      {answers: map[string]string{"Which country": "Another", "No window": "No, or not sure"}, want: verdict.NotDone, why: "ask the authority"},
		"a local window":       {answers: map[string]string{"Which country": "Another"}, minutes: []float64{0, 10}, want: verdict.Pass, note: "(as typed)"},
		"no span":              {answers: map[string]string{"Which country": "Another"}, minutes: []float64{10, 5}, want: verdict.NotDone, why: "that was typed is none"},
		"outside local window": {answers: map[string]string{"Which country": "Another"}, minutes: []float64{40, 45}, want: verdict.NotDone, why: "outside the window"},
	} {
		t.Run(name, func(t *testing.T) {
			minutes := slices.Clone(c.minutes)
			synctest.Test(t, func(t *testing.T) { // begins at midnight UTC
				book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
				require.NoError(t, err)
				defer book.Close()
				p := playDealing(t, &Bench{Patience: time.Second}, begin(t, book, string(script)), string(script), nil, func(d *Desk, n Now) bool {
					a := Answer{ID: n.ID, Text: "2026-01-31", By: "somebody"}
					if n.Number == "min" {
						a.Number, minutes = minutes[0], minutes[1:]
					}
					if len(n.Answers) > 0 {
						a.Choice = n.Answers[0]
					}
					for said, answer := range c.answers {
						if strings.Contains(n.Say, said) {
							a.Choice = answer
						}
					}
					return d.Answer(a) == nil
				}, nil)
				require.NoError(t, p.err)
				step := p.sheet.Steps[len(p.sheet.Steps)-2] // the last is that it is silent again
				assert.Equal(t, "locator/self-test", step.ID)
				assert.Contains(t, step.Note, c.why)
				assert.Equal(t, c.want, p.sheet.Verdict)
				assert.Contains(t, strings.Join(p.sheet.Notes, "\n"), c.note)
			})
		})
	}
}

// A clock that was compared in an earlier run of the program is compared once
// more before the word is asked for, and may be found wrong then.
func TestTheClockIsComparedAgainAfterAGap(t *testing.T) {
	const script = `
clock()
note("got " + hold("Self-test?", answers = ["Done"], within = (0, 5)))
`
	for answer, note := range map[string]string{"Agrees to half a minute": "got Done", "Differs": "got "} {
		synctest.Test(t, func(t *testing.T) {
			book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
			require.NoError(t, err)
			defer book.Close()
			w := begin(t, book, script)
			_, err = w.Append(t.Context(), kindBench, BenchRecord{})
			require.NoError(t, err)
			_, err = w.Append(t.Context(), kindEffect, effectRecord{"clock", map[string]any{"say": ""}, map[string]any{"ok": true, "at": time.Now(), "by": "somebody"}})
			require.NoError(t, err)
			time.Sleep(time.Hour)
			p := playOn(t, &Bench{}, w, script, func(n Now) string {
				if slices.Contains(n.Answers, answer) {
					return answer
				}
				return n.Answers[0]
			})
			require.NoError(t, p.err)
			assert.Equal(t, []string{note}, p.sheet.Notes)
		})
	}
}

// A clock that is set back while the program runs is told; the order stays that
// of the records.
func TestAClockSetBackWhileItRan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		w := begin(t, book, "")
		for range 2 {
			_, err = w.Append(t.Context(), kindNote, Note{Text: "x"})
			require.NoError(t, err)
		}
		records := slices.Clone(w.Records())
		records[2].At = records[1].At.Add(-time.Hour)
		s, err := Fold(records)
		require.NoError(t, err)
		assert.Equal(t, []Gap{{At: records[2].At, For: -time.Hour, Running: true}}, s.Gaps)
		records[2].At = records[1].At.Add(-clockPlay)
		s, err = Fold(records)
		require.NoError(t, err)
		assert.Empty(t, s.Gaps, "trimmed by a time server")
	})
}
