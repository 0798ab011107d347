package procedure

import (
	"context"
	"errors"
	"sync"
	"time"

	"loomproof/probe"
)

// A watcher looks at the supply while power is on, and cuts when a limit is
// passed.
type watcher struct {
	bench *Bench
	node  *nodeWatch // nil when no node can guard a bus

	supply chan struct{} // holds one token: one goroutine uses the supply at a time

	mu      sync.Mutex
	armed   bool
	ceiling float64 // amperes out of the supply
	floor   float64 // volts at the supply
	top     float64 // volts at the supply, +Inf for no limit
	circuit string  // switched on last, or being switched on now
	before  string  // the one before it, while a hand may not have moved yet
	cut     *Cut
	tripped chan struct{}          // closed when the cut has been made
	bad     map[probe.Quantity]int // readings beyond the limit in a row
	blind   int                    // looks in a row that the supply did not answer

	cutting sync.WaitGroup
}

// watchEvery is how often the supply is asked, and inRow how many readings in
// a row must be beyond a limit: one alone may be the inrush of a lamp or a
// spike. A supply that does not answer blindLooks times in a row cannot be
// watched any more.
const (
	watchEvery = 40 * time.Millisecond
	inRow      = 2
	blindLooks = 3
)

func newWatcher(b *Bench) *watcher {
	w := &watcher{bench: b, node: newNodeWatch(b), tripped: make(chan struct{}), supply: make(chan struct{}, 1), bad: map[probe.Quantity]int{}}
	w.supply <- struct{}{}
	return w
}

// arm sets the limits for a state in which a circuit is being, or was, switched
// on last. While the hand may not have moved yet, before is the circuit that was
// switched on before it: either may be to blame for a cut.
func (w *watcher) arm(ceiling, floor, top float64, circuit, before string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.armed, w.ceiling, w.floor, w.top, w.circuit, w.before, w.blind = true, ceiling, floor, top, circuit, before, 0
	clear(w.bad)
}

// moved is told when the hand has moved for certain.
func (w *watcher) moved() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.before = ""
}

// disarm is for when the power is off.
func (w *watcher) disarm() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.armed = false
}

// reset forgets a cut that has been dealt with.
func (w *watcher) reset() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.cut != nil {
		w.cut, w.armed = nil, false
		w.tripped = make(chan struct{})
	}
}

// state is the cut, if there was one, and the channel that closes at the next.
func (w *watcher) state() (*Cut, <-chan struct{}) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.cut, w.tripped
}

// run watches until the context ends.
func (w *watcher) run(ctx context.Context) {
	var beside sync.WaitGroup
	defer beside.Wait()
	if w.node != nil {
		beside.Go(func() { w.node.run(ctx, w.tripByNode) })
	}
	if w.bench.Supply == nil {
		return
	}
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			w.look(ctx)
		}
	}
}

// look takes one look at the supply.
func (w *watcher) look(ctx context.Context) {
	w.mu.Lock()
	armed := w.armed && w.cut == nil
	w.mu.Unlock()
	if !armed {
		return
	}
	for _, channel := range []string{"current", "voltage"} {
		r, err := w.readSupply(ctx, channel)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			w.unseen(err)
			return
		}
		w.judge(r)
	}
}

// unseen counts looks that brought nothing. A port that has gone is enough by
// itself: power that nobody sees is cut.
func (w *watcher) unseen(err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.blind++; !w.armed || w.cut != nil || w.blind < blindLooks && !errors.Is(err, probe.ErrGone) {
		return
	}
	w.trip(Cut{Why: "the supply does not answer", Blind: true, Source: w.bench.Supply.Identity().Name, Unit: "A", Limit: w.ceiling, Circuit: w.circuit, Before: w.before})
}

// tripByNode is for what the node's watch sees.
func (w *watcher) tripByNode(c Cut) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.armed || w.cut != nil {
		return
	}
	c.Circuit, c.Before = w.circuit, w.before
	w.trip(c)
}

// smoke cuts on a person's word, whatever the limits and the state. What is being
// cut for something else is smoke from then on.
func (w *watcher) smoke(by string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	why := "smoke, said by " + by
	switch {
	case w.cut == nil:
		w.trip(Cut{Why: why, Source: by, Smoke: true, Circuit: w.circuit, Before: w.before})
	case !w.cut.Smoke:
		w.cut.Smoke, w.cut.Why = true, w.cut.Why+"; "+why
	}
}

// trip starts the cut; w.mu is held.
func (w *watcher) trip(c Cut) {
	w.cut = &c // is written only with w.mu held, and no more after reset
	w.armed = false
	tripped := w.tripped
	w.cutting.Go(func() {
		done, failed := w.bench.Cut()
		w.mu.Lock()
		c.Done, c.Failed = done, failed
		w.mu.Unlock()
		close(tripped)
	})
}

func (w *watcher) readSupply(ctx context.Context, channel string) (r probe.Reading, err error) {
	err = w.withSupply(ctx, func() error { r, err = w.bench.Supply.Read(ctx, channel); return err })
	return r, err
}

// withSupply has the supply to itself while f runs.
func (w *watcher) withSupply(ctx context.Context, f func() error) error {
	select {
	case <-w.supply:
		defer func() { w.supply <- struct{}{} }()
		return f()
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// passed says which limit a reading of the supply is beyond; why is "" when it is
// beyond none. w.mu is held.
func (w *watcher) passed(r probe.Reading) (why string, limit float64) {
	switch {
	case r.Quantity == probe.Current && r.Value > w.ceiling:
		return "current runs away", w.ceiling
	case r.Quantity == probe.Voltage && r.Value < w.floor:
		return "bus collapsed", w.floor
	case r.Quantity == probe.Voltage && r.Value > w.top:
		return "bus voltage runs away", w.top
	}
	return "", 0
}

// beyond tells whether a reading of the supply is one that the watch is about to
// cut for: it must not be kept as if all were well.
func (w *watcher) beyond(r probe.Reading) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	why, _ := w.passed(r)
	return w.armed && r.Source == w.bench.Supply.Identity().Name && why != ""
}

// judge compares one reading of the supply with the limits, and cuts.
func (w *watcher) judge(r probe.Reading) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.armed || w.cut != nil {
		return
	}
	c := Cut{Source: r.Source, Value: r.Value, Unit: r.Quantity.Unit(), Circuit: w.circuit, Before: w.before}
	if c.Why, c.Limit = w.passed(r); c.Why == "" {
		w.bad[r.Quantity], w.blind = 0, 0
		return
	}
	if w.bad[r.Quantity]++; w.bad[r.Quantity] >= inRow {
		w.trip(c)
	}
}

// errTripped is why an effect stopped short.
var errTripped = errors.New("the watch has cut the power")

// untilTripped gives a context that ends, with errTripped, when the watch cuts.
func (w *watcher) untilTripped(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancelCause(ctx)
	_, tripped := w.state()
	go func() {
		select {
		case <-tripped:
			cancel(errTripped)
		case <-ctx.Done():
		}
	}()
	return ctx, func() { cancel(context.Canceled) }
}
