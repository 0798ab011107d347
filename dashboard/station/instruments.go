package station

import (
	"context"
	"fmt"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/procedure"
	"loomproof/probe"
	"loomproof/probe/node"
	"loomproof/probe/port"
	"loomproof/probe/scpi"
)

// Instruments say which instruments are on the bench, as the command line has
// it. Empty ports are instruments that are not there.
type Instruments struct {
	Meter, Supply, Node                         string // PORT or PORT,MODE
	MeterAccuracy, SupplyAccuracy, NodeAccuracy string
	NodeDivider                                 float64
}

// Open opens the instruments; the design says which bus a node is wired to.
func (i Instruments) Open(ctx context.Context, d *design.Design) (b *procedure.Bench, closeAll func(), err error) {
	b = &procedure.Bench{}
	var opened []probe.Source
	shut := func() {
		for _, s := range opened {
			_ = s.Close()
		}
	}
	defer func() {
		if err != nil {
			shut()
		}
	}()
	if i.Meter != "" {
		line, accuracy, err := i.line(i.Meter, i.MeterAccuracy)
		if err != nil {
			return nil, nil, fmt.Errorf("meter: %w", err)
		}
		m, err := scpi.OpenMeter(ctx, line, scpi.MeterOptions{Options: scpi.Options{Name: "meter", Accuracy: map[string]probe.Accuracy{"voltage": accuracy}}})
		if err != nil {
			return nil, nil, fmt.Errorf("meter: %w", err)
		}
		b.Meter = m
		opened = append(opened, m)
	}
	if i.Supply != "" {
		line, accuracy, err := i.line(i.Supply, i.SupplyAccuracy)
		if err != nil {
			return nil, nil, fmt.Errorf("supply: %w", err)
		}
		s, err := scpi.OpenSupply(ctx, line, scpi.SupplyOptions{Options: scpi.Options{Name: "supply", Accuracy: map[string]probe.Accuracy{"voltage": accuracy, "current": accuracy}}})
		if err != nil {
			return nil, nil, fmt.Errorf("supply: %w", err)
		}
		b.Supply = s
		opened = append(opened, s)
	}
	if i.Node != "" {
		accuracy, err := probe.ParseAccuracy(i.NodeAccuracy)
		if err != nil {
			return nil, nil, fmt.Errorf("node: %w", err)
		}
		line, err := port.Open(i.Node, node.Line)
		if err != nil {
			return nil, nil, fmt.Errorf("node: %w", err)
		}
		n, err := node.Open(ctx, line, node.Config{
			Name: "node", Oversampling: 8,
			Channels: []node.ChannelConfig{{Name: "bus", Quantity: probe.Voltage, Scale: i.NodeDivider, Accuracy: accuracy, GroundIsZero: true}},
		})
		if err != nil {
			return nil, nil, fmt.Errorf("node: %w", err)
		}
		b.Node, b.NodeVolts, b.NodeBus = n, "bus", d.Buses[0].Name
		opened = append(opened, n)
	}
	return b, shut, nil
}

// line opens PORT or PORT,MODE and reads the accuracy line that goes with it.
func (i Instruments) line(name, accuracy string) (port.Conn, probe.Accuracy, error) {
	a, err := probe.ParseAccuracy(accuracy)
	if err != nil {
		return nil, a, err
	}
	name, text, hasMode := strings.Cut(name, ",")
	mode := port.Mode{}
	if hasMode {
		if mode, err = port.ParseMode(text); err != nil {
			return nil, a, err
		}
	}
	conn, err := port.Open(name, mode)
	return conn, a, err
}
