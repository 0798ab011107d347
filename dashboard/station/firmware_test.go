package station_test

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/dashboard/report"
	"loomproof/dashboard/station"
	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/node"
	"loomproof/probe/node/board"
	"loomproof/probe/sources"
	"loomproof/scripts"
)

const (
	divider = 4.0
	seed    = 3
	// The step that the node reads: the meter has read the same bus before it.
	nodeStep  = "master/bus voltage#3"
	meterStep = "master/bus voltage#2"
)

// Volts at a pin of the converter to a verdict in the report: the board's real
// firmware, its real line and the program's own way to open it. Meter and
// supply are emulated at the far ends of pseudo-terminals.
func TestFirstPowerOnWithTheRealFirmware(t *testing.T) {
	w := newWorkshop(t, nil)
	rep, err := w.station.Perform(w.ctx, "first-power-on")
	require.NoError(t, err)
	sheet := w.sheet()

	step := stepOf(t, sheet, nodeStep)
	assert.Equal(t, "pass", step.Verdict)
	assert.NotNil(t, step.Probability)
	require.Len(t, step.Captures, 1)
	captured := sheet.Captures[step.Captures[0]]
	assert.Equal(t, "node", captured.Last.Source)
	assert.Equal(t, "main", captured.Red)
	truth, seen := w.node.truth()
	require.Positive(t, seen)
	assert.InDelta(t, truth, *step.Reading, *step.Uncertainty, "the bus stood at %v V", truth)
	assert.Greater(t, *step.Uncertainty, 0.0)

	// The node and the meter do not share a converter, and agree.
	byMeter := sheet.Captures[stepOf(t, sheet, meterStep).Captures[0]]
	assert.Equal(t, "meter", byMeter.Last.Source)
	assert.InDelta(t, byMeter.Value, *step.Reading, *step.Uncertainty)

	inReport := reported(t, rep, nodeStep)
	assert.Equal(t, "pass", inReport.Verdict)
	assert.Equal(t, *step.Reading, *inReport.Reading)
	assert.Contains(t, names(rep), "node")
	assert.True(t, rep.Finished)
	assert.Equal(t, 0, rep.Exit(), "%+v", rep.Findings)
}

// A bus that a bad joint and a load nobody knows of pull below its limit fails
// at the node's step, too.
func TestALowBusFailsAtTheNode(t *testing.T) {
	w := newWorkshop(t, []airframe.Fault{
		{Kind: airframe.HighResistanceJoint, At: "master/2", Size: 0.4},
		{Kind: airframe.ParasiticLoad, At: "main", Size: 0.4},
	})
	ended := make(chan error, 1)
	stop, cancel := context.WithCancel(w.ctx)
	defer cancel()
	go func() {
		_, err := w.station.Perform(stop, "first-power-on")
		ended <- err
	}()
	require.NoError(t, w.station.Desk.Until(w.ctx, func(v procedure.View) bool {
		for _, s := range v.Steps {
			if s.ID == nodeStep {
				return true
			}
		}
		return v.Now.Kind == procedure.DoEnded
	}))
	cancel()
	require.ErrorIs(t, <-ended, context.Canceled)

	sheet := w.sheet()
	step := stepOf(t, sheet, nodeStep)
	assert.Equal(t, "fail", step.Verdict)
	assert.Less(t, *step.Reading, *step.Low)
	assert.Equal(t, "node", sheet.Captures[step.Captures[0]].Last.Source)
	truth, _ := w.node.truth()
	assert.InDelta(t, truth, *step.Reading, *step.Uncertainty)
	assert.True(t, w.board.Cut(), "stopped early: the power is cut")
	volts, _ := w.mockup.Output()
	assert.Zero(t, volts)
}

// A workshop is a station with its bench, and an aircraft that is not there.
type workshop struct {
	t       *testing.T
	ctx     context.Context
	station *station.Station
	mockup  *mockup.Mockup
	board   *board.Board
	node    *witnessed
}

