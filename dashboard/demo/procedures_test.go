package demo

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/checks/starter"
	"loomproof/checks/verdict"
	"loomproof/dashboard/report"
	"loomproof/dashboard/station"
	"loomproof/probe/bench"
	"loomproof/scripts"
)

var (
	update   = flag.Bool("update", false, "write the golden worksheets anew")
	coverage = flag.String("coverage", "", "perform these procedures (names with commas between, or all) with every fault and on many sound aircraft, and write scripts/COVERAGE.md anew: some minutes each")
)

// performed performs a procedure hands off on a mock-up of the Marsh Hen with the
// demo's instruments, each behind its own line and protocol, in emulated time.
func performed(t *testing.T, name string, fault mockup.Planted, seed uint64) *procedure.Sheet {
	t.Helper()
	text, ok := scripts.Design("marsh-hen")
	require.True(t, ok)
	return performedOn(t, text, "all", name, fault, seed)
}

// performedOn does so on any design and bench; the demo's node is wired for 14 V.
func performedOn(t *testing.T, text []byte, which, name string, fault mockup.Planted, seed uint64) *procedure.Sheet {
	t.Helper()
	s, _, _ := reportedOn(t, text, which, name, fault, seed)
	return s
}

// reportedOn does so, and gives the report and the records, too.
func reportedOn(t *testing.T, text []byte, which, name string, fault mockup.Planted, seed uint64) (s *procedure.Sheet, rep *report.Report, records []logbook.Record) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		d, err := design.Parse("design.yaml", text)
		require.NoError(t, err)
		m, err := mockup.New(d, fault.Faults(), seed)
		require.NoError(t, err)
		fault.Plant(m)
		ctx, cancel := context.WithTimeout(t.Context(), 12*time.Hour)
		defer cancel()
		instruments, unplug, err := newBench(ctx, which, m, seed, func() (*bench.Cable, error) { return bench.NewMemoryCable(), nil })
		require.NoError(t, err)
		defer unplug()
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		st := station.Station{Design: d, Bench: instruments, Book: book, Desk: procedure.NewDesk(), Version: "test"}
		hands := make(chan struct{})
		go func() {
			defer close(hands)
			m.Hands(ctx, st.Desk, mockup.Pace{Move: briskly(which), Answer: true})
		}()
		rep, err = st.Perform(ctx, name)
		cancel()
		<-hands
		require.NoError(t, err, "it stood at: %s", lastRecords(t, book))
		sheet, err := book.Worksheet(t.Context(), 1)
		require.NoError(t, err)
		records = sheet.Records()
		s, err = procedure.Fold(records)
		require.NoError(t, err)
	})
	return s, rep, records
}

// lastRecords says how far a worksheet has come.
func lastRecords(t *testing.T, book *logbook.Book) string {
	sheet, err := book.Worksheet(context.Background(), 1)
	require.NoError(t, err)
	said := ""
	records := sheet.Records()
	for _, r := range records[max(0, len(records)-3):] {
		said += string(r.Body) + "\n"
	}
	return said
}

// Each procedure comes to its end on a sound aircraft with nothing failed and
// nothing undecided, and its worksheet is the golden one: which steps, where,
// held to which rule, with which verdict.
func TestEachProcedureOnASoundAircraft(t *testing.T) {
	for _, name := range scripts.Procedures() {
		t.Run(name, func(t *testing.T) {
			s := performed(t, name, mockup.Planted{}, 1)
			assert.Empty(t, alarms(s))
			assert.Equal(t, verdict.Pass, s.Verdict, "%s", s.Summary())
			assert.NotEmpty(t, s.Cautions, "it opens with the cautions of the trade")
			golden := filepath.Join("testdata", "worksheets", name+".txt")
			got := worksheet(s)
			if *update {
				require.NoError(t, os.MkdirAll(filepath.Dir(golden), 0o755))
				require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
			}
			want, err := os.ReadFile(golden)
			require.NoError(t, err, "write it with go test ./dashboard/demo -run EachProcedure -update")
			assert.Equal(t, string(want), got)
		})
	}
}

