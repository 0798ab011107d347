package procedure

import (
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/probe"
)

// A worksheet that goes on says when, after how long, and who confirmed the state;
// each step carries along what the worksheet before found.
func TestGapsAndEarlier(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		script := `
power(volts = 14, limit = 20)
check("total current", "master", read("supply current"))
if last("total current", "master") != 0.25:
    fail()
hold("look")
`
		w := begin(t, book, script)
		_, err = w.Append(t.Context(), kindBench, BenchRecord{})
		require.NoError(t, err)
		_, err = w.Append(t.Context(), kindEffect, effectRecord{"power", map[string]any{"on": true, "volts": 14, "limit": 20}, outcome{OK: true}})
		require.NoError(t, err)
		time.Sleep(3 * time.Minute)
		quarter := 0.25
		p := playEarlier(t, w, script, map[string]Earlier{"master/total current": {Worksheet: 7, Verdict: "pass", Reading: &quarter}})
		require.NoError(t, p.err)
		require.Len(t, p.sheet.Gaps, 1)
		assert.Equal(t, 3*time.Minute, p.sheet.Gaps[0].For)
		assert.Equal(t, "somebody", p.sheet.Gaps[0].Confirmed)
		require.Len(t, p.sheet.Steps, 1)
		require.NotNil(t, p.sheet.Steps[0].Last)
		assert.Equal(t, int64(7), p.sheet.Steps[0].Last.Worksheet)
	})
}

// What was read before a gap is read again when it is to be compared with what is
// read after it; and a worksheet that goes on once more asks the same.
func TestAReadingFromBeforeAGapIsTakenAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		script := `
power(volts = 14, limit = 20)
a = read("supply current")
b = read("supply current")
check("creep", "master", b, minus = a, low = -0.1, high = 0.1, rule = "a test")
hold("look")
`
		w := begin(t, book, script)
		stale := Captured{ID: "r1", Quantity: probe.Current, Value: 5, Count: 5, Last: probe.Reading{Source: "supply", Channel: "current", Quantity: probe.Current}}
		for _, r := range []struct {
			kind string
			body any
		}{
			{kindBench, BenchRecord{}},
			{kindEffect, effectRecord{"power", map[string]any{"on": true, "volts": 14, "limit": 20}, outcome{OK: true}}},
			{kindEffect, effectRecord{"read", map[string]any{"id": "r1", "what": "supply current"}, taken{Captured: stale}}},
		} {
			_, err = w.Append(t.Context(), r.kind, r.body)
			require.NoError(t, err)
		}
		p := playEarlier(t, w, script, nil)
		require.NoError(t, p.err)
		require.Len(t, p.sheet.Steps, 1)
		assert.Equal(t, []string{"r2", "r1 after a gap"}, p.sheet.Steps[0].Captures)
		assert.Equal(t, "pass", p.sheet.Steps[0].Verdict, "the 5 A from before the gap have no part in it")
		assert.InDelta(t, 5, p.sheet.Captures["r1"].Value, 0, "and are kept")
	})
}

// A photograph lies between what the script did and is no part of it: a killed
// worksheet goes on past it, and one taken before the first reading is no gap.
func TestAWorksheetGoesOnPastPhotographs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		const script = `
power(volts = 14, limit = 20)
check("total current", "master", read("supply current"))
hold("look")
`
		w := begin(t, book, script)
		_, err = w.Append(t.Context(), KindPhotograph, Photograph{Hash: "1", By: "Tove Lind"})
		require.NoError(t, err)
		_, err = w.Append(t.Context(), kindBench, BenchRecord{})
		require.NoError(t, err)
		folded, err := Fold(w.Records())
		require.NoError(t, err)
		assert.Empty(t, folded.Gaps)
		_, err = w.Append(t.Context(), kindEffect, effectRecord{"power", map[string]any{"on": true, "volts": 14, "limit": 20}, outcome{OK: true}})
		require.NoError(t, err)
		_, err = w.Append(t.Context(), KindPhotograph, Photograph{Hash: "2", By: "Tove Lind"})
		require.NoError(t, err)
		p := playEarlier(t, w, script, nil)
		require.NoError(t, p.err)
		assert.Len(t, p.sheet.Steps, 1)
		assert.Len(t, p.sheet.Gaps, 1)
		assert.Len(t, photographs(w.Records()), 2)
	})
}
