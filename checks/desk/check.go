package desk

import (
	"slices"

	"loomproof/checks/design"
	"loomproof/checks/wire"
)

// A rule looks at a study and adds its findings.
type rule struct {
	name  string
	says  string
	check func(*study)
}

// rules are all the rules, in the order that they are worked through.
var rules = []rule{
	{"no-feed", "every load is joined to its bus or source", (*study).noFeed},
	{"no-return", "every load has a way back to a ground point or its source", (*study).noReturn},
	{"bus-unfed", "every bus is reached by a battery or an alternator", (*study).busUnfed},
	{"no-protector", "every load has a protector, but a starter motor", (*study).noProtector},
	{"breaker-shared", "one protector, one circuit", (*study).breakerShared},
	{"run-ends-nowhere", "every run leads on at both ends", (*study).runEndsNowhere},
	{"contact-shared", "one run to a contact", (*study).contactShared},
	{"ground-crowded", "no more runs on a ground point than it has room for", (*study).groundCrowded},
	{"ground-current", "no more current through a ground point than it is rated for", (*study).groundCurrent},
	{"shared-return", "what hears its ground shares none with motors and strobes", (*study).sharedReturn},
	{"locator-alone", "the locator transmitter has a battery of its own", (*study).locatorAlone},
	{"protector-guards-wire", "no protector is larger than the thinnest wire it guards allows", (*study).protectorGuardsWire},
	{"protector-tables", "where the circular's two tables disagree", (*study).protectorTables},
	{"protector-load", "no protector carries more than its rating", (*study).protectorLoad},
	{"inrush-trip", "no protector trips on switching on or on short work", (*study).inrushTrip},
	{"wire-current", "no wire carries more than it may, continuously", (*study).wireCurrent},
	{"wire-heat", "no wire is overheated by short work", (*study).wireHeat},
	{"contact-rating", "no contact carries more than its rating", (*study).contactRating},
	{"switch-rating", "every switch is rated for the kind of load", (*study).switchRating},
	{"drop-continuous", "no more is lost between bus and equipment ground than the rule allows", dropsOf("drop-continuous")},
	{"drop-intermittent", "the same for short work", dropsOf("drop-intermittent")},
	{"feeder-drop", "no more than 2 % is lost between source and bus", (*study).feederDrops},
	{"source-return", "no more than 5 mΩ between a source's minus terminal and the airframe", (*study).sourceReturns},
	{"line-power", "no load of constant power is beyond what its line can give", (*study).linePower},
	{"cranking-drop", "the starter motor gets its voltage", dropsOf("cranking-drop")},
	{"cranking-dip", "the buses hold while the engine is cranked", (*study).crankingDip},
	{"source-load", "continuous loads stay below 80 % of what a source is rated for", (*study).sourceLoad},
	{"regulation", "the alternator's set-point is one that a regulator holds", (*study).regulation},
	{"battery-endurance", "the battery feeds the essential loads long enough", (*study).batteryEndurance},
	{"battery-refill", "the alternator can fill the battery again", (*study).batteryRefill},
}

// Rules lists the rules by name, with what each asks for.
func Rules() (names, says []string) {
	for _, r := range rules {
		names, says = append(names, r.name), append(says, r.says)
	}
	return names, says
}

// Check does the desk check of a design.
func Check(d *design.Design) *Report {
	s := newStudy(d)
	for _, r := range rules {
		r.check(s)
	}
	for _, w := range s.all() {
		s.report.Drops = append(s.report.Drops, s.dropOf(w))
	}
	s.report.Basis = s.basis()
	s.report.sort()
	return s.report
}

// basis is where the figures of the drops come from.
func (s *study) basis() []wire.Citation {
	out := []wire.Citation{}
	add := func(c wire.Citation) {
		if c.Text != "" && !slices.Contains(out, c) {
			out = append(out, c)
		}
	}
	for _, l := range s.links {
		if l.run != nil {
			add(l.gauge.ResistanceSource())
		}
	}
	_, rise := wire.Gauge{}.Rise(0, wire.Rated150)
	rise.Text += "; more than really comes"
	add(rise)
	for _, l := range s.links {
		if l.run == nil && len(l.ways) > 0 {
			c := l.part.Source
			c.Text = string(l.part.Kind) + ": " + c.Text
			add(c)
		}
	}
	add(wire.Citation{Text: "joints: sound crimps", Status: wire.CommonPractice})
	return out
}

// subject is what a finding is about.
type subject struct {
	at      design.Pos
	circuit string
	run     string
}

func ofCircuit(k *design.Circuit) subject { return subject{k.Pos, k.Name, ""} }
func ofRun(r *design.Run) subject         { return subject{r.Pos, r.Circuit.Name, r.Name} }

// numbers are the two sides of a comparison.
type numbers struct {
	have, need float64
	unit       string
}

func (s *study) find(rule string, severity Severity, of subject, n numbers, cite wire.Citation, text string) {
	s.report.Findings = append(s.report.Findings, Finding{
		Rule: rule, Severity: severity, Circuit: of.circuit, Run: of.run, Place: placeOf(s.d, of.at),
		Text: text, Have: n.have, Need: n.need, Unit: n.unit, Cite: cite,
	})
}

// authority is the severity of a broken rule: an error where the rule was read
// somewhere, a warning where it is only remembered or usual.
func authority(c wire.Citation) Severity {
	if c.Status == wire.Memory || c.Status == wire.CommonPractice {
		return Warning
	}
	return Error
}
