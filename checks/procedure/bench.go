package procedure

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"loomproof/probe"
)

// A Bench is the instruments that a performance uses. Any may be nil: a
// procedure asks for what it needs.
type Bench struct {
	Meter  probe.Source // moved from point to point by hand; channel "voltage"
	Supply probe.Supply // feeds the aircraft; channels "voltage" and "current"
	Node   probe.Source // our board, wired to fixed points

	// NodeVolts is the node's channel that reads the voltage of the bus NodeBus
	// against the battery's minus; "" if it has none.
	NodeVolts string
	NodeBus   string

	// NodeShunts is, by circuit, the node's channel that reads its current.
	NodeShunts map[string]string

	// MeterAmperes is what the meter may carry in series; 0 for one that reads no
	// current, or not to a stated accuracy.
	MeterAmperes float64

	// Patience is how long to wait for a steady reading before asking whether
	// the probes are on the point. Zero means 20 s.
	Patience time.Duration
}

// readsOhms tells whether the meter has a channel of resistance.
func (b *Bench) readsOhms() bool {
	return b.Meter != nil && slices.ContainsFunc(b.Meter.Channels(), func(c probe.Channel) bool { return c.Quantity == probe.Resistance })
}

// Instruments lists what is on the bench.
func (b *Bench) Instruments() []Instrument {
	var out []Instrument
	for _, s := range b.sources() {
		out = append(out, Instrument{s.Identity(), s.Channels()})
	}
	return out
}

func (b *Bench) sources() []probe.Source {
	var out []probe.Source
	if b.Meter != nil {
		out = append(out, b.Meter)
	}
	if b.Supply != nil {
		out = append(out, b.Supply)
	}
	if b.Node != nil {
		out = append(out, b.Node)
	}
	return out
}

// cutters lists what can take power away, the fastest first.
func (b *Bench) cutters() []probe.Source {
	var out []probe.Source
	for _, s := range []probe.Source{b.Node, b.Supply} {
		if c, ok := s.(probe.Cutter); ok && c != nil {
			out = append(out, s)
		}
	}
	return out
}

// Cut takes the power away by every instrument that can, by all at once, so that
// one that does not answer holds up no other. It tells which have confirmed it
// and which have not, and why. It has its own time: the cut must not die with
// what it stops. It does not wait for who is using an instrument.
func (b *Bench) Cut() (done, failed []string) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	cutters := b.cutters()
	errs := make([]error, len(cutters))
	var all sync.WaitGroup
	for i, s := range cutters {
		all.Go(func() { errs[i] = s.(probe.Cutter).Cut(ctx) })
	}
	all.Wait()
	for i, s := range cutters {
		name := s.Identity().Name
		if errs[i] != nil {
			failed = append(failed, fmt.Sprintf("%s: %v", name, errs[i]))
		} else {
			done = append(done, name)
		}
	}
	return done, failed
}

// mayBeOn tells whether a cut leaves it open that there is power: a supply that
// has confirmed is enough, since all else hangs behind it.
func (b *Bench) mayBeOn(done, failed []string) bool {
	return len(failed) > 0 && (b.Supply == nil || !slices.Contains(done, b.Supply.Identity().Name))
}
