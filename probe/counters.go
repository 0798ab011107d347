package probe

import (
	"slices"
	"sync/atomic"
)

// Counters are what a source has counted since it was opened. They only grow.
type Counters struct {
	Frames   uint64 `json:"frames"`   // good frames, lines or answers
	Strays   uint64 `json:"strays"`   // whole, but late, repeated, noise, or of a kind that is not known
	Silences uint64 `json:"silences"` // times that nothing came when something should have
	Samples  uint64 `json:"samples"`  // what the frames held: a meter's values, a node's scans
	Lost     uint64 `json:"lost"`     // samples known to be missing
	Restarts uint64 `json:"restarts"` // of the instrument, as far as it shows them

	// Refused is how often something that came was not used, by reason. All
	// reasons are there.
	Refused map[Reason]uint64 `json:"refused"`
}

// Counting is a source that tells what it has counted. Every source of this
// program does. Any goroutine may ask.
type Counting interface {
	Counters() Counters
}

// A Tally counts for one source. Its zero value is ready; any goroutine may
// use it, and nothing in it allocates but Counters.
type Tally struct {
	frames, strays, silences, samples, lost, restarts atomic.Uint64
	refused                                           [len(reasons)]atomic.Uint64
}

// Frame counts a good frame that held so many samples.
func (t *Tally) Frame(samples int) {
	t.frames.Add(1)
	t.samples.Add(uint64(samples))
}

// Stray counts something whole that was not asked for.
func (t *Tally) Stray() { t.strays.Add(1) }

// Silence counts a time when nothing came.
func (t *Tally) Silence() { t.silences.Add(1) }

// Lose counts samples that are known to be missing.
func (t *Tally) Lose(samples uint64) { t.lost.Add(samples) }

// Restart counts that the instrument began anew.
func (t *Tally) Restart() { t.restarts.Add(1) }

// Refuse counts something that came and was not used. A reason that is not
// one of [Reasons] is a mistake of the program, and panics.
func (t *Tally) Refuse(why Reason) { t.refused[slices.Index(reasons[:], why)].Add(1) }

// Counters is a copy of the counts.
func (t *Tally) Counters() Counters {
	c := Counters{
		Frames: t.frames.Load(), Strays: t.strays.Load(), Silences: t.silences.Load(),
		Samples: t.samples.Load(), Lost: t.lost.Load(), Restarts: t.restarts.Load(),
		Refused: make(map[Reason]uint64, len(reasons)),
	}
	for i, r := range reasons {
		c.Refused[r] = t.refused[i].Load()
	}
	return c
}
