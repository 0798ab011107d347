// Package verdict decides whether a reading keeps its limits, as far as the
// reading can be trusted.
//
//	v := verdict.Judge(13.62, 0.02, limit)
//	v.Word         // pass, fail or undecided
//	v.Probability  // that the true value keeps the limits
//
// # The decision rule
//
// The true value is taken as normally distributed about the reading, with the
// standard uncertainty u of the reading (JCGM 106:2012, clause 7: little is
// known beforehand). The probability that it keeps the limits follows. It is a
// pass at 95 % or more, a fail when the true value lies beyond one of the limits
// with 95 % or more, and undecided otherwise: the reading is then too near to a
// limit, or the band too narrow, for this instrument.
//
// For one limit that is a guard band of 1.645 u on either side of it, which
// ISO 14253-1:2017 takes as its default (from memory): to prove conformity the
// reading must lie inside the limit by the guard band, and to prove
// non-conformity outside it. A sound part is then called bad in at most 5 of
// 100 cases even at the very limit, and hardly ever in the middle of its band.
package verdict

import (
	"fmt"
	"math"

	"loomproof/checks/units"
	"loomproof/checks/wire"
)

// A Word is what the verdict says.
type Word string

// The verdicts.
const (
	Pass      Word = "pass"
	Fail      Word = "fail"
	Undecided Word = "undecided"
	NotDone   Word = "not done"
)

// Confidence is the probability of conformity that a pass needs, and of
// non-conformity that a fail needs.
const Confidence = 0.95

// Guard is the guard band in standard uncertainties that Confidence asks for at
// one limit: the 95 % quantile of the normal distribution.
const Guard = 1.6448536269514722

// A Bound is one limit, with the rule that sets it.
type Bound struct {
	At   float64       `json:"at"`
	Rule wire.Citation `json:"rule"`
}

// A Limit is what is allowed. A nil Bound allows anything on that side.
type Limit struct {
	Low  *Bound `json:"low,omitempty"`
	High *Bound `json:"high,omitempty"`
}

// AtLeast is a lower bound.
func AtLeast(v float64, rule wire.Citation) *Bound { return &Bound{v, rule} }

// AtMost is an upper bound.
func AtMost(v float64, rule wire.Citation) *Bound { return &Bound{v, rule} }

// Tighten keeps the tighter of two limits on each side. A tie keeps the first.
func (l Limit) Tighten(m Limit) Limit {
	if m.Low != nil && (l.Low == nil || m.Low.At > l.Low.At) {
		l.Low = m.Low
	}
	if m.High != nil && (l.High == nil || m.High.At < l.High.At) {
		l.High = m.High
	}
	return l
}

// Governing is the bound that a value is nearest to breaking: what the report
// names as the rule. It is nil without bounds.
func (l Limit) Governing(value float64) *Bound {
	switch {
	case l.Low == nil:
		return l.High
	case l.High == nil || value-l.Low.At < l.High.At-value:
		return l.Low
	}
	return l.High
}

// A Verdict is what one reading says about one limit.
type Verdict struct {
	Word        Word    `json:"word"`
	Probability float64 `json:"probability"` // of conformity, 0 to 1
}

// Judge compares a value of standard uncertainty u (k = 1, 0 or more) with a
// limit. A value or uncertainty that is no number is undecided.
func Judge(value, u float64, l Limit) Verdict {
	if math.IsNaN(value) || math.IsNaN(u) || math.IsInf(value, 0) || math.IsInf(u, 0) {
		return Verdict{Word: Undecided}
	}
	p := Conformity(value, u, l)
	word := Undecided
	switch {
	case p >= Confidence:
		word = Pass
	case l.High != nil && below(value-l.High.At, u) >= Confidence, l.Low != nil && below(l.Low.At-value, u) >= Confidence:
		word = Fail
	}
	return Verdict{Word: word, Probability: p}
}

// Conformity is the probability that the true value keeps the limits:
// JCGM 106:2012, clause 7.
func Conformity(value, u float64, l Limit) float64 {
	p := 1.0
	if l.High != nil {
		p = below(l.High.At-value, u)
	}
	if l.Low != nil {
		p -= 1 - below(value-l.Low.At, u)
	}
	return math.Max(0, math.Min(1, p))
}

// below is the probability that a normal deviate of deviation u does not
// exceed d.
func below(d, u float64) float64 {
	if u <= 0 {
		if d >= 0 {
			return 1
		}
		return 0
	}
	return 0.5 * math.Erfc(-d/u/math.Sqrt2)
}

// ways are how a smaller uncertainty is had, where a voltage or current is read.
const ways = "a lower range, a better or a calibrated meter, or more load current"

// OhmsWays are how it is had with an ohmmeter, which brings a current of its own.
const OhmsWays = "its lowest range, all the digits that it shows, the leads' own resistance read with the tips pressed together and taken off; " +
	"else a milliohm meter, or 1 A through it and the millivolts over it"

// WhatDecides says what would turn an undecided reading into a verdict: the
// expanded uncertainty that is needed, and ways to get it.
func WhatDecides(value, u float64, l Limit, unit string) string {
	return WhatDecidesBy(ways, value, u, l, unit)
}

// WhatDecidesBy does so with ways of its own.
func WhatDecidesBy(ways string, value, u float64, l Limit, unit string) string {
	b := l.Governing(value)
	if b == nil {
		return ""
	}
	need := 2 * math.Abs(value-b.At) / Guard
	// Beside a second limit it may take a smaller one.
	for try := min(need/2, u) * (1 - 1e-9); try > u/100; try *= 0.95 {
		if Judge(value, try, l).Word != Undecided {
			need = 2 * try
			break
		}
	}
	if need < u/50 {
		return fmt.Sprintf("the reading stands on the limit itself, %s: mend the cause, or read again with %s", units.Format(b.At, unit), ways)
	}
	return fmt.Sprintf("an uncertainty below ±%s (it is ±%s now): %s",
		units.Format(need, unit), units.Format(2*u, unit), ways)
}

// Worst is the verdict of several together: fail before undecided before not
// done before pass. Without any it is not done.
func Worst(words ...Word) Word {
	rank := map[Word]int{Pass: 1, NotDone: 2, Undecided: 3, Fail: 4}
	worst := Word("")
	for _, w := range words {
		if rank[w] > rank[worst] {
			worst = w
		}
	}
	if worst == "" {
		return NotDone
	}
	return worst
}
