package demo

import (
	"context"
	"errors"
	"time"

	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/probe"
	"loomproof/probe/bench"
	"loomproof/probe/node"
	"loomproof/probe/port"
	"loomproof/probe/scpi"
)

// The emulated instruments' accuracy lines: a bench meter of the 6½-digit
// class on its 100 V range, and a laboratory supply. Usual for such classes; no
// published source.
var (
	meterAccuracy  = probe.Accuracy{OfReading: 45e-6, OfRange: 6e-6}
	meterOhms      = probe.Accuracy{OfReading: 100e-6, OfRange: 40e-6}
	supplyVolts    = probe.Accuracy{OfReading: 0.0005, Digits: 5}
	supplyAmperes  = probe.Accuracy{OfReading: 0.001, Digits: 50} // of 0.1 mA
	nodeAccuracy   = probe.Accuracy{OfReading: 0.002}
	nodeDivider    = 4.0 // 20 V at the bus is 5 V at the converter
	nodeBusChannel = "bus"
)

// newBench makes the emulated instruments, plugs each into a line of the given
// make, and opens the other ends.
func newBench(ctx context.Context, m *mockup.Mockup, seed uint64, newLine func() (*bench.Cable, error)) (b *procedure.Bench, unplug func(), err error) {
	var undo []func() error
	unplug = func() {
		for i := len(undo) - 1; i >= 0; i-- {
			_ = undo[i]()
		}
	}
	defer func() {
		if err != nil {
			unplug()
		}
	}()
	plug := func(mode port.Mode, serve func(*bench.Cable)) (port.Conn, error) {
		c, err := newLine()
		if err != nil {
			return nil, err
		}
		served := make(chan struct{})
		undo = append(undo, func() error { err := c.Close(); <-served; return err })
		go func() { defer close(served); serve(c) }()
		return c.Open(mode)
	}
	b = &procedure.Bench{NodeBus: "main", NodeVolts: nodeBusChannel, Patience: 1500 * time.Millisecond}

	meter := bench.NewMeter(m.MeterVolts, bench.MeterOptions{
		Seed: seed + 1, Noise: 30e-6, Integration: 4 * time.Millisecond,
		Accuracy: bench.Accuracies{probe.Voltage: meterAccuracy, probe.Resistance: meterOhms},
		Ohms:     m.MeterOhms, LeadOhms: 0.08,
	})
	line, err := plug(port.Mode{Baud: 115200}, func(c *bench.Cable) { _ = meter.Serve(c.Device()) })
	if err != nil {
		return nil, nil, err
	}
	opened, err := scpi.OpenMeter(ctx, line, scpi.MeterOptions{Options: scpi.Options{Name: "meter", Accuracy: map[string]probe.Accuracy{"voltage": meterAccuracy, "resistance": meterOhms}}})
	if err != nil {
		return nil, nil, err
	}
	b.Meter = opened
	undo = append(undo, opened.Close)

	supply := bench.NewSupply(m, bench.SupplyOptions{
		Seed: seed + 2, MaxVolts: 30, MaxAmperes: 60, Noise: 1e-4, Conversion: 2 * time.Millisecond,
		Accuracy: bench.Accuracies{probe.Voltage: supplyVolts, probe.Current: supplyAmperes},
	})
	line, err = plug(port.Mode{Baud: 115200}, func(c *bench.Cable) { _ = supply.Serve(c.Device()) })
	if err != nil {
		return nil, nil, err
	}
	source, err := scpi.OpenSupply(ctx, line, scpi.SupplyOptions{Options: scpi.Options{Name: "supply", Accuracy: map[string]probe.Accuracy{"voltage": supplyVolts, "current": supplyAmperes}}})
	if err != nil {
		return nil, nil, err
	}
	b.Supply = source
	undo = append(undo, source.Close)

	board := bench.NewNode(func(pin int) float64 {
		if pin != 0 {
			return 0
		}
		return m.Volts("main", "battery-") / nodeDivider
	}, bench.NodeOptions{Seed: seed + 3})
	line, err = plug(node.Line, func(c *bench.Cable) { _ = board.Serve(c.Device()) })
	if err != nil {
		return nil, nil, err
	}
	b.Node, err = openNode(ctx, line)
	if err != nil {
		return nil, nil, err
	}
	undo = append(undo, b.Node.Close)
	return b, unplug, nil
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
