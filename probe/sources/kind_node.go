package sources

import (
	"context"

	"loomproof/probe"
	"loomproof/probe/layout"
	"loomproof/probe/node"
	"loomproof/probe/port"
)

type nodeBoard struct {
	Entry
	Rate         float64        `key:"rate" doc:"Scans a second; a scan takes one sample of each channel. Default 500."`
	Oversampling int            `key:"oversampling" doc:"Conversions summed into a sample: 1, 2, 4, 8, 16, 32 or 64. Default 8."`
	Window       Duration       `key:"window" doc:"How long a reading is averaged. Default 100 ms."`
	Channels     []*nodeChannel `key:"channels,required" doc:"What stands at its inputs, by name."`
}

type nodeChannel struct {
	layout.Pos
	Name     string         `key:"-"`
	Pin      int            `key:"pin" doc:"The converter's channel, 0 to 7; 8 and 9 are the shunt monitor's bus voltage and shunt. Default 0."`
	Quantity probe.Quantity `key:"quantity" doc:"voltage, current, temperature, resistance or frequency. Default voltage."`
	Scale    float64        `key:"scale" doc:"Units for each volt at the pin: 4 behind a divider by four, 500 behind a shunt that gives 2 mV for each ampere. Default 1."`
	Offset   float64        `key:"offset" doc:"What the channel shows at 0 V at the pin, in its unit. Default 0."`
	Accuracy accuracyLine   `key:"accuracy,required" doc:"Accuracy of the whole input: divider or shunt, amplifier, reference and converter, as 1 % + 1 digit."`
	Drift    accuracyLine   `key:"drift" doc:"What may have moved since the calibration that the board holds. Default 0.2 % + 1 digit (common practice)."`
	Signed   bool           `key:"signed" doc:"The input can go below ground: then the lowest code is the end of its range and no reading."`
	Clipped  string         `key:"clipped-to" doc:"Terminal of the design that it is clipped to: a bus, as main."`
}

// accuracyLine is an accuracy as a manual prints it.
type accuracyLine struct{ probe.Accuracy }

func (a *accuracyLine) UnmarshalText(text []byte) (err error) {
	a.Accuracy, err = probe.ParseAccuracy(string(text))
	return err
}

func (b *nodeBoard) check(r *layout.Reader) {
	for _, lines := range []Accuracies{b.Accuracy, b.Drift} {
		for _, a := range lines {
			r.Errorf(a.Pos, "source %q: a node's accuracy and drift stand below each of its channels", b.Name)
		}
	}
	if b.Calibration != "" {
		r.Errorf(b.Pos, "source %q: a node keeps its calibration on the board; take the line calibration out", b.Name)
	}
	if len(b.Channels) == 0 {
		r.Errorf(b.Pos, "source %q: name at least one channel", b.Name)
		return
	}
	for _, c := range b.Channels {
		if c.Quantity != "" && c.Quantity.Unit() == "" {
			r.Errorf(c.Pos, "channel %q: quantity %q: write voltage, current, temperature, resistance or frequency", c.Name, c.Quantity)
			return
		}
	}
	if err := b.config().Check(); err != nil {
		r.Errorf(b.Pos, "%v", err)
	}
}

func (b *nodeBoard) config() node.Config {
	cfg := node.Config{
		Name: b.Name, Rate: b.Rate, Oversampling: b.Oversampling, Window: b.Window.Duration,
		Calibrated: b.Calibrated.Time, Certificate: b.Certificate,
	}
	if cfg.Oversampling == 0 {
		cfg.Oversampling = 8
	}
	for _, c := range b.Channels {
		q := c.Quantity
		if q == "" {
			q = probe.Voltage
		}
		cfg.Channels = append(cfg.Channels, node.ChannelConfig{
			Name: c.Name, Quantity: q, Pin: c.Pin, Scale: c.Scale, Offset: c.Offset,
			Accuracy: c.Accuracy.Accuracy, Drift: c.Drift.Accuracy, GroundIsZero: !c.Signed,
		})
	}
	return cfg
}

func (b *nodeBoard) open(ctx context.Context, conn port.Conn) (probe.Source, error) {
	n, err := node.Open(ctx, conn, b.config())
	if err != nil {
		return nil, err
	}
	return n, nil
}

// clipped says which channels are clipped to which terminal.
func (b *nodeBoard) clipped() map[string]string {
	out := map[string]string{}
	for _, c := range b.Channels {
		if c.Clipped != "" {
			out[c.Name] = c.Clipped
		}
	}
	return out
}

// states: each of a node's channels must state its accuracy.
func (b *nodeBoard) states(string) bool { return true }

func (b *nodeBoard) listed() []probe.Channel {
	var out []probe.Channel
	for _, c := range b.config().Channels {
		out = append(out, probe.Channel{Name: c.Name, Quantity: c.Quantity})
	}
	return out
}

func (b *nodeBoard) stated(channel string, _ float64) (probe.Accuracy, bool) {
	for _, c := range b.Channels {
		if c.Name == channel {
			return c.Accuracy.Accuracy, true
		}
	}
	return probe.Accuracy{}, false
}