func newWorkshop(t *testing.T, faults []airframe.Fault) *workshop {
	t.Helper()
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	m, err := mockup.New(d, faults, seed)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	var crew sync.WaitGroup
	t.Cleanup(crew.Wait)
	t.Cleanup(cancel)

	brd := board.Start(t)
	crew.Go(func() { follow(ctx, brd, m) })
	meter := bench.NewMeter(m.MeterVolts, bench.MeterOptions{
		Seed: seed, Noise: 30e-6, Integration: 4 * time.Millisecond,
		Accuracy: bench.Accuracies{probe.Voltage: {OfReading: 45e-6, OfRange: 6e-6}},
	})
	supply := bench.NewSupply(m, bench.SupplyOptions{
		Seed: seed, MaxVolts: 30, MaxAmperes: 60, Noise: 1e-4, Conversion: 2 * time.Millisecond,
		Accuracy: bench.Accuracies{probe.Voltage: {OfReading: 0.0005, Digits: 5}, probe.Current: {OfReading: 0.001, Digits: 50}},
	})
	// A divider of good resistors, and half a step of the converter.
	f, err := sources.Parse("sources.yaml", []byte(fmt.Sprintf(`loomproof-sources: 1
sources:
  meter: {kind: scpi meter, port: %s, mode: 115200 8N1, accuracy: {voltage: 0.0045%% + 0.0006%% of range}}
  supply: {kind: scpi supply, port: %s, mode: 115200 8N1, accuracy: {voltage: 0.1%% + 50 digits, current: 0.1%% + 50 digits}}
  node: {kind: node, port: %s, channels: {bus: {scale: %g, accuracy: 0.05%% + 0.5 digits, clipped-to: main}}}
`, plug(t, func(c *bench.Cable) error { return meter.Serve(c.Device()) }), plug(t, func(c *bench.Cable) error { return supply.Serve(c.Device()) }),
		brd.Port(), float64(divider))))
	require.NoError(t, err)
	opened, err := station.Instruments{File: f}.Open(ctx, d)
	require.NoError(t, err)
	t.Cleanup(opened.Close)
	b := opened.Bench
	witness := &witnessed{Node: sources.Of(b.Node).Instrument().(*node.Node), m: m}
	b.Node = witness
	b.Patience = 1500 * time.Millisecond

	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	t.Cleanup(func() { book.Close() })
	s := &station.Station{Design: d, Bench: b, Book: book, Desk: procedure.NewDesk(), Version: "test"}
	s.Desk.Settle = 0 // emulated hands do not bounce
	crew.Go(func() { m.Hands(ctx, s.Desk, mockup.Pace{Move: 18 * time.Millisecond, Answer: true}) })
	return &workshop{t, ctx, s, m, brd, witness}
}

// plug puts an instrument on a pseudo-terminal and gives the port's name.
func plug(t *testing.T, serve func(*bench.Cable) error) string {
	t.Helper()
	c, err := bench.NewCable()
	require.NoError(t, err)
	served := make(chan struct{})
	go func() {
		defer close(served)
		assert.NoError(t, serve(c))
	}()
	t.Cleanup(func() { c.Close(); <-served })
	return c.Name()
}

// follow lets the board's pin 0 stand at the main bus, behind the divider. The
// mock-up tells nobody when it changes, so it is asked often; the script reads
// the node long after a hand has moved.
func follow(ctx context.Context, b *board.Board, m *mockup.Mockup) {
	tick := time.NewTicker(3 * time.Millisecond)
	defer tick.Stop()
	stands := math.NaN()
	for {
		if v := bus(m); v != stands {
			b.SetVolts(0, v/divider)
			stands = v
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

func bus(m *mockup.Mockup) float64 { return m.Volts("main", "battery-") }

// A witnessed node notes what the bus really stood at when it was read.
type witnessed struct {
	*node.Node
	m *mockup.Mockup

	mu    sync.Mutex
	volts float64
	reads int
}

func (w *witnessed) Read(ctx context.Context, channel string) (probe.Reading, error) {
	r, err := w.Node.Read(ctx, channel)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.volts = bus(w.m)
	w.reads++
	return r, err
}

func (w *witnessed) truth() (volts float64, reads int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.volts, w.reads
}

func (w *workshop) sheet() *procedure.Sheet {
	w.t.Helper()
	book, err := w.station.Book.Worksheet(context.Background(), 1)
	require.NoError(w.t, err)
	require.NoError(w.t, book.Check())
	s, err := procedure.Fold(book.Records())
	require.NoError(w.t, err)
	return s
}

func stepOf(t *testing.T, s *procedure.Sheet, id string) procedure.Step {
	t.Helper()
	ids := []string{}
	for _, step := range s.Steps {
		if step.ID == id {
			return step
		}
		ids = append(ids, step.ID)
	}
	require.Fail(t, "no step "+id, "%q", ids)
	return procedure.Step{}
}

func reported(t *testing.T, r *report.Report, id string) report.Step {
	t.Helper()
	for _, step := range r.Steps {
		if step.ID == id {
			return step
		}
	}
	require.Fail(t, "no step "+id+" in the report")
	return report.Step{}
}

func names(r *report.Report) []string {
	var out []string
	for _, i := range r.Instruments {
		out = append(out, i.Name)
	}
	return out
}
