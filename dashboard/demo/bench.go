package demo

import (
	"context"
	"errors"
	"time"

	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/lcdframe"
	"loomproof/probe/node"
	"loomproof/probe/port"
	"loomproof/probe/scpi"
)

// The emulated instruments' accuracy lines: a bench meter of the 6½-digit
// class on its 100 V range, a laboratory supply, a good handheld meter. Usual for such classes; no
// published source.
var (
	meterAccuracy  = probe.Accuracy{OfReading: 45e-6, OfRange: 6e-6}
	meterOhms      = probe.Accuracy{OfReading: 100e-6, OfRange: 40e-6}
	meterAmperes   = probe.Accuracy{OfReading: 500e-6, OfRange: 100e-6}
	supplyVolts    = probe.Accuracy{OfReading: 0.0005, Digits: 5}
	supplyAmperes  = probe.Accuracy{OfReading: 0.001, Digits: 50} // of 0.1 mA
	nodeAccuracy   = probe.Accuracy{OfReading: 0.002}
	nodeDivider    = 4.0 // 20 V at the bus is 5 V at the converter
	nodeBusChannel = "bus"

	handheldVolts = probe.Accuracy{OfReading: 0.0005, Digits: 2}
	handheldOhms  = probe.Accuracy{OfReading: 0.002, Digits: 2}
)

// handheldCounts is what each range of the emulated handheld meter is divided
// into, handheldInterval the time between two of its conversions: as short as its
// line carries a frame (14 bytes at 2400 baud take 58 ms).
const (
	handheldCounts   = 6000
	handheldInterval = 60 * time.Millisecond
)

// Benches are what can be on the emulated bench, the fullest first.
func Benches() [][2]string {
	return [][2]string{
		{"all", "a bench meter moved by hand, a supply in the battery's place, a node on the main bus"},
		{"meter-and-supply", "the meter and the supply"},
		{"meter", "the bench meter alone: the aircraft's own battery feeds, and nothing can cut it"},
		{"handheld", "a handheld meter alone, which sends its display"},
	}
}

// newBench makes the emulated instruments of a bench, plugs each into a line of
// the given make, and opens the other ends.
func newBench(ctx context.Context, which string, m *mockup.Mockup, seed uint64, newLine func() (*bench.Cable, error)) (b *procedure.Bench, unplug func(), err error) {
	f := fitter{ctx: ctx, mockup: m, seed: seed, newLine: newLine, bench: &procedure.Bench{Patience: 4 * time.Second}}
	steps := []func() error{f.meter, f.supply, f.node}
	switch which {
	case "meter-and-supply":
		steps = steps[:2]
	case "meter":
		steps = steps[:1]
	case "handheld":
		steps = []func() error{f.handheld}
	}
	for _, fit := range steps {
		if err := fit(); err != nil {
			f.unplug()
			return nil, nil, err
		}
	}
	return f.bench, f.unplug, nil
}

// A fitter puts instruments on a bench.
type fitter struct {
	ctx     context.Context
	mockup  *mockup.Mockup
	seed    uint64
	newLine func() (*bench.Cable, error)
	bench   *procedure.Bench
	undo    []func() error
}

func (f *fitter) unplug() {
	for i := len(f.undo) - 1; i >= 0; i-- {
		_ = f.undo[i]()
	}
}

// plug serves one end of a new line and opens the other.
func (f *fitter) plug(mode port.Mode, serve func(*bench.Cable)) (port.Conn, error) {
	c, err := f.newLine()
	if err != nil {
		return nil, err
	}
	served := make(chan struct{})
	f.undo = append(f.undo, func() error { err := c.Close(); <-served; return err })
	go func() { defer close(served); serve(c) }()
	return c.Open(mode)
}

