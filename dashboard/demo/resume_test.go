package demo

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/dashboard/station"
	"loomproof/probe/bench"
	"loomproof/scripts"
)

// A worksheet goes on from after any of its records, as from a kill at that
// moment: what stands stays, a cut is not cut again, and with the power off
// nothing is switched on before a person has put the aircraft as it was. A kill
// at a random moment is tested in cmd/loomproof; here each place has its turn.
func TestResumesFromAfterEachRecord(t *testing.T) {
	planted, ok := mockup.Find("short-to-airframe")
	require.True(t, ok)
	whole := goOn(t, []airframe.Fault{planted.Fault}, nil)
	cut := indexOf(whole, "cut")
	require.Positive(t, cut)
	var places []int
	for n := range whole {
		// All around the cut, where the state changes fastest, and some of the rest.
		if n >= 1 && (n%69 == 1 || n > cut-6 && n < cut+10) {
			places = append(places, n)
		}
	}
	for _, n := range places {
		t.Run(fmt.Sprintf("%d records", n), func(t *testing.T) {
			got := goOn(t, []airframe.Fault{planted.Fault}, whole[:n])
			require.Equal(t, whole[:n], got[:n])
			s, err := procedure.Fold(got)
			require.NoError(t, err)
			assert.Len(t, s.Cuts, 1, "cut once")
			seen := map[string]bool{}
			for _, step := range s.Steps {
				assert.False(t, seen[step.ID], "%s judged twice", step.ID)
				seen[step.ID] = true
				if step.Verdict == "fail" {
					assert.Equal(t, "strobe", step.Circuit, step.ID)
				}
			}
			assert.True(t, seen["strobe/cut"])
			assert.Equal(t, "close", got[len(got)-1].Kind)
			assertOpenedBeforePower(t, got)
			assert.Len(t, s.Instruments, 3, "each instrument once")
		})
	}
}

// assertOpenedBeforePower: after the cut the breaker is opened, with a person's
// word, before the power comes back.
func assertOpenedBeforePower(t *testing.T, records []logbook.Record) {
	t.Helper()
	opened := false
	for _, r := range records[indexOf(records, "cut"):] {
		var e struct {
			Call   string
			Args   struct{ Action, Circuit string }
			Result struct{ OK bool }
		}
		if r.Kind != "effect" || r.Decode(&e) != nil {
			continue
		}
		if e.Call == "act" && e.Args.Action == "open" && e.Args.Circuit == "strobe" {
			opened = e.Result.OK
		}
		if e.Call == "power" {
			assert.True(t, opened, "record %d", r.Seq)
			return
		}
	}
	t.Error("the power did not come back")
}

func indexOf(records []logbook.Record, kind string) int {
	for i, r := range records {
		if r.Kind == kind {
			return i
		}
	}
	return -1
}

// goOn performs the first power-on in emulated time, going on from the records,
// and returns all records.
func goOn(t *testing.T, faults []airframe.Fault, from []logbook.Record) (all []logbook.Record) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		text, _ := scripts.Design("marsh-hen")
		d, err := design.Parse("marsh-hen.yaml", text)
		require.NoError(t, err)
		m, err := mockup.New(d, faults, 3)
		require.NoError(t, err)
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		instruments, unplug, err := newBench(ctx, "all", m, 3, func() (*bench.Cable, error) { return bench.NewMemoryCable(), nil })
		require.NoError(t, err)
		defer unplug()
		path := filepath.Join(t.TempDir(), "logbook.db")
		book, err := logbook.Open(path)
		require.NoError(t, err)
		defer book.Close()
		write(t, path, from)
		s := station.Station{Design: d, Bench: instruments, Book: book, Desk: procedure.NewDesk(), Version: "test"}
		s.Desk.Settle = 0 // emulated hands do not bounce
		hands := make(chan struct{})
		go func() {
			defer close(hands)
			m.Hands(ctx, s.Desk, mockup.Pace{Move: 18 * time.Millisecond, Answer: true})
		}()
		_, err = s.Perform(ctx, "first-power-on")
		cancel()
		<-hands
		require.NoError(t, err)
		sheet, err := book.Worksheet(context.Background(), 1)
		require.NoError(t, err)
		require.NoError(t, sheet.Check())
		all = sheet.Records()
	})
	return all
}

// write puts records into a fresh logbook as they stood in another.
func write(t *testing.T, path string, records []logbook.Record) {
	t.Helper()
	if len(records) == 0 {
		return
	}
	db, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	defer db.Close()
	var o logbook.Opening
	require.NoError(t, records[0].Decode(&o))
	_, err = db.Exec("INSERT INTO worksheets (id, begun, aircraft, procedure) VALUES (1, ?, ?, ?)", records[0].At.Format(time.RFC3339Nano), o.Aircraft, o.Procedure)
	require.NoError(t, err)
	for _, r := range records {
		_, err := db.Exec("INSERT INTO records (worksheet, seq, at, kind, body, hash) VALUES (1, ?, ?, ?, ?, ?)",
			r.Seq, r.At.Format(time.RFC3339Nano), r.Kind, string(r.Body), r.Hash)
		require.NoError(t, err)
	}
}
