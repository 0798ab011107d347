package limits

import (
	"math"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/verdict"
	"loomproof/checks/wire"
)

// RingsThrough is how far a continuity reading may stand above the most that
// sound parts measure: what probe tips leave open. A test card of 0.1 to 0.2 Ω is
// common (secondary); joints that carry current are judged by their drop.
var RingsThrough = wire.Citation{Text: "sound wire and joints, and 0.2 Ω for the probes (EASA Part-66 training cards)", Status: wire.Secondary}

const probeTips = 0.2

// RingsOut is what a way reads that is joined at all, above what sound parts have:
// more than probes, a dull contact and the last digit of a plain meter add up to,
// less than what a way through a lamp, a coil or a unit shows. Common practice; no
// published source.
var RingsOut = wire.Citation{Text: "joined: within 5 Ω of sound parts, by ohmmeter", Status: wire.CommonPractice}

const joinedOhms = 5.0

// Joined is the limit of a ring-out, from that of a continuity reading.
func Joined(through verdict.Bound) *verdict.Bound {
	return verdict.AtMost(through.At-probeTips+joinedOhms, RingsOut)
}

// Separate is the least that a reading between two ways may show that nothing
// should join, with an ohmmeter. Insulation proper is a matter for a tester of
// its own. Common practice; no published source.
var Separate = wire.Citation{Text: "at least 100 kΩ by ohmmeter", Status: wire.CommonPractice}

const apartOhms = 100e3

// Open is the resistance in ohms from which on a design value is told as open:
// the top of a meter's highest range.
const Open = 100e6

// Continuity is the resistance between two terminals that something joins, with
// the power off.
func (l *Limits) Continuity(s airframe.State, red, black string) (Expected, error) {
	usual, err := l.model.Ohms(s, red, black)
	if err != nil {
		return Expected{}, err
	}
	most, err := l.model.MostOhms(s, red, black)
	if err != nil {
		return Expected{}, err
	}
	return Expected{math.Min(usual, Open), verdict.Limit{High: verdict.AtMost(math.Min(most, Open)+probeTips, RingsThrough)}}, nil
}

// Resistance is that of the way between two terminals, from a slope: what probes
// add drops out. Sources in the state are left out.
func (l *Limits) Resistance(s airframe.State, from, to string) (Expected, error) {
	s = s.Clone()
	s.Sources = nil
	e, err := l.Continuity(s, from, to)
	if err != nil {
		return e, err
	}
	e.Limit.High = verdict.AtMost(e.Limit.High.At-probeTips, SoundParts)
	return e, nil
}

// Known is the resistance of the way between two terminals as sound parts have it:
// what a drop over it tells a current by.
func (l *Limits) Known(s airframe.State, from, to string) (r wire.Spread, err error) {
	for _, x := range []struct {
		to   *float64
		ohms func(airframe.State, string, string) (float64, error)
	}{
		{&r.Least, l.model.LeastOhms},
		{&r.Most, l.model.MostOhms},
		{&r.Usual, func(s airframe.State, a, b string) (float64, error) { return l.model.Ohms(s, a, b) }},
	} {
		if *x.to, err = x.ohms(s, from, to); err != nil {
			return r, err
		}
	}
	return r, nil
}

// Apart is the resistance between a terminal and others that nothing joins it
// to, with the power off; joined are tied together with black. Where the design
// itself has a way, as over a contactor's coil, half of that is allowed.
func (l *Limits) Apart(s airframe.State, red, black string, joined ...string) (Expected, error) {
	usual, err := l.model.Ohms(s, red, black, joined...)
	if err != nil {
		return Expected{}, err
	}
	low, rule := apartOhms, Separate
	if usual/2 < low {
		low, rule = usual/2, SoundParts
	}
	return Expected{math.Min(usual, Open), verdict.Limit{Low: verdict.AtLeast(low, rule)}}, nil
}

// Sender is the resistance of a gauge's sender at a temperature in °C that is
// known to within so many degrees: from its table, give or take its tolerance.
func Sender(s *design.Sender, celsius, within float64) Expected {
	rule := wire.Citation{Text: "the sender's table in the design, at the temperature it has", Status: wire.OfDesign}
	a, b := s.At(celsius-within), s.At(celsius+within)
	tolerance := float64(s.Tolerance)
	return Expected{s.At(celsius), verdict.Limit{
		Low: verdict.AtLeast(math.Min(a, b)*(1-tolerance), rule), High: verdict.AtMost(math.Max(a, b)*(1+tolerance), rule),
	}}
}
