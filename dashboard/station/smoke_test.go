package station

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/scripts"
)

// After smoke no worksheet is begun before a person has said that its cause was found,
// and the new one keeps that; the one after it asks nothing.
func TestAfterSmokeItsCauseIsAskedFor(t *testing.T) {
	dir := t.TempDir()
	script := filepath.Join(dir, "short.star")
	require.NoError(t, os.WriteFile(script, []byte("feed('battery', 'Battery on?')\nmove('in', 'strobe', 'Strobe in.')\nhold('look')\n"), 0o644))
	book, err := logbook.Open(filepath.Join(dir, "logbook.db"))
	require.NoError(t, err)
	defer book.Close()
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)

	// perform answers all that is asked; at look it says smoke, if there is some.
	perform := func(smoke bool, cause string) (asked []procedure.Now, err error) {
		s := Station{Design: d, Bench: &procedure.Bench{}, Book: book, Desk: procedure.NewDesk(), Version: "test"}
		s.Desk.Settle = 0
		ctx, cancel := context.WithCancel(t.Context())
		answered := make(chan struct{})
		go func() {
			defer close(answered)
			for done := 0; ; {
				var n procedure.Now
				if s.Desk.Until(ctx, func(v procedure.View) bool { n = v.Now; return n.ID != done }) != nil {
					return
				}
				if done = n.ID; !n.Asks() {
					continue
				}
				asked = append(asked, n)
				if n.Say == "look" && smoke {
					assert.NoError(t, s.Desk.Say(procedure.Word{Kind: procedure.WordSmoke, By: "Tove Lind"}))
					continue
				}
				a := procedure.Answer{ID: n.ID, By: "Tove Lind", Choice: n.Answers[0]}
				if len(n.Answers) == 2 {
					a.Choice = cause
				}
				_ = s.Desk.Answer(a)
			}
		}()
		_, err = s.Perform(ctx, script)
		cancel()
		<-answered
		return asked, err
	}

	asked, err := perform(true, "")
	require.NoError(t, err)
	assert.Equal(t, "Safe", asked[len(asked)-1].Answers[0])

	asked, err = perform(false, notFound)
	require.ErrorIs(t, err, ErrSmoke)
	require.Len(t, asked, 1, "nothing is begun")
	assert.Contains(t, asked[0].Say, "Worksheet 1, short, ended with smoke on ")
	assert.Contains(t, asked[0].Detail, "strobe")
	list, err := book.Worksheets(t.Context())
	require.NoError(t, err)
	assert.Len(t, list, 1)

	asked, err = perform(false, causeFound)
	require.NoError(t, err)
	assert.Len(t, asked, 4)
	w, err := book.Worksheet(t.Context(), 2)
	require.NoError(t, err)
	sheet, err := procedure.Fold(w.Records())
	require.NoError(t, err)
	require.Len(t, sheet.Notes, 1)
	assert.Contains(t, sheet.Notes[0], "its cause was found and put right")

	asked, err = perform(false, causeFound)
	require.NoError(t, err)
	assert.Len(t, asked, 3, "the last one had none")
}
