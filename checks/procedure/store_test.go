package procedure

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/verdict"
	"loomproof/scripts"
)

const shortJob = `
caution("mind the test")
power(volts = 14, limit = 20)
check("total current", "master", read("supply current"))
moved = move("close", "radio", "close it")
note("moved " + moved.answer)
check("total current", "radio", read("supply current"))
power_off()
hold("done")
`

// The store takes no more from some record on: for every record the performance
// ends with the store's error and the power off, shows no verdict that is not on
// disk, and once the store can be written again goes on to the same end.
func TestAStoreThatTakesNoMore(t *testing.T) {
	whole := 0
	for stopAt := 2; whole == 0 || stopAt <= whole; stopAt++ {
		synctest.Test(t, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "logbook.db")
			book, err := logbook.Open(path)
			require.NoError(t, err)
			defer book.Close()
			w := begin(t, book, shortJob)
			refuse(t, path, fmt.Sprintf("CREATE TRIGGER refuse BEFORE INSERT ON records WHEN NEW.seq >= %d BEGIN SELECT RAISE(ABORT, 'no more'); END", stopAt))
			u := &unruly{}
			p := playInto(t, u, w, shortJob, nil)
			require.False(t, u.isOn(), "record %d", stopAt)
			if p.err == nil { // the whole worksheet is shorter
				whole = len(w.Records())
				return
			}
			require.ErrorContains(t, p.err, "logbook "+path)
			require.Len(t, w.Records(), stopAt-1)
			refuse(t, path, "DROP TRIGGER refuse")
			p = playInto(t, u, w, shortJob, nil)
			require.NoError(t, p.err, "record %d", stopAt)
			assert.Equal(t, verdict.Pass, p.sheet.Verdict)
			assert.Len(t, p.sheet.Steps, 2)
			assert.Equal(t, []string{"mind the test"}, p.sheet.Cautions)
			assert.Equal(t, []string{"moved Done"}, p.sheet.Notes)
			require.NoError(t, w.Check())
		})
	}
	t.Logf("refused at each of %d records", whole-1)
}

// refuse has the file do something from outside, as another program would.
func refuse(t *testing.T, path, query string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	defer db.Close()
	_, err = db.Exec(query)
	require.NoError(t, err)
}

// A clock that was set back between two runs spoils nothing, is told in the
// report, and is not trusted.
func TestAClockThatWasSetBack(t *testing.T) {
	script := "hold('first')\nc = clock()\nif c.ok or 'set back' not in c.why:\n    fail(c.why)\n"
	path := filepath.Join(t.TempDir(), "logbook.db")
	func() { // by the real clock; the emulated one of the second run is years before it
		book, err := logbook.Open(path)
		require.NoError(t, err)
		defer book.Close()
		w := begin(t, book, script)
		_, err = w.Append(t.Context(), kindBench, BenchRecord{})
		require.NoError(t, err)
	}()
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(path)
		require.NoError(t, err)
		defer book.Close()
		w, err := book.Worksheet(t.Context(), 1)
		require.NoError(t, err)
		p := playInto(t, &unruly{}, w, script, nil)
		require.NoError(t, p.err)
		require.Len(t, p.sheet.Gaps, 1)
		assert.Negative(t, p.sheet.Gaps[0].For)
		require.NoError(t, w.Check())
	})
}

// What one step of a script costs with its record on disk before it goes on.
func BenchmarkJournalledStep(b *testing.B) {
	book, err := logbook.Open(filepath.Join(b.TempDir(), "logbook.db"))
	require.NoError(b, err)
	defer book.Close()
	text, d := marshHen(b)
	script := fmt.Sprintf("for i in range(%d):\n    note('x')\n", b.N)
	w, err := book.Begin(b.Context(), logbook.Opening{Procedure: "test", Script: script, Design: text, File: d.File})
	require.NoError(b, err)
	p := Performance{Design: d, Sheet: w, Name: "test", Script: []byte(script), Bench: &Bench{}, Desk: NewDesk()}
	b.ReportAllocs()
	b.ResetTimer()
	require.NoError(b, p.Perform(b.Context()))
}

func marshHen(tb testing.TB) (text string, d *design.Design) {
	tb.Helper()
	raw, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", raw)
	require.NoError(tb, err)
	return string(raw), d
}
