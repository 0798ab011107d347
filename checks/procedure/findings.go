package procedure

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"loomproof/checks/design"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
)

// A Finding is what is wrong or doubtful, with its evidence and what to try.
type Finding struct {
	Circuit  string   `json:"circuit"`
	What     string   `json:"what"`
	Evidence []string `json:"evidence"` // ids of steps
	Try      string   `json:"try"`
}

// staysOn is the part of its design current that a circuit's fall must stay below, as it
// is switched off, for the circuit to have stayed on. Common practice; no published
// source.
const staysOn = 0.1

// findings says in words what the failed and undecided steps mean. Steps with a
// cause in common, such as one ground point, make one finding.
func findings(d *design.Design, steps []Step) []Finding {
	out := []Finding{}
	inGround := groundFindings(d, steps, &out)
	done := swapFindings(d, steps, &out)
	for _, s := range steps {
		if s.Finding != "" {
			out = withFinding(out, Finding{Circuit: s.Circuit, What: s.Finding, Evidence: []string{s.ID}, Try: s.Try})
			continue
		}
		if s.Verdict == string(verdict.NotDone) || s.Verdict == string(verdict.Pass) || done[s.Circuit] || inGround[s.ID] {
			continue
		}
		if f, ok := circuitFinding(d, s.Circuit, steps, inGround); ok {
			out = append(out, f)
		}
		done[s.Circuit] = true
	}
	return out
}

// withFinding adds a finding, or its evidence to the one that says the same.
func withFinding(list []Finding, f Finding) []Finding {
	for i, had := range list {
		if had.Circuit == f.Circuit && had.What == f.What && had.Try == f.Try {
			list[i].Evidence = append(had.Evidence, f.Evidence...)
			return list
		}
	}
	return append(list, f)
}

// groundFindings takes together circuits whose return fails at one ground point.
func groundFindings(d *design.Design, steps []Step, out *[]Finding) map[string]bool {
	taken := map[string]bool{}
	for _, g := range d.Grounds {
		var evidence, names []string
		first := ""
		circuits := map[string]bool{}
		for _, s := range steps {
			if s.What != WhatReturn || s.Verdict != string(verdict.Fail) {
				continue
			}
			k := d.Circuit(s.Circuit)
			if s.Circuit == g.Name || k != nil && ends(d, k) == g.Name {
				evidence = append(evidence, s.ID)
				if k != nil {
					names = append(names, k.Called())
					circuits[k.Name] = true
					if first == "" {
						first = k.Name
					}
				}
			}
		}
		if len(names) < 2 {
			continue
		}
		for _, s := range steps {
			if circuits[s.Circuit] && (s.What == WhatReturn || s.What == WhatLoad) || s.Circuit == g.Name {
				taken[s.ID] = true
			}
		}
		where := g.Name
		if g.Where != "" {
			where += ", " + g.Where
		}
		*out = append(*out, Finding{
			Circuit:  first,
			What:     fmt.Sprintf("%s lose too much on the way back, and share ground point %s.", join(names), where),
			Evidence: evidence,
			Try:      fmt.Sprintf("Power off. Undo ground point %s, clean to bright metal, fit the lugs again and tighten; then measure the returns again.", g.Name),
		})
	}
	return taken
}

// swapShare is how near a circuit's current must be to another's design value to
// be taken for it. Common practice; no published source.
const swapShare = 0.2

// swapFindings takes together two circuits whose breakers each carry what the
// other's should: their wires are swapped. It gives the circuits that it explains.
func swapFindings(d *design.Design, steps []Step, out *[]Finding) map[string]bool {
	explained := map[string]bool{}
	var wrong []Step // currents that fail
	for _, s := range steps {
		if s.What == WhatCurrent && s.Verdict == string(verdict.Fail) && s.Reading != nil && s.Design != nil {
			wrong = append(wrong, s)
		}
	}
	carries := func(a, b Step) bool { return math.Abs(*a.Reading-*b.Design) < swapShare**b.Design }
	for i, a := range wrong {
		for _, b := range wrong[i+1:] {
			if explained[a.Circuit] || explained[b.Circuit] || !carries(a, b) || !carries(b, a) {
				continue
			}
			explained[a.Circuit], explained[b.Circuit] = true, true
			f := Finding{
				Circuit: a.Circuit,
				What: fmt.Sprintf("%s and %s: the breaker of each carries what the other should draw (%s and %s): their wires are swapped.",
					d.Called(a.Circuit), d.Called(b.Circuit), amount(a), amount(b)),
				Try: "Power off. Look at the labels at both breakers and both loads, and put each wire where it belongs.",
			}
			for _, s := range steps {
				if bad := s.Verdict == string(verdict.Fail) || s.Verdict == string(verdict.Undecided); bad && explained[s.Circuit] && (s.Circuit == a.Circuit || s.Circuit == b.Circuit) {
					f.Evidence = append(f.Evidence, s.ID)
				}
			}
			*out = append(*out, f)
		}
	}
	return explained
}