func (f *fitter) meter() error {
	meter := bench.NewMeter(f.mockup.MeterVolts, bench.MeterOptions{
		Seed: f.seed + 1, Noise: 30e-6, Integration: 4 * time.Millisecond,
		Accuracy: bench.Accuracies{probe.Voltage: meterAccuracy, probe.Resistance: meterOhms, probe.Current: meterAmperes},
		Ohms:     f.mockup.MeterOhms, Amperes: f.mockup.MeterAmperes, LeadOhms: 0.08,
	})
	line, err := f.plug(port.Mode{Baud: 115200}, func(c *bench.Cable) { _ = meter.Serve(c.Device()) })
	if err != nil {
		return err
	}
	opened, err := scpi.OpenMeter(f.ctx, line, scpi.MeterOptions{Options: scpi.Options{Name: "meter", Accuracy: map[string]probe.Accuracy{"voltage": meterAccuracy, "resistance": meterOhms, "current": meterAmperes}}})
	if err != nil {
		return err
	}
	f.bench.Meter, f.bench.MeterAmperes = opened, procedure.SeriesAmperes
	f.undo = append(f.undo, opened.Close)
	return nil
}

// handheld is turned to what is asked for by the emulated hands.
func (f *fitter) handheld() error {
	meter := bench.NewHandheld(f.mockup.MeterVolts, bench.HandheldOptions{
		Seed: f.seed + 1, Noise: 0.2, Interval: handheldInterval, Counts: handheldCounts,
		Accuracy: bench.Accuracies{probe.Voltage: handheldVolts, probe.Resistance: handheldOhms},
		Ohms:     f.mockup.MeterOhms,
	})
	f.mockup.Turned(func(q probe.Quantity) {
		meter.Turn(map[probe.Quantity]string{probe.Voltage: "V", probe.Current: "A", probe.Resistance: "OHM"}[q])
	})
	line, err := f.plug(lcdframe.Line, func(c *bench.Cable) { _ = meter.Serve(c.Device()) })
	if err != nil {
		return err
	}
	opened, err := lcdframe.Open(f.ctx, line, lcdframe.Options{
		Name: "handheld meter", Counts: handheldCounts, Accuracy: map[string]probe.Accuracy{"voltage": handheldVolts, "resistance": handheldOhms},
	})
	if err != nil {
		return err
	}
	f.bench.Meter, f.bench.Patience = opened, 6*time.Second
	f.undo = append(f.undo, opened.Close)
	return nil
}

func (f *fitter) supply() error {
	supply := bench.NewSupply(f.mockup, bench.SupplyOptions{
		Seed: f.seed + 2, MaxVolts: 30, MaxAmperes: 60, Noise: 1e-4, Conversion: 2 * time.Millisecond,
		Accuracy: bench.Accuracies{probe.Voltage: supplyVolts, probe.Current: supplyAmperes},
	})
	line, err := f.plug(port.Mode{Baud: 115200}, func(c *bench.Cable) { _ = supply.Serve(c.Device()) })
	if err != nil {
		return err
	}
	source, err := scpi.OpenSupply(f.ctx, line, scpi.SupplyOptions{Options: scpi.Options{Name: "supply", Accuracy: map[string]probe.Accuracy{"voltage": supplyVolts, "current": supplyAmperes}}})
	if err != nil {
		return err
	}
	f.bench.Supply = source
	f.undo = append(f.undo, source.Close)
	return nil
}

func (f *fitter) node() error {
	board := bench.NewNode(func(pin int) float64 {
		if pin != 0 {
			return 0
		}
		return f.mockup.Volts("main", "battery-") / nodeDivider
	}, bench.NodeOptions{Seed: f.seed + 3})
	line, err := f.plug(node.Line, func(c *bench.Cable) { _ = board.Serve(c.Device()) })
	if err != nil {
		return err
	}
	opened, err := openNode(f.ctx, line)
	if err != nil {
		return err
	}
	f.bench.Node, f.bench.NodeBus, f.bench.NodeVolts = opened, "main", nodeBusChannel
	f.undo = append(f.undo, opened.Close)
	return nil
}

// openNode opens the node as it is wired to the Marsh Hen: the main bus through
// a divider on pin 0.
func openNode(ctx context.Context, line port.Conn) (*node.Node, error) {
	n, err := node.Open(ctx, line, node.Config{
		Name: "node", Rate: 500, Oversampling: 4,
		Channels: []node.ChannelConfig{{Name: nodeBusChannel, Quantity: probe.Voltage, Pin: 0, Scale: nodeDivider, Accuracy: nodeAccuracy, GroundIsZero: true}},
	})
	if err != nil {
		return nil, errors.Join(err, line.Close())
	}
	return n, nil
}
