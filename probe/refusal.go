package probe

import (
	"errors"
	"fmt"
)

// ErrSilent is what a source's Read returns, wrapped, when nothing came in time.
var ErrSilent = errors.New("no answer")

// ErrGone is what a source's Read returns, wrapped, when its port has vanished.
var ErrGone = errors.New("port gone")

// A Reason says why something that came from a source is not a reading.
// Reasons are counted and exported, so the set is closed.
type Reason string

// The reasons to refuse.
const (
	Overload      Reason = "overload"
	NotANumber    Reason = "not a number"
	WrongFunction Reason = "wrong function"
	OutOfRange    Reason = "out of range"
	BadChecksum   Reason = "bad checksum"
	BadFrame      Reason = "bad frame"
	LostFrames    Reason = "lost frames"
	Stale         Reason = "stale"
	Frozen        Reason = "frozen"
	InstrumentErr Reason = "instrument error"
)

// Reasons lists every reason, for counters that must exist before they count.
func Reasons() []Reason {
	return []Reason{
		Overload, NotANumber, WrongFunction, OutOfRange, BadChecksum,
		BadFrame, LostFrames, Stale, Frozen, InstrumentErr,
	}
}

// A Refusal is something that came from a source and is not a reading.
type Refusal struct {
	Source string
	Reason Reason
	Detail string // what was seen
	Do     string // what the person can do about it
}

func (r *Refusal) Error() string {
	s := fmt.Sprintf("%s: refused, %s", r.Source, r.Reason)
	if r.Detail != "" {
		s += ": " + r.Detail
	}
	if r.Do != "" {
		s += "; " + r.Do
	}
	return s
}