func ends(d *design.Design, k *design.Circuit) string {
	way := d.Return(k)
	if len(way) == 0 {
		return ""
	}
	return way[len(way)-1]
}

func join(names []string) string {
	if len(names) == 1 {
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// circuitFinding says what one circuit's bad steps mean together.
func circuitFinding(d *design.Design, circuit string, steps []Step, taken map[string]bool) (Finding, bool) {
	bad := map[string]Step{}
	f := Finding{Circuit: circuit, Evidence: []string{}}
	failed := false
	for _, s := range steps {
		if s.Circuit != circuit || taken[s.ID] || s.Verdict != string(verdict.Fail) && s.Verdict != string(verdict.Undecided) {
			continue
		}
		f.Evidence = append(f.Evidence, s.ID)
		worse := s.Verdict == string(verdict.Fail)
		if old, ok := bad[s.What]; !ok || worse && old.Verdict != string(verdict.Fail) || s.What == WhatDrop && worse && excess(s) > excess(old) {
			bad[s.What] = s
		}
		failed = failed || worse
	}
	if len(f.Evidence) == 0 {
		return f, false
	}
	name := d.Called(circuit)
	if !failed {
		for _, s := range bad {
			f.What = name + ": " + s.What + " is too near its limit for this instrument."
			f.Try = "It needs " + s.Decide + "."
		}
		return f, true
	}
	f.What, f.Try = explain(d, name, circuit, bad)
	return f, true
}

// excess is how far a step is beyond its upper limit, as a part of it.
func excess(s Step) float64 {
	if s.Reading == nil || s.High == nil || *s.High == 0 {
		return 0
	}
	return *s.Reading / *s.High
}

// explain puts the most telling of a circuit's failed steps into words.
func explain(d *design.Design, name, circuit string, bad map[string]Step) (what, try string) {
	failed := func(kind string) (Step, bool) {
		s, ok := bad[kind]
		return s, ok && s.Verdict == string(verdict.Fail)
	}
	// A script may judge a number of its own by these names, without a design value.
	against := func(kind string) (Step, bool) {
		s, ok := failed(kind)
		return s, ok && s.Reading != nil && s.Design != nil
	}
	beyond := func(kind string) (Step, bool) {
		s, ok := failed(kind)
		return s, ok && s.Reading != nil && s.High != nil
	}
	if s, ok := failed(WhatCut); ok && s.Unit == "V" && s.High != nil {
		return fmt.Sprintf("%s: the bus voltage ran away to %s; the power was cut.", name, amount(s)),
			"Power stays off. Look at what the supply is set to and where its leads are clipped on; with the engine running, at the regulator."
	}
	if s, ok := failed(WhatCut); ok {
		return explainCut(d.Circuit(circuit), name, s)
	}
	if s, ok := against(WhatMarking); ok {
		return fmt.Sprintf("%s: its breaker is marked %s, the design says %s.", name, amount(s), units.Format(*s.Design, s.Unit)),
			"Power off. Fit the breaker that the design asks for, or change the design and run the desk check."
	}
	if s, ok := against(WhatLoad); ok && math.Abs(*s.Reading) < 0.5**s.Design {
		where := "Follow the voltage from the breaker on: the break is behind the last point that has it."
		if drop, ok := failed(WhatDrop); ok && drop.From != "" {
			where = fmt.Sprintf("The voltage is there at %s and gone at %s: the break, or a wire on another breaker, is between them.", place(d, drop.From), place(d, drop.To))
		}
		if c, ok := against(WhatCurrent); ok && *c.Reading > 0.2**c.Design {
			where += fmt.Sprintf(" Its breaker carries %s all the same: it feeds something else. Look for swapped wires.", amount(c))
		}
		return name + ": no voltage at the load.", where
	}
	if s, ok := beyond(WhatDrop); ok && s.From != "" {
		reads, most := beside(s, *s.High)
		return fmt.Sprintf("%s: %s lost between %s and %s; sound wire and joints lose at most %s.", name, reads, place(d, s.From), place(d, s.To), most),
			lookAlong(d, s)
	}
	if s, ok := beyond(WhatReturn); ok {
		reads, most := beside(s, *s.High)
		return fmt.Sprintf("%s: %s lost on the way back; sound parts lose at most %s.", name, reads, most),
			"Power off. Look at the return's joints and its ground point: clean to bright metal and tighten."
	}
	if s, ok := against(WhatCurrent); ok && s.Fell && *s.Reading < staysOn**s.Design {
		return fmt.Sprintf("%s: the current did not fall as it was switched off; the design has %s.", name, units.Format(*s.Design, s.Unit)),
			"Power off. It is fed another way, or what was switched is not its own: look for a switch that sticks, for a wire that is joined to another's, for one behind the wrong breaker."
	}
	if s, ok := against(WhatCurrent); ok {
		size := "less"
		if *s.Reading > *s.Design {
			size = "more"
		}
		reads, expected := beside(s, *s.Design)
		return fmt.Sprintf("%s: draws %s, %s than the design's %s allows.", name, reads, size, expected),
			"Power off. Check that the right load hangs on this breaker (no wires swapped), and what its maker says that it draws."
	}
	if s, ok := against(WhatTotal); ok {
		reads, expected := beside(s, *s.Design)
		if *s.Reading < *s.Design {
			return fmt.Sprintf("%s: %s flow where the design has %s: something that should be on draws nothing, or too little.", name, reads, expected),
				"Look which load stays dark or still, or has no voltage: what is read at each load tells."
		}
		return fmt.Sprintf("%s: %s flow where the design has %s: something draws current that should not.", name, reads, expected),
			"Power off first. With all breakers open, take one wire off the bus; power on, read the current; power off, take off the next, until the current is gone: the last one feeds it."
	}
	if s, ok := failed(WhatThrough); ok {
		return fmt.Sprintf("%s: %s between %s and %s, which the design joins.", name, amount(s), place(d, s.From), place(d, s.To)),
			"Look for a pin in the wrong place at either end (pull gently: it must not come out), a crimp that holds by its insulation, a broken wire."
	}
	if s, ok := failed(WhatApart); ok {
		return fmt.Sprintf("%s: %s from %s to what nothing should join it to.", name, amount(s), place(d, s.From)),
			"Take the far ends off one at a time until it is gone: the last one was joined to it. Look for swapped pins, a strand across two pins, a pinched wire."
	}
	for _, kind := range []string{WhatProtector, WhatFeeder, WhatBus, WhatLoad} {
		if s, ok := failed(kind); ok {
			bound, limit := "most", s.High
			if s.Low != nil && *s.Reading < *s.Low {
				bound, limit = "least", s.Low
			}
			if limit == nil {
				continue
			}
			reads, allowed := beside(s, *limit)
			return fmt.Sprintf("%s: %s is %s; it should be at %s %s.", name, kind, reads, bound, allowed), lookAt(kind)
		}
	}
	return explainOther(name, bad)
}

// explainOther says what failed of what a procedure judged by limits of its own.
func explainOther(name string, bad map[string]Step) (what, try string) {
	kinds := slices.Sorted(maps.Keys(bad))
	for _, kind := range kinds {
		s := bad[kind]
		if s.Verdict != string(verdict.Fail) {
			continue
		}
		what = fmt.Sprintf("%s: %s is %s.", name, kind, amount(s))
		switch {
		case s.High != nil && (s.Reading == nil || *s.Reading > *s.High):
			what = fmt.Sprintf("%s: %s is %s; at most %s is allowed (%s).", name, kind, amount(s), units.Format(*s.High, s.Unit), s.Rule)
		case s.Low != nil && s.Reading != nil && *s.Reading < *s.Low:
			what = fmt.Sprintf("%s: %s is %s; at least %s is needed (%s).", name, kind, amount(s), units.Format(*s.Low, s.Unit), s.Rule)
		}
		return what, "Power off. Read once more with fresh contact of the probes; then look at what lies between the points."
	}
	return name + ": does not keep its limits.", "Read again; then look at its joints."
}

// lookAlong says what to look at where too much is lost: first what can be seen
// without undoing anything.
func lookAlong(d *design.Design, s Step) string {
	for _, k := range d.All() {
		for _, r := range k.Runs {
			if r.From == s.From && r.To == s.To || r.From == s.To && r.To == s.From {
				return fmt.Sprintf("Power off. Read the gauge printed on the wire: the design has %s. If it is right, look at the crimps and pins at both ends: pull, look for green or black, make the worse one anew.", r.Gauge)
			}
		}
	}
	return "Power off. Look at the contacts there: pull, look for green or black, a pin pushed back; make the worse one anew."
}

func lookAt(kind string) string {
	switch kind {
	case WhatProtector:
		return "Power off. Too little means a breaker of a larger rating: read its marking. Too much means bad contacts: work it a few times, then replace it."
	case WhatFeeder, WhatBus:
		return "Power off. Look at the lugs and the contactor between the source and the bus."
	}
	return "Power off. Look at the joints between the bus and the load."
}

// afterBlind is what to do after a cut for which no limit was passed.
const afterBlind = "Look at the lead, the plug and the supply of the instrument that fell silent, and at what else this computer was doing. Then do the step again; if it is cut again, look for a short"

// tryAfterBlind says it for a circuit, which may have no protector; nil for none.
func tryAfterBlind(k *design.Circuit) string {
	if k == nil || k.Protector() == nil {
		return "Power stays off. " + afterBlind + "."
	}
	return "Leave its breaker open. " + afterBlind + " behind the breaker."
}

// explainCut says what a cut of the power means, and what to do about what the
// circuit has: a breaker, a switch, a load.
func explainCut(k *design.Circuit, name string, s Step) (what, try string) {
	what = fmt.Sprintf("%s: %s; the power was cut.", name, s.Why)
	if s.Blind {
		return what + " No limit was passed, but nobody could watch any more. It may say nothing of the circuit." + sentence(s.Note), tryAfterBlind(k)
	}
	if *s.Reading != 0 {
		what = fmt.Sprintf("%s: %s at %s; the power was cut.", name, s.Why, amount(s))
	}
	where := "behind its breaker"
	switch {
	case k == nil || k.Protector() == nil:
		where = "between what feeds it and the buses"
		try = "Power stays off, the leads of what feeds it off and apart. Measure resistance from plus to the airframe, with the switch open, then closed; look along the leads between source, switch and bus for chafed insulation, a lug or a tool that touches."
	case k.Load == nil:
		try = "Leave its breaker open. Power off, the breakers of all that it feeds out: measure resistance from its load side to the airframe, and look along the bus for a strand, a lug or swarf that touches; then put them in one at a time."
	default:
		try = "Leave its breaker open. Power off, unplug the load, and look along the run for chafed insulation or a pin that touches; measure resistance from the breaker's load side to the airframe."
	}
	return what + " Something " + where + " may touch the airframe." + sentence(s.Note), try
}

func amount(s Step) string {
	if s.Reading == nil {
		return "open"
	}
	return units.Format(*s.Reading, s.Unit)
}

// beside writes a step's reading and another value in one unit.
func beside(s Step, other float64) (reading, value string) {
	unit := units.ScaleOf(s.Unit, *s.Reading, other)
	return unit.Format(*s.Reading), unit.Format(other)
}

// sentence makes a note a sentence of its own behind others.
func sentence(note string) string {
	if note == "" {
		return ""
	}
	return " " + upper(note) + "."
}

// upper begins a sentence.
func upper(text string) string {
	r, n := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(r)) + text[n:]
}

// cutFindings makes a finding of each cut that no step tells of.
func cutFindings(d *design.Design, cuts []Cut, steps []Step) []Finding {
	var out []Finding
	for _, c := range cuts {
		if slices.ContainsFunc(steps, func(s Step) bool { return s.What == WhatCut && *s.Reading == c.Value }) {
			continue
		}
		name := "the supply, or several circuits at once,"
		if c.Circuit != "" {
			name = d.Called(c.Circuit)
		}
		if c.Before != "" {
			name += ", or before it " + d.Called(c.Before) + ","
		}
		try := "Power stays off. Find what draws the current before it comes on again."
		if c.Blind {
			try = tryAfterBlind(d.Circuit(c.Circuit))
		}
		what := fmt.Sprintf("The power was cut with %s switched on last: %s.", name, c.Why)
		if byHand := len(c.ByHand) > 0; c.Smoke && (byHand || len(c.Done) == 0) {
			what = upper(c.Why)
			if c.Circuit != "" {
				what += fmt.Sprintf(", with %s switched on last", name)
			}
			if what += ". No instrument could cut the power."; byHand {
				what += fmt.Sprintf(" To be switched off by hand: %s.", join(c.ByHand))
			}
			try = "Battery and master stay off. Leave everything as it is, and look first at what was switched on last: its wire, its plug, its unit."
		}
		out = append(out, Finding{Circuit: c.Circuit, Evidence: []string{}, Try: try, What: what})
	}
	return out
}
