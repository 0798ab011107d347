package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/verdict"
	"loomproof/dashboard/report"
)

// A killing is one worksheet that is killed again and again.
type killing struct {
	procedure, fault string
	within           time.Duration // after a start; less than a whole worksheet takes
	kills            int           // in the gate; 0 leaves it to the long run
}

// The long run has so many kills in all: LOOMPROOF_KILLS=200 go test
// ./cmd/loomproof -run KilledAtAnyMoment -timeout 60m. Its result is in
// dashboard/demo/KILLS.md.
func killings(t *testing.T) []killing {
	t.Helper()
	all := []killing{
		{"first-power-on", "high-resistance-joint", 2500 * time.Millisecond, 5},
		{"first-power-on", "short-to-airframe", 2500 * time.Millisecond, 5},
		{"first-power-on", "parasitic-load", 2500 * time.Millisecond, 0},
		{"first-power-on", "none", 2500 * time.Millisecond, 0},
		{"before-power", "none", 2500 * time.Millisecond, 0},
		{"loaded", "none", 2500 * time.Millisecond, 0},
		{"annual-check", "none", 2 * time.Second, 2},
		{"avionics", "none", 2 * time.Second, 2},
		{"audio", "none", 1500 * time.Millisecond, 0},
		{"ground-run", "none", 1500 * time.Millisecond, 2},
		{"compass", "none", 800 * time.Millisecond, 3},
		{"locator", "none", 500 * time.Millisecond, 2},
	}
	total, err := strconv.Atoi(cmp.Or(os.Getenv("LOOMPROOF_KILLS"), "0"))
	require.NoError(t, err, "LOOMPROOF_KILLS is a number of kills")
	if total > 0 {
		for i := range all {
			all[i].kills = (total + len(all) - 1) / len(all)
		}
	}
	return slices.DeleteFunc(all, func(k killing) bool { return k.kills == 0 })
}

// A program that is killed at any moment loses nothing that was on disk, asks
// nothing twice that was answered, judges nothing twice, and ends with the
// report that it would have ended with.
func TestKilledAtAnyMoment(t *testing.T) {
	lanes := make(chan struct{}, 2) // worksheets at a time
	for i, k := range killings(t) {
		t.Run(k.procedure+"/"+k.fault, func(t *testing.T) {
			t.Parallel()
			lanes <- struct{}{}
			defer func() { <-lanes }()
			seed := uint64(time.Now().UnixNano()) + uint64(i)
			t.Logf("moments of the kills from seed %d", seed)
			v := &victim{t: t, killing: k, dir: t.TempDir(), r: rand.New(rand.NewPCG(seed, 0))}
			for v.count < k.kills {
				if v.closed() {
					v.before = nil // it was faster than the kills: on with another worksheet
				}
				v.kill()
			}
			killed := v.finish()
			undisturbed := v.undisturbed()
			want, got := sheetOf(t, undisturbed), sheetOf(t, killed)
			// Whether the watch cuts before or after one more reading is a race
			// that both may win.
			watched := len(want.Cuts) > 0
			assert.Equal(t, asked(undisturbed, watched), asked(killed, watched), "what was asked, in this order")
			assertSameOutcome(t, want, got, watched)
			t.Logf("%d kills, %d gaps in the last worksheet, %d records", v.count, len(got.Gaps), len(killed))
		})
	}
}

// A victim is a demo's worksheet in a logbook of its own.
type victim struct {
	t *testing.T
	killing
	dir    string
	r      *rand.Rand
	count  int              // kills so far
	before []logbook.Record // on disk at the kill before
}

func (v *victim) book() string { return filepath.Join(v.dir, "logbook.db") }

func (v *victim) command(ctx context.Context, book string) (cmd *exec.Cmd, out, progress *bytes.Buffer) {
	self, err := os.Executable()
	require.NoError(v.t, err)
	cmd = exec.CommandContext(ctx, self, "demo", "--hands-off", "--json", "--seed", "3", "--procedure", v.procedure, "--fault", v.fault, "--bench", benchFor(v.procedure), "--logbook", book)
	cmd.Env = append(os.Environ(), asProgram+"=1")
	out, progress = &bytes.Buffer{}, &bytes.Buffer{}
	cmd.Stdout, cmd.Stderr = out, progress
	return cmd, out, progress
}

