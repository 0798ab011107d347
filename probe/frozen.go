package probe

import (
	"context"
	"fmt"
	"math"
	"time"
)

// chance is how likely a good instrument may be called frozen, for each run of
// equal readings.
const chance = 1e-6

// identicalRun is how many readings that show the very same value make an
// instrument frozen, when one reading of it has noise of its own of the given
// standard deviation and one step of its last place is worth digit.
//
// A quiet good meter legitimately shows the same digits for ever, so equal
// readings alone prove nothing. They do when the last place is finer than the
// noise that the instrument itself always has. Normal noise of standard
// deviation σ falls into one step with a probability of at most
// p = erf(digit / (2√2 σ)); that the n-1 readings after the first all fall into
// its step has one of at most p^(n-1), and n is the least for which that is
// below one in a million: 38 at half a digit of noise, 16 at one, 9 at two. Below
// half a digit there is no such number: ok is false. Readings must be of
// conversions of their own, as Source.Read promises.
func identicalRun(noise, digit float64) (n int, ok bool) {
	if !(noise > 0) || noise < digit/2 {
		return 0, false
	}
	const fewest = 5 // however coarse the noise: a few equal values are easily a repeated answer
	p := math.Erf(digit / (2 * math.Sqrt2 * noise))
	if p == 0 {
		return fewest, true
	}
	return max(fewest, 1+int(math.Ceil(math.Log(chance)/math.Log(p)))), true
}

// GuardOptions say what is known of a source that is to be guarded.
type GuardOptions struct {
	// Noise is the standard deviation of one reading that the instrument always
	// has of itself, by channel, in the SI unit: from its manual, or from twenty
	// readings with the leads shorted. A channel without one is never called
	// frozen.
	Noise map[string]float64
}

// Guard watches what a source gives and refuses what is no fresh reading:
// [Frozen], when so many readings running are the same to the last bit that the
// instrument's own noise rules it out (38 with noise of half a digit, 16 with
// one; see GuardOptions), and [Stale], when a reading arrived before it was
// asked for.
//
// It is for meters. A supply or a node stays as it is, because its Cut must be
// reached.
func Guard(s Source, options GuardOptions) Source {
	return &guard{Source: s, options: options, runs: map[string]run{}}
}

type guard struct {
	Source
	options GuardOptions
	runs    map[string]run // by channel
	tally   Tally          // of its own refusals
}

// A run is how often running a value came.
type run struct {
	value float64
	count int
}

// Read is the source's, unless it is frozen or stale.
func (g *guard) Read(ctx context.Context, channel string) (Reading, error) {
	asked := time.Now()
	r, err := g.Source.Read(ctx, channel)
	if err != nil {
		return Reading{}, err
	}
	if r.At.Before(asked) {
		return Reading{}, g.refuse(Stale, fmt.Sprintf("it gave a value that came %v before it was asked for", asked.Sub(r.At).Round(time.Millisecond)),
			"read again; if it goes on, close the source and open it again")
	}
	seen := g.runs[channel]
	if seen.count == 0 || r.Value != seen.value {
		seen = run{value: r.Value}
	}
	seen.count++
	g.runs[channel] = seen
	if n, ok := identicalRun(g.options.Noise[channel], r.Digit); ok && seen.count >= n {
		return Reading{}, g.refuse(Frozen, fmt.Sprintf("it gave %v %d times running, but its own noise is %g %s",
			r, seen.count, g.options.Noise[channel], r.Quantity.Unit()), "switch it off and on; see that its display is not held")
	}
	return r, nil
}

func (g *guard) refuse(why Reason, detail, do string) *Refusal {
	g.tally.Refuse(why)
	return &Refusal{Source: g.Identity().Name, Reason: why, Detail: detail, Do: do}
}

// Counters are the source's, and the guard's refusals.
func (g *guard) Counters() Counters {
	own := g.tally.Counters()
	s, ok := g.Source.(Counting)
	if !ok {
		return own
	}
	c := s.Counters()
	for why, n := range own.Refused {
		c.Refused[why] += n
	}
	return c
}
