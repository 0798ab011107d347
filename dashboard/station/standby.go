package station

import (
	"context"
	"sync"
	"time"

	"loomproof/probe/sources"
)

// standBy is how often what is clipped on is read while no procedure runs.
const standBy = time.Second

// standingBy reads the clipped channels while f waits. A node's samples come by
// themselves, whatever runs; but only who reads finds out that it is away, and
// finds it again.
func (s *Station) standingBy(ctx context.Context, f func(context.Context) error) error {
	reading, stop := context.WithCancel(ctx)
	var crew sync.WaitGroup
	for _, source := range s.Sources {
		if len(source.Clipped()) > 0 {
			crew.Go(func() { readClipped(reading, source) })
		}
	}
	err := f(ctx)
	stop()
	crew.Wait()
	return err
}

// readClipped reads all channels of a source that has clipped ones, once a second.
// What goes wrong is the source's state, and is told from there.
func readClipped(ctx context.Context, s *sources.Source) {
	tick := time.NewTicker(standBy)
	defer tick.Stop()
	for {
		for _, c := range s.Listed() {
			_, _ = s.Read(ctx, c.Name)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}
