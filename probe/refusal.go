package probe

import (
	"errors"
	"fmt"
	"slices"
)

// ErrSilent is what a source's Read returns, wrapped, when nothing came in time.
var ErrSilent = errors.New("no answer")

// ErrGone is what a source's Read returns, wrapped, when its port has vanished.
var ErrGone = errors.New("port gone")

// ErrAway is what a source that looks for its port again returns, wrapped, while
// the port has vanished: read on, and it comes back when the cable does. It wraps
// ErrGone.
var ErrAway = fmt.Errorf("%w, looked for", ErrGone)

// A Reason says why something that came from a source is not a reading.
// Reasons are counted and exported, so the set is closed.
type Reason string

// The reasons to refuse.
const (
	Overload      Reason = "overload"
	NotANumber    Reason = "not a number"
	WrongFunction Reason = "wrong function" // AC where DC is asked is one
	WrongUnit     Reason = "wrong unit"
	OutOfRange    Reason = "out of range" // of what is physically possible there
	Hold          Reason = "hold"         // the display is held
	Relative      Reason = "relative"     // the display shows a difference
	LowBattery    Reason = "low battery"
	BadChecksum   Reason = "bad checksum"
	BadFrame      Reason = "bad frame"
	LostFrames    Reason = "lost frames" // a sequence has a gap
	ClockJump     Reason = "clock jump"  // the instrument's clock and ours do not go together
	Stale         Reason = "stale"
	Frozen        Reason = "frozen"
	Unsteady      Reason = "unsteady" // it moves too much to be told from damage
	InstrumentErr Reason = "instrument error"
)

// reasons lists every reason. New ones go to the end.
var reasons = [...]Reason{
	Overload, NotANumber, WrongFunction, OutOfRange, BadChecksum,
	BadFrame, LostFrames, Stale, Frozen, InstrumentErr,
	WrongUnit, Hold, Relative, LowBattery, ClockJump, Unsteady,
}

// Reasons lists every reason, for counters that must exist before they count.
func Reasons() []Reason { return slices.Clone(reasons[:]) }

// A Refusal is something that came from a source and is not a reading.
type Refusal struct {
	Source string
	Reason Reason
	Detail string // what was seen
	Do     string // what the person can do about it

	// Below is what the size of the value stayed below all the same, in the SI
	// unit; 0 when that is not known.
	Below float64

	// Above is what the size of the value was above, with [Overload], in the SI
	// unit: the end of the range; 0 when that is not known.
	Above float64
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
