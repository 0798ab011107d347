package scpi

import (
	"context"
	"fmt"
	"math"
	"time"

	"loomproof/probe"
)

// How often running a number of a new shape must come to be believed: more
// often when it would take the place of a known one. Tries is how many are taken.
const (
	trustedFirst   = 3
	trustedInstead = 5
	tries          = 10
)

// value makes a number of an answer, or the refusal of it.
func (s *session) value(ctx context.Context, text, query string, channel probe.Channel) (number, error) {
	n, err := parseNumber(text)
	if err != nil {
		return number{}, s.asRefusal(ctx, badFrame{text, query})
	}
	size := math.Abs(n.value)
	switch {
	case size == notNumber:
		return number{}, s.refuse(ctx, probe.NotANumber, "it answered "+text, "see what its display says")
	case size >= infinity:
		return number{}, s.refuse(ctx, probe.Overload, "it answered "+text,
			"the value is past the range or the leads are open: choose a higher range, or touch the point again")
	}
	if r := s.options.Span.Check(s.name(), channel, n.value); r != nil {
		return number{}, s.refuse(ctx, r.Reason, r.Detail, r.Do)
	}
	return n, nil
}

// A watch looks at how numbers are written: a lost character changes that.
type watch struct {
	known bool
	shape shape
}

// settled takes numbers until one is written as the last good one was, or
// enough running are written alike.
func (w *watch) settled(take func() (number, time.Time, error)) (number, time.Time, bool, error) {
	var last shape
	running, enough := 0, trustedFirst
	if w.known {
		enough = trustedInstead
	}
	for range tries {
		n, at, err := take()
		if err != nil {
			return number{}, time.Time{}, false, err
		}
		if running > 0 && n.shape == last {
			running++
		} else {
			running = 1
		}
		last = n.shape
		if w.known && n.shape == w.shape || running == enough {
			w.known, w.shape = true, n.shape
			return n, at, true, nil
		}
	}
	return number{}, time.Time{}, false, nil
}

// steadyNumber is settled with its refusal.
func (s *session) steadyNumber(ctx context.Context, w *watch, query string, take func() (number, time.Time, error)) (number, time.Time, error) {
	n, at, ok, err := w.settled(take)
	if err == nil && !ok {
		err = s.refuse(ctx, probe.BadFrame, "answers to "+query+" keep changing their length",
			"characters may get lost: check the lead and the speed")
	}
	return n, at, err
}

func lookUp(s *session, channels []probe.Channel, name string) (int, error) {
	names := ""
	for i, c := range channels {
		if c.Name == name {
			return i, nil
		}
		names += " " + c.Name
	}
	return 0, fmt.Errorf("%s: no channel %q; it has%s", s.name(), name, names)
}
