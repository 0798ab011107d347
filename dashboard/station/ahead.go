package station

import (
	"context"
	"sync"

	"loomproof/checks/rehearsal"
	"loomproof/checks/sandbox"
)

// An ahead has the procedure rehearsed while it is performed, so that the pages
// can say what comes next. That takes up to a second of a processor; it is done
// only once somebody looks at the bench page.
type ahead struct {
	mu     sync.Mutex
	wanted bool
	look   func() // begins the rehearsal of what is performed; nil when it has begun, and while nothing is performed
}

// want is called when somebody looks.
func (a *ahead) want() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.wanted = true
	if a.look != nil {
		a.look()
		a.look = nil
	}
}

// set says how to begin; nil when the performance ends.
func (a *ahead) set(look func()) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.look = look; look != nil && a.wanted {
		look()
		a.look = nil
	}
}

// lookAhead is called when a performance begins; what it returns when it ends.
func (s *Station) lookAhead(ctx context.Context, name string, script []byte) (end func()) {
	if !s.Ahead {
		return func() {}
	}
	ctx, cancel := context.WithCancel(ctx)
	var done sync.WaitGroup
	s.ahead.set(func() {
		done.Go(func() {
			o := rehearsal.Options{Design: s.Design, Name: name, Script: script, Kit: s.kit()}
			if s.Apart {
				o.Interpreter = sandbox.Apart
			}
			r, _ := rehearsal.Run(ctx, o) // where it cannot be rehearsed to its end, as far as it came
			if r == nil || ctx.Err() != nil {
				return
			}
			var says []string
			for _, e := range r.Events {
				if e.Say != "" {
					says = append(says, e.Say)
				}
			}
			s.Desk.Ahead(says)
		})
	})
	return func() {
		s.ahead.set(nil)
		cancel()
		done.Wait()
		s.Desk.Ahead(nil)
	}
}

// kit is what is on the bench. How well it reads decides verdicts, not what is
// asked.
func (s *Station) kit() rehearsal.Kit {
	k := rehearsal.GoodKit()
	if s.Bench.Meter == nil {
		k.Meter = nil
	}
	if s.Bench.Supply == nil {
		k.Supply = nil
	}
	if s.Bench.Node == nil {
		k.Node = nil
	}
	k.NodeBus = s.Bench.NodeBus
	for circuit := range s.Bench.NodeShunts {
		k.NodeShunts = append(k.NodeShunts, circuit)
	}
	return k
}
