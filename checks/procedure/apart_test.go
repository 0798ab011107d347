package procedure

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/sandbox"
)

func TestMain(m *testing.M) {
	sandbox.Serve()
	m.Run()
}

// A script that takes too much ends with its line and the step before it; what
// was kept stands, and the worksheet can be resumed: with the same script to the
// same end.
func TestAScriptThatTakesTooMuchLeavesTheWorksheetWhole(t *testing.T) {
	for name, script := range map[string]struct{ does, want string }{
		"memory":    {"x = 'x' * 1000000000", "MB of memory"},
		"no end":    {"while True: pass", "x.star:3:1: it has taken"},
		"recursion": {"f()", "x.star:4:5: function f called recursively"},
		"arguments": {"check('current', 'radio', 3)", "x.star:4:10: 3 is no reading"},
	} {
		t.Run(name, func(t *testing.T) {
			book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
			require.NoError(t, err)
			defer book.Close()
			text := "caution('first')\nnot_done('current', 'radio', 'later')\ndef f():\n    " + script.does + "\nf()\n"
			sheet := begin(t, book, text)
			for range 2 {
				err := performApart(t, sheet, text)
				require.ErrorContains(t, err, script.want)
				assert.ErrorContains(t, err, "the step before it: radio/current")
				sheet, err = book.Worksheet(t.Context(), sheet.ID())
				require.NoError(t, err)
				require.NoError(t, sheet.Check())
				assert.False(t, sheet.Closed())
				kinds := []string{}
				for _, r := range sheet.Records() {
					kinds = append(kinds, r.Kind)
				}
				assert.Equal(t, []string{"open", "bench", "note", "step"}, kinds)
			}
		})
	}
}

func performApart(t *testing.T, sheet *logbook.Worksheet, script string) error {
	t.Helper()
	opening, err := sheet.Opening()
	require.NoError(t, err)
	d, err := design.Parse(opening.File, []byte(opening.Design))
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	p := Performance{Design: d, Sheet: sheet, Name: "x", Script: []byte(script), Bench: &Bench{}, Desk: NewDesk(), Interpreter: sandbox.Apart}
	return p.Perform(ctx)
}