// Procedures know no aircraft: they come to their end on the 28 V example and on
// the smallest design that the program itself writes, with nothing failed (a
// small drop may be too near its limit for the meter).
func TestEachProcedureOnOtherDesigns(t *testing.T) {
	text, ok := scripts.Design("marsh-hen-28")
	require.True(t, ok)
	small, err := starter.Design("Coot", 14)
	require.NoError(t, err)
	for design, text := range map[string][]byte{"28 V": text, "starter": small} {
		for _, name := range scripts.Procedures() {
			t.Run(design+"/"+name, func(t *testing.T) {
				s := performedOn(t, text, "meter-and-supply", name, mockup.Planted{}, 1)
				assert.Zero(t, s.Count(verdict.Fail), "%v", alarms(s))
				assert.True(t, s.Closed)
			})
		}
	}
}

// worksheet is a sheet without what differs from one performance to the next.
func worksheet(s *procedure.Sheet) string {
	var b strings.Builder
	for _, c := range s.Cautions {
		fmt.Fprintf(&b, "caution: %s\n", c)
	}
	for _, step := range s.Steps {
		fmt.Fprintf(&b, "%-9s %s | %s | %s\n", step.Verdict, step.ID, step.Title, step.Rule)
	}
	return b.String()
}

// alarms lists the steps that did not pass.
func alarms(s *procedure.Sheet) []string {
	var out []string
	for _, step := range s.Steps {
		if step.Verdict == string(verdict.Fail) || step.Verdict == string(verdict.Undecided) {
			out = append(out, fmt.Sprintf("%s %s: %v of [%v %v]", step.ID, step.Verdict, deref(step.Reading), deref(step.Low), deref(step.High)))
		}
	}
	return out
}

// What a procedure makes of a fault.
const (
	found     = "found"           // at its place and nowhere else
	alsoThere = "found, and more" // at its place, and a step failed elsewhere, too
	elsewhere = "elsewhere"       // a step failed, but at another place
	missed    = "-"               // nothing failed
)

// outcome classes a sheet against the fault that was in the aircraft.
func outcome(s *procedure.Sheet, fault mockup.Planted) string {
	right, wrong := false, false
	for _, step := range s.Steps {
		if step.Verdict == string(verdict.Fail) {
			at := slices.Contains(fault.Places, step.Circuit)
			right, wrong = right || at, wrong || !at
		}
	}
	switch {
	case right && wrong:
		return alsoThere
	case right:
		return found
	case wrong:
		return elsewhere
	}
	return missed
}

// What does not go off with its own switch is told as that, at its place, and what it
// draws stays allowed for: no other circuit is blamed, and nothing is cut.
func TestWhatDoesNotGoOffIsTold(t *testing.T) {
	for _, test := range []struct {
		fault string
		stays []string
	}{
		{"stuck-switch", []string{"cabin-fan"}},
		{"live-with-master-off", []string{"socket"}},
		{"joined-wires", []string{"gps", "attitude"}},
	} {
		t.Run(test.fault, func(t *testing.T) {
			faults := mockup.Everything()
			i := slices.IndexFunc(faults, func(p mockup.Planted) bool { return p.Name == test.fault })
			s := performed(t, "loaded", faults[i], 2)
			var failed []string
			for _, step := range s.Steps {
				if step.Verdict == string(verdict.Fail) {
					assert.Equal(t, "current", step.What)
					failed = append(failed, step.Circuit)
				}
			}
			assert.Equal(t, test.stays, failed)
			assert.Empty(t, s.Cuts)
			var told []string
			for _, f := range s.Findings {
				if strings.Contains(f.What, "the current did not fall as it was switched off") {
					told = append(told, f.Circuit)
				}
			}
			assert.Equal(t, test.stays, told)
		})
	}
}

// A short with everything on is found at its circuit, by bringing on one at a time,
// and the worksheet ends there.
func TestAShortWithEverythingOnIsNotTheMasters(t *testing.T) {
	for _, test := range []struct{ procedure, fault, circuit string }{
		{"loaded", "short-to-airframe", "strobe"},
		{"annual-check", "short-of-avionics-bus", "avionics-master"},
		{"avionics", "short-of-avionics-bus", "avionics-master"},
		{"loaded", "short-of-main-bus", "master"},
	} {
		t.Run(test.procedure+"/"+test.fault, func(t *testing.T) {
			faults := mockup.Everything()
			i := slices.IndexFunc(faults, func(p mockup.Planted) bool { return p.Name == test.fault })
			s := performed(t, test.procedure, faults[i], 2)
			var failed []string
			for _, step := range s.Steps {
				if step.Verdict == string(verdict.Fail) {
					failed = append(failed, step.Circuit)
				}
			}
			assert.Equal(t, []string{test.circuit}, failed)
			assert.NotEmpty(t, s.Stopped)
		})
	}
}
