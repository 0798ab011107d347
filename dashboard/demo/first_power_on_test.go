package demo

import (
	"context"
	"flag"
	"math"
	"path/filepath"
	"slices"
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
	"loomproof/checks/verdict"
	"loomproof/dashboard/station"
	"loomproof/probe/bench"
	"loomproof/scripts"
)

// perform runs the first power-on on a mock-up with the demo's instruments,
// each behind its own line and protocol, in emulated time, and returns its
// sheet.
func perform(t *testing.T, faults []airframe.Fault, seed uint64) (s *procedure.Sheet) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) { s = performNow(t, faults, seed) })
	return s
}

func performNow(t *testing.T, faults []airframe.Fault, seed uint64) *procedure.Sheet {
	t.Helper()
	text, ok := scripts.Design("marsh-hen")
	require.True(t, ok)
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	m, err := mockup.New(d, faults, seed)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
	defer cancel()
	instruments, unplug, err := newBench(ctx, "all", m, seed, func() (*bench.Cable, error) { return bench.NewMemoryCable(), nil })
	require.NoError(t, err)
	defer unplug()
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	defer book.Close()
	st := station.Station{Design: d, Bench: instruments, Book: book, Desk: procedure.NewDesk(), Version: "test"}
	st.Desk.Settle = 0 // emulated hands do not bounce
	hands := make(chan struct{})
	go func() {
		defer close(hands)
		m.Hands(ctx, st.Desk, mockup.Pace{Move: 18 * time.Millisecond, Answer: true})
	}()
	_, err = st.Perform(ctx, "first-power-on")
	cancel()
	<-hands
	require.NoError(t, err)
	sheet, err := book.Worksheet(t.Context(), 1)
	require.NoError(t, err)
	s, err := procedure.Fold(sheet.Records())
	require.NoError(t, err)
	return s
}

func TestSoundAircraftPasses(t *testing.T) {
	s := perform(t, nil, 1)
	assert.Equal(t, verdict.Pass, s.Verdict, "%s", s.Summary())
	for _, step := range s.Steps {
		if step.Verdict != "pass" && step.Verdict != "not done" {
			t.Errorf("%s %s %v ±%v [%v %v] p=%v", step.ID, step.Verdict, *step.Reading, *step.Uncertainty, deref(step.Low), deref(step.High), *step.Probability)
		}
	}
	t.Log(s.Summary())
}

func deref(p *float64) any {
	if p == nil {
		return "-"
	}
	return *p
}

// Each fault of the catalogue is found at the right circuits and nowhere else.
func TestEachFaultIsFoundWhereItIs(t *testing.T) {
	for _, planted := range mockup.Catalogue() {
		t.Run(planted.Name, func(t *testing.T) {
			s := perform(t, []airframe.Fault{planted.Fault}, 1)
			assert.Equal(t, verdict.Fail, s.Verdict)
			failed := map[string]bool{}
			for _, step := range s.Steps {
				if step.Verdict == "fail" {
					failed[step.Circuit] = true
					assert.Contains(t, planted.Shows, step.Circuit, "%s: %v of [%v %v]", step.ID, deref(step.Reading), deref(step.Low), deref(step.High))
				}
			}
			assert.NotEmpty(t, failed)
			for _, circuit := range planted.Shows {
				assert.True(t, failed[circuit], "%s shows it too", circuit)
			}
			assert.NotEmpty(t, s.Findings)
			for _, f := range s.Findings {
				assert.True(t, slices.Contains(planted.Shows, f.Circuit), "%+v", f)
				t.Logf("%s\n    try: %s", f.What, f.Try)
			}
		})
	}
}

var sound = flag.Int("sound", 15, "how many sound aircraft; 100 is the run that is evidence")

// Many sound aircraft, each with its own parts and instrument errors: none
// fails. Every step is held to its band by what its uncertainty allows, so the
// number of false alarms to expect is the sum of the probabilities that the
// guard band leaves open.
func TestManySoundAircraft(t *testing.T) {
	steps, expectedFalse, undecided := 0, 0.0, 0
	for seed := range uint64(*sound) {
		s := perform(t, nil, seed+1)
		for _, step := range s.Steps {
			switch step.Verdict {
			case string(verdict.Fail):
				t.Errorf("seed %d: false alarm: %s reads %v of [%v %v]", seed, step.ID, *step.Reading, deref(step.Low), deref(step.High))
			case string(verdict.Undecided):
				undecided++
				t.Errorf("seed %d: undecided: %s reads %v ±%v of [%v %v]", seed, step.ID, *step.Reading, *step.Uncertainty, deref(step.Low), deref(step.High))
			}
			if step.Uncertainty != nil {
				steps++
				expectedFalse += falseAlarm(step)
			}
		}
	}
	t.Logf("%d sound aircraft, %d verdicts: 0 false alarms, %d undecided; the guard band predicts %.2g false alarms", *sound, steps, undecided, expectedFalse)
}

// falseAlarm is the probability that another reading of what this step read
// would be called a fail: that noise carries it beyond a limit by the guard
// band.
func falseAlarm(s procedure.Step) float64 {
	u := *s.Uncertainty / 2
	p := 0.0
	if s.High != nil {
		p += tail((*s.High + verdict.Guard*u - *s.Reading) / u)
	}
	if s.Low != nil {
		p += tail((*s.Reading - *s.Low + verdict.Guard*u) / u)
	}
	return p
}

func tail(z float64) float64 { return 0.5 * math.Erfc(z/math.Sqrt2) }
