// Package locator says when local practice lets an emergency locator transmitter
// be keyed for a test, and when its battery is due.
//
//	w, ok := locator.For("United States", locator.Analogue)
//	w.Open(time.Now().UTC())
//
// A locator that is keyed at another time starts a search. What stands here is
// data with its source; local rules and the maker's instructions come first, and
// for a country that is not here there is no window at all.
package locator

import (
	"time"

	"loomproof/checks/wire"
)

// Kind is what the locator sends.
type Kind string

// The kinds: Analogue sends a swept tone on 121.5 MHz at once; Digital sends a
// message on 406 MHz that alerts a rescue centre about 50 s after it is
// activated.
const (
	Analogue Kind = "121.5 MHz"
	Digital  Kind = "406 MHz"
)

// A Window is when and how a kind may be tested in a country.
type Window struct {
	Country  string
	Kind     Kind
	SelfTest bool // only the maker's own self-test; it is never activated
	From, To int  // minutes past each UTC hour: from the first, until before the second
	Seconds  int  // the longest that it may send; 0 for not stated
	Sweeps   int  // the most audible sweeps; 0 for not stated
	Rule     wire.Citation
}

var windows = []Window{
	{
		Country: "United States", Kind: Analogue, From: 0, To: 5, Sweeps: 3,
		Rule: wire.Citation{Text: "FAA AIM 6-2-4: in the first five minutes after any hour, three audible sweeps at most", Status: wire.Verified},
	},
	{
		Country: "United States", Kind: Digital, SelfTest: true, From: 0, To: 5,
		Rule: wire.Citation{Text: "FAA AIM 6-2-4: only as its maker says; sites that apply the five minutes to self-tests are secondary, and followed", Status: wire.Secondary},
	},
	{
		Country: "Canada", Kind: Analogue, From: 0, To: 5, Seconds: 5,
		Rule: wire.Citation{Text: "TC AIM SAR 3.8 (an older copy): in the first five minutes of a UTC hour, 5 s at most", Status: wire.Verified},
	},
	{
		Country: "Canada", Kind: Digital, SelfTest: true, From: 0, To: 5,
		Rule: wire.Citation{Text: "as its maker says, in the same five minutes", Status: wire.CommonPractice},
	},
}

// Countries lists the countries that have an entry.
func Countries() []string {
	var out []string
	for _, w := range windows {
		if len(out) == 0 || out[len(out)-1] != w.Country {
			out = append(out, w.Country)
		}
	}
	return out
}

// For is the window of a kind in a country; ok tells whether there is one.
func For(country string, kind Kind) (w Window, ok bool) {
	for _, w := range windows {
		if w.Country == country && w.Kind == kind {
			return w, true
		}
	}
	return Window{}, false
}

// Open tells whether a moment is in the window.
func (w Window) Open(at time.Time) bool {
	m := at.UTC().Minute()
	return m >= w.From && m < w.To
}

// Opens is the next moment, not before at, that is in the window.
func (w Window) Opens(at time.Time) time.Time {
	if w.Open(at) {
		return at
	}
	hour := at.UTC().Truncate(time.Hour)
	open := hour.Add(time.Duration(w.From) * time.Minute)
	if open.Before(at) {
		open = open.Add(time.Hour)
	}
	return open
}

// Closes is when the window that a moment is in, or that was open last, closes.
func (w Window) Closes(at time.Time) time.Time {
	hour := at.UTC().Truncate(time.Hour)
	if at.UTC().Minute() < w.From {
		hour = hour.Add(-time.Hour)
	}
	return hour.Add(time.Duration(w.To) * time.Minute)
}

// BatteryRule is when a locator's battery goes out: more than an hour of use, or
// half of its useful life gone; the new date is marked outside and in the record.
// The rule speaks of airplanes.
var BatteryRule = wire.Citation{Text: "14 CFR 91.207: battery date marked outside, not passed", Status: wire.Verified}

// InspectionRule is the yearly inspection: installation, battery corrosion,
// controls and crash sensor, sufficient signal.
var InspectionRule = wire.Citation{Text: "14 CFR 91.207: within 12 calendar months", Status: wire.Verified}
