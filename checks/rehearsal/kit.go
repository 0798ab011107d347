package rehearsal

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"loomproof/checks/design"
	"loomproof/checks/procedure"
	"loomproof/probe"
)

// A Kit is the instruments that will be on the bench; nil is one that is not.
type Kit struct {
	Meter, Supply, Node *Instrument

	NodeBus    string   // the bus that the node reads; "" is the design's first
	NodeShunts []string // circuits whose current it reads
}

// An Instrument is how one of them reads.
type Instrument struct {
	Says string // its name and accuracy, for people

	// Accuracy is that of a quantity on the range with a full scale; false where it
	// cannot be judged, or not read at all.
	Accuracy func(q probe.Quantity, full float64) (probe.Accuracy, bool)

	// Reads tells what it has a channel for; nil for everything.
	Reads func(q probe.Quantity) bool
}

// Rated is an instrument with one accuracy line for all that it reads.
func Rated(name string, a probe.Accuracy) *Instrument {
	return &Instrument{Says: name + " " + a.String(), Accuracy: func(probe.Quantity, float64) (probe.Accuracy, bool) { return a, true }}
}

// words names the instruments with their accuracy.
func (k Kit) words() []string {
	out := []string{}
	for _, i := range []*Instrument{k.Meter, k.Supply, k.Node} {
		if i != nil {
			out = append(out, i.Says)
		}
	}
	return out
}

// bench makes instruments that read what the crew's aircraft has.
func (k Kit) bench(c *crew) *procedure.Bench {
	b := &procedure.Bench{Patience: 2 * time.Second}
	if k.Meter != nil {
		if _, ok := k.Meter.Accuracy(probe.Current, procedure.SeriesAmperes); ok {
			b.MeterAmperes = procedure.SeriesAmperes
		}
		b.Meter = &pretended{crew: c, name: "meter", Instrument: *k.Meter, channels: k.Meter.channels()}
	}
	if k.Supply != nil {
		b.Supply = &pretended{crew: c, name: "supply", Instrument: *k.Supply, channels: channels(probe.Voltage, probe.Current)}
	}
	if k.Node != nil {
		n := &pretended{crew: c, name: "node", Instrument: *k.Node, channels: []probe.Channel{{Name: "bus", Quantity: probe.Voltage}}}
		b.Node, b.NodeVolts, b.NodeBus = n, "bus", k.NodeBus
		if b.NodeBus == "" {
			b.NodeBus = c.design.Buses[0].Name
		}
		n.bus = b.NodeBus
		b.NodeShunts = map[string]string{}
		for _, circuit := range k.NodeShunts {
			n.channels = append(n.channels, probe.Channel{Name: circuit, Quantity: probe.Current})
			b.NodeShunts[circuit] = circuit
		}
	}
	return b
}

// channels are those of the quantities that it can be judged on; an ohmmeter's open
// leads need no accuracy.
func (i Instrument) channels() []probe.Channel {
	out := channels(probe.Voltage)
	for _, q := range []probe.Quantity{probe.Current, probe.Resistance} {
		if i.Reads == nil || i.Reads(q) {
			out = append(out, channels(q)...)
		}
	}
	return out
}

func channels(qs ...probe.Quantity) []probe.Channel {
	var out []probe.Channel
	for _, q := range qs {
		out = append(out, probe.Channel{Name: string(q), Quantity: q})
	}
	return out
}

// A pretended instrument reads without waiting; its clock runs along.
type pretended struct {
	Instrument
	crew     *crew
	name     string
	channels []probe.Channel
	bus      string // that a node reads

	mu     sync.Mutex
	at     time.Time
	lifted int // readings to come with the probes in the air
	volts  float64
	limit  float64
	on     bool
}

func (p *pretended) Identity() probe.Identity  { return probe.Identity{Name: p.name} }
func (p *pretended) Channels() []probe.Channel { return p.channels }
func (p *pretended) Close() error              { return nil }

// every is the time between two readings, on the instrument's own clock; inAir is
// how many of them show lifted probes when they are moved.
const (
	every = 300 * time.Millisecond
	inAir = 2
)

