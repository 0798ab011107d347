package demo

import (
	"context"

	"loomproof/checks/logbook"
	"loomproof/checks/mockup"
	"loomproof/checks/mockup/charging"
	"loomproof/checks/procedure"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/recording/store"
	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/node"
	"loomproof/probe/sources"
)

// groundRun is the procedure with the engine turning.
const groundRun = "ground-run"

// shortened is the part of the time for which the demo keeps each recorded state up.
// Time itself runs as ever.
const shortened = 0.35

// The node of a ground run: the main bus behind its divider and the battery's
// current by an amplifier, as fast as the board can convert two inputs.
const (
	runRate       = 4000.0 // scans a second
	ampereScale   = 80.0   // A for each volt at the pin
	ampereOffset  = -250.0 // A at 0 V
	stepsPerScan  = 4      // of the charging system's model
	currentOfNode = "battery current"
)

func chargingFault(name string) (mockup.ChargingFault, bool) {
	for _, f := range mockup.ChargingFaults() {
		if f.Name == name {
			return f, true
		}
	}
	return mockup.ChargingFault{}, false
}

// runs gives the aircraft an engine that turns, for a ground run with a node in
// which nothing or the charging system is at fault; nil for all else.
func (o Options) runs(m *mockup.Mockup) *mockup.Running {
	f, faulty := chargingFault(o.Fault)
	if o.procedure() != groundRun || !faulty && o.Fault != NoFault || o.Bench != "" && o.Bench != "all" {
		return nil
	}
	c := charging.MarshHen()
	c.Seed, c.Step = o.Seed, 1/(runRate*stepsPerScan)
	if faulty {
		return mockup.NewRunning(m, "cranking", c, f.Fault)
	}
	return mockup.NewRunning(m, "cranking", c)
}

// newBenchOf is a bench whose node, when the engine runs, stands at bus and battery.
func newBenchOf(ctx context.Context, which string, m *mockup.Mockup, run *mockup.Running, seed uint64, newLine func() (*bench.Cable, error)) (*procedure.Bench, func(), error) {
	if run == nil {
		return newBench(ctx, which, m, seed, newLine)
	}
	b, unplug, err := newBench(ctx, "meter-and-supply", m, seed, newLine)
	if err != nil {
		return nil, nil, err
	}
	f := fitter{ctx: ctx, mockup: m, seed: seed, newLine: newLine, bench: b, undo: []func() error{func() error { unplug(); return nil }}}
	if err := f.runningNode(run); err != nil {
		f.unplug()
		return nil, nil, err
	}
	return b, f.unplug, nil
}

// runningNode is a node on the charging system, which goes on by a scan's time with
// each scan.
func (f *fitter) runningNode(run *mockup.Running) error {
	board := bench.NewNode(func(pin int) float64 {
		if pin == 1 {
			return (run.BatteryAmperes() - ampereOffset) / ampereScale
		}
		run.Advance(1 / runRate)
		return run.Bus() / nodeDivider
	}, bench.NodeOptions{Seed: f.seed + 3})
	line, err := f.plug(node.Line, func(c *bench.Cable) { _ = board.Serve(c.Device()) })
	if err != nil {
		return err
	}
	n, err := node.Open(f.ctx, line, node.Config{Name: "node", Rate: runRate, Oversampling: 1, Channels: []node.ChannelConfig{
		{Name: nodeBusChannel, Quantity: probe.Voltage, Pin: 0, Scale: nodeDivider, Accuracy: nodeAccuracy, GroundIsZero: true},
		{Name: currentOfNode, Quantity: probe.Current, Pin: 1, Scale: ampereScale, Offset: ampereOffset, Accuracy: nodeAccuracy},
	}})
	if err != nil {
		line.Close()
		return err
	}
	opened := sources.Opened(n)
	f.bench.Node, f.bench.NodeBus, f.bench.NodeVolts = opened, "main", nodeBusChannel
	f.undo = append(f.undo, sources.Of(opened).Close)
	return nil
}

func newRecorder(book *logbook.Book, b *procedure.Bench, aircraft, version string) (*recorder.Recorder, error) {
	st, err := store.Open(book)
	if err != nil {
		return nil, err
	}
	return recorder.New(st, []*sources.Source{sources.Of(b.Node)}, aircraft, version), nil
}
