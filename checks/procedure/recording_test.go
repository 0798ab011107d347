package procedure

import (
	"context"
	"math"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/mockup/charging"
	"loomproof/checks/recording"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/recording/store"
	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/node"
	"loomproof/probe/sources"
	"loomproof/scripts"
)

// recordedRun is the plan of a short ground run, with no person in it.
const recordedRun = `
run = record("Ground run")
note("%s %s" % (run.on, ", ".join(run.roles)))
keep_on(8, "Rest.")
mark("start", kind = "crank")
keep_on(7, "Start.")
if hold("Stop here?", answers = ["No"]) == "No":
    pass
mark("flight", kind = "speed set")
keep_on(25, "Hold it.")
check("regulation", "alternator-lead", recorded("bus voltage"), low = 13.6, high = 14.6, rule = "a rule")
mark("a free word")
end = end_record()
note("gaps %d" % end.gaps)
note("verdict " + analyse("alternator-lead", "battery").verdict)
`

// A running engine as a node sees it: the model goes on by the node's own scans, and
// does what the plan of [charging.GroundRun] says.
func runningEngine(faults ...charging.Fault) func(pin int) float64 {
	c := charging.MarshHen()
	c.Step = 1.0 / 16000
	m, plan := charging.New(c, faults...), charging.GroundRun()
	return func(pin int) float64 {
		if pin == 1 {
			return (m.Now().BatteryAmperes + 250) / 80
		}
		for range 16 { // a scan each millisecond
			for len(plan) > 0 && m.Now().Time >= plan[0].At {
				if err := m.Do(plan[0]); err != nil {
					panic(err)
				}
				plan = plan[1:]
			}
			m.Step()
		}
		return m.Now().Bus / 4
	}
}

// recordedOn performs the plan in emulated time, on a node behind its line and protocol;
// killed stops it at the hold point and goes on with everything new but the logbook
// and the aircraft.
func recordedOn(t *testing.T, killed bool, faults ...charging.Fault) (s *Sheet, st *store.Store, notes []string) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "logbook.db")
	synctest.Test(t, func(t *testing.T) {
		engine := runningEngine(faults...)
		perform := func(stopAtHold bool) {
			book, err := logbook.Open(path)
			require.NoError(t, err)
			defer book.Close()
			kept, err := store.Open(book)
			require.NoError(t, err)
			cable := bench.NewMemoryCable()
			served := make(chan struct{})
			go func() {
				defer close(served)
				_ = bench.NewNode(engine, bench.NodeOptions{Noise: 0.5}).Serve(cable.Device())
			}()
			defer func() { cable.Close(); <-served }()
			line, err := cable.Open(node.Line)
			require.NoError(t, err)
			exact := probe.Accuracy{OfReading: 0.002}
			n, err := node.Open(t.Context(), line, node.Config{Name: "node", Rate: 1000, Oversampling: 4, Channels: []node.ChannelConfig{
				{Name: "bus", Quantity: probe.Voltage, Pin: 0, Scale: 4, Accuracy: exact, GroundIsZero: true},
				{Name: "battery current", Quantity: probe.Current, Pin: 1, Scale: 80, Offset: -250, Accuracy: exact},
			}})
			require.NoError(t, err)
			source := sources.Opened(n)
			defer sources.Of(source).Close()
			rec := recorder.New(kept, []*sources.Source{sources.Of(source)}, "Marsh Hen", "test")
			sheet, err := book.Begin(t.Context(), logbook.Opening{Procedure: "run", Script: recordedRun, Design: string(text), File: "marsh-hen.yaml"})
			if list, _ := book.Worksheets(t.Context()); len(list) > 1 {
				sheet, err = book.Worksheet(t.Context(), 1)
			}
			require.NoError(t, err)
			desk := NewDesk()
			desk.Settle = 0
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			asked := make(chan struct{})
			go func() {
				defer close(asked)
				_ = desk.Until(ctx, func(v View) bool { return v.Now.Asks() })
				if stopAtHold {
					stop()
					return
				}
				v, _ := desk.View()
				_ = desk.Answer(Answer{ID: v.Now.ID, Choice: v.Now.Answers[0], By: "Tove"})
			}()
			p := Performance{
				Design: d, Sheet: sheet, Name: "run", Script: []byte(recordedRun), Desk: desk, Recorder: rec,
				Bench: &Bench{Node: source, NodeBus: "main", NodeVolts: "bus"},
			}
			err = p.Perform(ctx)
			stop()
			<-asked
			if stopAtHold {
				require.ErrorIs(t, err, context.Canceled)
				return
			}
			require.NoError(t, err)
		}
		if killed {
			perform(true)
			time.Sleep(3 * time.Second) // emulated: the program is started again
		}
		perform(false)
	})
	book, err := logbook.Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { book.Close() })
	w, err := book.Worksheet(t.Context(), 1)
	require.NoError(t, err)
	s, err = Fold(w.Records())
	require.NoError(t, err)
	st, err = store.Open(book)
	require.NoError(t, err)
	return s, st, s.Notes
}