// Read gives what stands there now.
func (p *pretended) Read(ctx context.Context, channel string) (probe.Reading, error) {
	if err := ctx.Err(); err != nil {
		return probe.Reading{}, context.Cause(ctx)
	}
	p.crew.use(p.name)
	q := probe.Quantity(channel)
	value, refused := 0.0, error(nil)
	switch p.name {
	case "meter":
		value, refused = p.meter(q)
	case "supply":
		volts, amperes := p.crew.mockup.Output()
		if value = volts; q == probe.Current {
			value = amperes
		}
	case "node":
		if q = probe.Current; channel == "bus" {
			q = probe.Voltage
			value = p.crew.mockup.Volts(p.bus, p.crew.minus())
			break
		}
		value = p.crew.mockup.Amperes(channel)
	}
	if refused != nil {
		return probe.Reading{}, refused
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.at.IsZero() {
		p.at = time.Now()
	}
	p.at = p.at.Add(every)
	full := scale(value)
	accuracy, ok := p.Accuracy(q, full)
	if !ok {
		return probe.Reading{}, fmt.Errorf("%s: its accuracy on %s, range %g %s, is not stated, or it does not read that", p.Says, q, full, q.Unit())
	}
	return probe.Reading{Value: value, Quantity: q, Source: p.name, Channel: channel, At: p.at, Accuracy: accuracy, FullScale: full, Digit: full / counts}, nil
}

// counts is what a range of a usual handheld meter is divided into, and scale the
// range that a value is read on: 0.6, 6, 60 ... Common practice; no published
// source.
const counts = 6000

func scale(v float64) float64 {
	if v = math.Abs(v); v <= 0.6 {
		return 0.6
	}
	return 6 * math.Pow(10, math.Ceil(math.Log10(v/6)))
}

// meter reads between the probes; they are put where the desk wants them.
func (p *pretended) meter(q probe.Quantity) (float64, error) {
	v, _ := p.crew.desk.View()
	if p.crew.probing(v) {
		p.lifted = inAir
	}
	if p.lifted > 0 {
		p.lifted--
		if q == probe.Resistance {
			return 0, &probe.Refusal{Source: p.name, Reason: probe.Overload}
		}
		return 0, nil
	}
	if n := v.Now; n.Kind == procedure.DoProbe {
		p.crew.mockup.Place(n.Red, n.Black, n.Joined...)
		if n.Action != "" {
			p.crew.mockup.Move(n.Action, n.Circuit)
		}
	}
	switch q {
	case probe.Voltage:
		volts, _ := p.crew.mockup.MeterVolts()
		return volts, nil
	case probe.Resistance:
		ohms, touching := p.crew.mockup.MeterOhms()
		if !touching || ohms > openOhms {
			return 0, &probe.Refusal{Source: p.name, Reason: probe.Overload}
		}
		return ohms, nil
	case probe.Current:
		amperes, _ := p.crew.mockup.MeterAmperes()
		return amperes, nil
	}
	return 0, fmt.Errorf("a rehearsal reads volts, amperes and ohms, no %s", q)
}

// minus is what a node reads its bus against.
func (c *crew) minus() string {
	if b := c.design.SourceOf(design.Battery); b != nil {
		return b.Name + "-"
	}
	return c.design.Sources[0].Name + "-"
}

// openOhms is above every range.
const openOhms = 60e6

// Set, Output and Cut are those of a supply.
func (p *pretended) Set(_ context.Context, volts, amperes float64) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.volts, p.limit = volts, amperes
	if p.on {
		p.crew.mockup.Drive(volts, amperes, true)
	}
	return nil
}

// Output feeds the aircraft, or not.
func (p *pretended) Output(_ context.Context, on bool) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.crew.use(p.name)
	p.on = on
	p.crew.mockup.Drive(p.volts, p.limit, on)
	return nil
}

// Cut takes the power away.
func (p *pretended) Cut(ctx context.Context) error { return p.Output(ctx, false) }

// GoodKit is every instrument, each of the better class. Usual for such classes;
// no published source.
func GoodKit() Kit {
	a := probe.Accuracy{OfReading: 50e-6, OfRange: 10e-6}
	return Kit{Meter: Rated("meter", a), Supply: Rated("supply", a), Node: Rated("node", a)}
}