// kill starts the program and kills it at a random moment.
func (v *victim) kill() {
	after := time.Duration(v.r.Int64N(int64(v.within)))
	cmd, _, progress := v.command(v.t.Context(), v.book())
	require.NoError(v.t, cmd.Start())
	moment := time.NewTimer(after)
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	select {
	case <-moment.C:
		require.NoError(v.t, cmd.Process.Kill())
		<-ended
		v.count++
	case <-ended: // it finished first
		moment.Stop()
	}
	records := v.records()
	v.t.Logf("kill %d after %v: %d records on disk", v.count, after.Round(time.Millisecond), len(records))
	require.NotContains(v.t, progress.String(), "loomproof: ", "it went on without complaint")
	require.GreaterOrEqual(v.t, len(records), len(v.before))
	for i, r := range v.before {
		require.Equal(v.t, r, records[i], "record %d was on disk at the kill before", i+1)
	}
	// What was shown had been kept.
	require.LessOrEqual(v.t, shownSteps(progress.String()), steps(records))
	v.before = records
}

// shownSteps counts the verdicts in the program's progress.
func shownSteps(progress string) int {
	n := 0
	for line := range strings.Lines(progress) {
		for _, word := range []string{"pass ", "fail ", "undecided ", "not done "} {
			if strings.HasPrefix(line, "  "+word) && strings.HasSuffix(line, "\n") {
				n++
			}
		}
	}
	return n
}

func steps(records []logbook.Record) int {
	n := 0
	for _, r := range records {
		if r.Kind == "step" {
			n++
		}
	}
	return n
}

// records reads a copy of the logbook as the kill left it, so that it is the
// program itself, and not this test, that mends the store afterwards.
func (v *victim) records() []logbook.Record {
	dir := v.t.TempDir()
	for _, end := range []string{"", "-wal"} {
		copyFile(v.t, v.book()+end, filepath.Join(dir, "logbook.db"+end))
	}
	if _, err := os.Stat(filepath.Join(dir, "logbook.db")); err != nil {
		return nil // killed before there was one
	}
	records := readNewest(v.t, filepath.Join(dir, "logbook.db"))
	if len(records) > 0 {
		v.reportedAs(filepath.Join(dir, "logbook.db"), records)
	}
	return records
}

