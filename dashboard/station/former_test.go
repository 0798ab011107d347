package station

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/scripts"
)

// A design that was changed does not lose the worksheet that was begun with the one
// before: a person is asked, and it goes on by the design that it has.
func TestAnUnfinishedWorksheetOfTheFormerDesign(t *testing.T) {
	dir := t.TempDir()
	script := filepath.Join(dir, "short.star")
	require.NoError(t, os.WriteFile(script, []byte("hold('first')\nhold('second')\n"), 0o644))
	book, err := logbook.Open(filepath.Join(dir, "logbook.db"))
	require.NoError(t, err)
	defer book.Close()
	text, _ := scripts.Design("marsh-hen")
	changed := string(text) + "\n# a longer wire\n"

	// perform goes on until something says stop, and tells which worksheet it was.
	perform := func(designText, stop, former string) (sheet int64, revision string, asked []string, err error) {
		d, err := design.Parse("marsh-hen.yaml", []byte(designText))
		require.NoError(t, err)
		s := Station{Design: d, Bench: &procedure.Bench{}, Book: book, Desk: procedure.NewDesk(), Version: "test"}
		s.Desk.Settle = 0
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
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
				asked = append(asked, n.Say)
				if n.Say == stop {
					cancel()
					return
				}
				a := procedure.Answer{ID: n.ID, By: "Tove Lind", Choice: n.Answers[0]}
				if strings.HasPrefix(n.Say, "Worksheet ") {
					a.Choice = former
				}
				_ = s.Desk.Answer(a)
			}
		}()
		rep, err := s.Perform(ctx, script)
		cancel()
		<-answered
		if err != nil {
			return 0, "", asked, err
		}
		return rep.Worksheet, rep.DesignRevision, asked, nil
	}

	_, _, _, err = perform(string(text), "second", "")
	require.ErrorIs(t, err, context.Canceled)
	first := design.Revision(text)

	_, _, asked, err := perform(changed, "first", beginNew)
	require.ErrorIs(t, err, context.Canceled)
	assert.Equal(t, []string{"Worksheet 1 of short is unfinished. The design has changed since.", "first"}, asked, "a new one begins at its beginning")

	sheet, revision, asked, err := perform(changed+"# and another\n", "", goOn)
	require.NoError(t, err)
	assert.Equal(t, int64(2), sheet, "the newest is gone on with")
	assert.Equal(t, design.Revision([]byte(changed)), revision)
	assert.Equal(t, []string{"Worksheet 2 of short is unfinished. The design has changed since.", "first", "second"}, asked)

	sheet, revision, asked, err = perform(changed, "", goOn)
	require.NoError(t, err)
	assert.Equal(t, int64(1), sheet)
	assert.Equal(t, first, revision)
	assert.Equal(t, []string{"Worksheet 1 of short is unfinished. The design has changed since.", "second"}, asked)
}