// A procedure records, marks, judges what was recorded and analyses it; the digest
// of the recording is in its chain.
func TestAProcedureRecordsAndAnalyses(t *testing.T) {
	s, st, notes := recordedOn(t, false)
	assert.Contains(t, notes, "True bus voltage, battery current")
	assert.Contains(t, notes, "gaps 0")
	require.Len(t, s.Recordings, 1)
	x := s.Recordings[0]
	assert.Equal(t, "ended in order", x.Why)
	assert.InDelta(t, 40, x.Seconds, 1)
	seal, faults, err := st.Verify(t.Context(), x.Recording)
	require.NoError(t, err)
	assert.Empty(t, faults)
	assert.Equal(t, seal.Digest, x.Digest)
	r, err := st.Recording(t.Context(), x.Recording)
	require.NoError(t, err)
	require.Len(t, r.Markers(), 3)
	assert.Equal(t, recording.Crank, r.Markers()[0].Kind)
	assert.Equal(t, "flight", r.Markers()[1].Text)
	assert.Equal(t, recording.SpeedSet, r.Markers()[1].Kind)
	assert.Equal(t, "run", r.Markers()[1].By)

	regulation := stepNamed(s, "alternator-lead/regulation")
	require.NotNil(t, regulation)
	assert.Equal(t, "pass", regulation.Verdict)
	assert.Equal(t, "main", regulation.From)
	crank := stepNamed(s, "battery/least voltage of the crank")
	require.NotNil(t, crank, "%v", stepIDs(s))
	assert.Equal(t, "pass", crank.Verdict)
	assert.NotEmpty(t, crank.Rule.Text)
	setPoint := stepNamed(s, "alternator-lead/regulator set-point")
	require.NotNil(t, setPoint, "%v", stepIDs(s))
	assert.InDelta(t, 14.2, *setPoint.Reading, 0.25, "it sinks by load and warmth")
}

// What is wrong is found at its place.
func TestTheAnalysisOfAProcedureFindsAFault(t *testing.T) {
	s, _, _ := recordedOn(t, false, charging.Fault{Kind: charging.HighSetPoint, Size: 1.2})
	step := stepNamed(s, "alternator-lead/regulator set-point")
	require.NotNil(t, step)
	assert.Equal(t, "fail", step.Verdict)
	assert.NotEmpty(t, step.Finding)
	assert.NotEmpty(t, step.Try)
}

// Stopped in the midst of a recording, the worksheet goes on with another stretch,
// says so, and the gap is in the figures.
func TestAStoppedWorksheetGoesOnRecording(t *testing.T) {
	s, st, notes := recordedOn(t, true)
	require.Len(t, s.Recordings, 2)
	var parts []recording.Recording
	for _, x := range s.Recordings {
		assert.NotEmpty(t, x.Digest)
		r, err := st.Recording(t.Context(), x.Recording)
		require.NoError(t, err)
		parts = append(parts, r)
	}
	assert.Contains(t, notes, "The recording was cut short when the worksheet stopped. What is between is missing; it goes on as another one.")
	assert.Contains(t, notes, "gaps 1")
	whole, err := recording.Join(parts...)
	require.NoError(t, err)
	gaps, err := recording.Gaps(whole, 0, math.Inf(-1), math.Inf(1))
	require.NoError(t, err)
	require.Len(t, gaps, 1)
	assert.InDelta(t, 3, gaps[0].To-gaps[0].From, 1)
	assert.True(t, s.Closed)
}

func stepNamed(s *Sheet, id string) *Step {
	for i := range s.Steps {
		if s.Steps[i].ID == id {
			return &s.Steps[i]
		}
	}
	return nil
}

func stepIDs(s *Sheet) (ids []string) {
	for _, x := range s.Steps {
		ids = append(ids, x.ID)
	}
	return ids
}