// reportedAs: the report of what a kill left says that it is not finished, and
// ends with the code for what is known so far.
func (v *victim) reportedAs(book string, records []logbook.Record) {
	var out, errOut bytes.Buffer
	code := run([]string{"report", "--json", "--logbook", book}, nil, &out, &errOut)
	var rep report.Report
	require.NoError(v.t, json.Unmarshal(out.Bytes(), &rep), "%s", errOut.String())
	require.Equal(v.t, records[len(records)-1].Kind == logbook.KindClose, rep.Finished)
	switch {
	case rep.Count.Fail > 0:
		require.Equal(v.t, exitFail, code)
	case rep.Count.Undecided > 0 || !rep.Finished || rep.Verdict == verdict.NotDone:
		require.Equal(v.t, exitIncomplete, code)
	default:
		require.Equal(v.t, 0, code)
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	if os.IsNotExist(err) {
		return
	}
	require.NoError(t, err)
	defer in.Close()
	out, err := os.Create(to)
	require.NoError(t, err)
	_, err = io.Copy(out, in)
	require.NoError(t, err)
	require.NoError(t, out.Close())
}

// readNewest reads the newest worksheet and follows its chain.
func readNewest(t *testing.T, path string) []logbook.Record {
	t.Helper()
	book, err := logbook.Open(path)
	require.NoError(t, err)
	defer book.Close()
	list, err := book.Worksheets(t.Context())
	require.NoError(t, err)
	if len(list) == 0 {
		return nil
	}
	sheet, err := book.Worksheet(t.Context(), list[0].ID)
	require.NoError(t, err)
	require.NoError(t, sheet.Check())
	return sheet.Records()
}

func (v *victim) closed() bool {
	return len(v.before) > 0 && v.before[len(v.before)-1].Kind == logbook.KindClose
}

// finish lets the program end its worksheet.
func (v *victim) finish() []logbook.Record {
	if !v.closed() {
		v.run(v.book())
	}
	records := v.records()
	for i, r := range v.before {
		require.Equal(v.t, r, records[i], "record %d was on disk at the last kill", i+1)
	}
	require.Equal(v.t, logbook.KindClose, records[len(records)-1].Kind)
	return records
}

// undisturbed performs the same into a fresh logbook, without a kill.
func (v *victim) undisturbed() []logbook.Record {
	book := filepath.Join(v.dir, "undisturbed.db")
	v.run(book)
	return readNewest(v.t, book)
}

// run lets the program run to its end; its report and exit code must agree.
func (v *victim) run(book string) {
	cmd, out, progress := v.command(v.t.Context(), book)
	err := cmd.Run()
	var rep report.Report
	require.NoError(v.t, json.Unmarshal(out.Bytes(), &rep), "%v\n%s", err, progress)
	require.Equal(v.t, rep.Exit(), cmd.ProcessState.ExitCode(), "%s", progress)
	require.True(v.t, rep.Finished)
	require.True(v.t, rep.Chain.Intact)
}

// asked is what the procedure asked for, without what it got: holds, moves,
// power, and readings unless they are left out.
func asked(records []logbook.Record, noReadings bool) []string {
	var out []string
	for _, r := range records {
		var e struct {
			Call string
			Args json.RawMessage
		}
		if r.Kind != "effect" {
			continue
		}
		if err := r.Decode(&e); err != nil {
			out = append(out, err.Error())
		}
		if e.Call == "again" {
			continue // what was read before a gap is read again
		}
		if reading := e.Call == "read" || e.Call == "measure"; !reading || !noReadings {
			out = append(out, e.Call+string(e.Args))
		}
	}
	return out
}

func sheetOf(t *testing.T, records []logbook.Record) *procedure.Sheet {
	t.Helper()
	s, err := procedure.Fold(records)
	require.NoError(t, err)
	return s
}

// assertSameOutcome compares all but the values: each run has its own noise.
func assertSameOutcome(t *testing.T, want, got *procedure.Sheet, watched bool) {
	t.Helper()
	outcome := func(s *procedure.Sheet) (out []string) {
		for _, x := range s.Steps {
			captures := strings.ReplaceAll(fmt.Sprint(x.Captures), " after a gap", "")
			line := fmt.Sprintf("%s: %s, %s in %s, captures %s", x.ID, x.Verdict, x.Quantity, x.Unit, captures)
			if watched {
				line = x.ID + ": " + x.Verdict
			}
			raced := x.Circuit == "strobe" && x.What != procedure.WhatMarking && x.What != procedure.WhatCut
			if !watched || !raced {
				out = append(out, line)
			}
		}
		for _, f := range s.Findings {
			if !watched {
				out = append(out, fmt.Sprintf("finding: %s %v %s", f.Circuit, f.Evidence, f.Try))
			}
		}
		for _, c := range s.Cuts {
			out = append(out, "cut: "+c.Circuit)
		}
		for _, c := range s.Cautions {
			out = append(out, "caution: "+c)
		}
		for _, p := range s.People {
			out = append(out, "by "+p)
		}
		for _, i := range s.Instruments {
			out = append(out, "with "+i.Identity.Name)
		}
		return append(out, "verdict: "+string(s.Verdict))
	}
	assert.Equal(t, outcome(want), outcome(got))
	seen := map[string]bool{}
	for _, s := range got.Steps {
		assert.False(t, seen[s.ID], "%s was judged twice", s.ID)
		seen[s.ID] = true
	}
	// A reading is kept in one place only, and the verdict rests on that one.
	for _, s := range got.Steps {
		if s.Reading == nil || len(s.Captures) == 0 || len(s.Captures) > 2 { // a slope is reckoned from four
			continue
		}
		value := got.Captures[s.Captures[0]].Value
		if len(s.Captures) == 2 {
			value -= got.Captures[s.Captures[1]].Value
		}
		assert.Equal(t, value, *s.Reading, s.ID)
	}
	for _, s := range want.Steps {
		other := stepOf(got, s.ID)
		if s.Design == nil || other == nil || other.Design == nil { // the outcomes differ, and have said so
			continue
		}
		// The solver starts from its last solution, so the last bits depend on
		// what was solved before.
		assert.InDelta(t, *s.Design, *other.Design, 1e-9, "%s: the design value is that of the same state", s.ID)
	}
}

func stepOf(s *procedure.Sheet, id string) *procedure.Step {
	for i := range s.Steps {
		if s.Steps[i].ID == id {
			return &s.Steps[i]
		}
	}
	return nil
}

// benchFor leaves the node away where a worksheet with a recording cannot end with
// the same figures after a gap; package procedure tests that one.
func benchFor(procedure string) string {
	if procedure == "ground-run" {
		return "meter-and-supply"
	}
	return "all"
}
