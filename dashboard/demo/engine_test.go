package demo

import (
	"context"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/checks/recording/store"
	"loomproof/checks/verdict"
	"loomproof/dashboard/station"
	"loomproof/probe/bench"
	"loomproof/scripts"
)

// groundRunOn performs the demo's ground run in emulated time.
func groundRunOn(t *testing.T, fault string) (s *procedure.Sheet) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		text, _ := scripts.Design("marsh-hen")
		d, err := design.Parse("marsh-hen.yaml", text)
		require.NoError(t, err)
		m, err := mockup.New(d, nil, 1)
		require.NoError(t, err)
		o := Options{Procedure: groundRun, Fault: fault, Seed: 1, HandsOff: true}
		require.NoError(t, Check(o))
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		b, unplug, err := newBenchOf(ctx, "", m, o.runs(m), 1, func() (*bench.Cable, error) { return bench.NewMemoryCable(), nil })
		require.NoError(t, err)
		defer unplug()
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		rec, err := newRecorder(book, b, "Marsh Hen", "test")
		require.NoError(t, err)
		st := station.Station{Design: d, Bench: b, Book: book, Desk: procedure.NewDesk(), Version: "test", Recorder: rec, Shortened: shortened}
		st.Desk.Settle = 0
		hands := make(chan struct{})
		go func() {
			defer close(hands)
			m.Hands(ctx, st.Desk, mockup.Pace{Move: 18 * time.Millisecond, Answer: true})
		}()
		begun := time.Now()
		_, err = st.Perform(ctx, groundRun)
		cancel()
		<-hands
		require.NoError(t, err)
		assert.Less(t, time.Since(begun), 90*time.Second, "in emulated time")
		sheet, err := book.Worksheet(t.Context(), 1)
		require.NoError(t, err)
		s, err = procedure.Fold(sheet.Records())
		require.NoError(t, err)
		kept, err := store.Open(book)
		require.NoError(t, err)
		require.Len(t, s.Recordings, 1)
		seal, faults, err := kept.Verify(t.Context(), s.Recordings[0].Recording)
		require.NoError(t, err)
		assert.Empty(t, faults)
		assert.Equal(t, seal.Digest, s.Recordings[0].Digest)
	})
	return s
}

// The recorded ground run of a sound aircraft has nothing to say.
func TestTheGroundRunOfASoundAircraft(t *testing.T) {
	s := groundRunOn(t, NoFault)
	assert.Empty(t, alarms(s))
	assert.Equal(t, verdict.Pass, s.Verdict, "%s", s.Summary())
	assert.Zero(t, s.Recordings[0].Gaps)
	assert.Greater(t, len(s.Steps), 12)
}

// Each fault of the charging system is found, at its place and nowhere else. The
// gate performs one; with -coverage ground-run all are.
func TestTheGroundRunFindsEachFaultOfTheChargingSystem(t *testing.T) {
	for i, f := range mockup.ChargingFaults() {
		if *coverage == "" && i != 0 {
			continue
		}
		t.Run(f.Name, func(t *testing.T) {
			s := groundRunOn(t, f.Name)
			right := false
			for _, step := range s.Steps {
				if step.Verdict == string(verdict.Fail) {
					at := slices.Contains(f.Places, step.Circuit)
					assert.True(t, at, "%s failed", step.ID)
					right = right || at
				}
			}
			assert.True(t, right, "not found: %s; it cannot tell %v", s.Summary(), s.Notes)
		})
	}
}
