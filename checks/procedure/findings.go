package procedure

import (
	"fmt"
	"math"
	"slices"
	"strings"

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

// findings says in words what the failed and undecided steps mean. Steps with a
// cause in common, such as one ground point, make one finding.
func findings(d *design.Design, steps []Step) []Finding {
	out := []Finding{}
	inGround := groundFindings(d, steps, &out)
	done := map[string]bool{}
	for _, s := range steps {
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
	name := circuit
	if k := d.Circuit(circuit); k != nil {
		name = k.Called()
	}
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
	if s, ok := failed(WhatCut); ok && s.Unit == "V" && s.High != nil {
		return fmt.Sprintf("%s: the bus voltage ran away to %s; the power was cut.", name, amount(s)),
			"Power stays off. Look at what the supply is set to and where its leads are clipped on; with the engine running, at the regulator."
	}
	if s, ok := failed(WhatCut); ok {
		return fmt.Sprintf("%s: %s at %s; the power was cut. Something behind its breaker touches the airframe.", name, reason(s), amount(s)),
			"Leave its breaker open. Power off, unplug the load, and look along the run for chafed insulation or a pin that touches; measure resistance from the breaker's load side to the airframe."
	}
	if s, ok := failed(WhatMarking); ok {
		return fmt.Sprintf("%s: its breaker is marked %s, the design says %s.", name, amount(s), units.Format(*s.Design, s.Unit)),
			"Power off. Fit the breaker that the design asks for, or change the design and run the desk check."
	}
	if s, ok := failed(WhatLoad); ok && math.Abs(*s.Reading) < 0.5**s.Design {
		where := "Follow the voltage from the breaker on: the break is behind the last point that has it."
		if drop, ok := failed(WhatDrop); ok {
			where = fmt.Sprintf("The voltage is there at %s and gone at %s: the break, or a wire on another breaker, is between them.", drop.From, drop.To)
		}
		if c, ok := failed(WhatCurrent); ok && *c.Reading > 0.2**c.Design {
			where += fmt.Sprintf(" Its breaker carries %s all the same: it feeds something else. Look for swapped wires.", amount(c))
		}
		return name + ": no voltage at the load.", where
	}
	if s, ok := failed(WhatDrop); ok {
		return fmt.Sprintf("%s: %s lost between %s and %s; sound wire and joints lose at most %s.", name, amount(s), s.From, s.To, units.Format(*s.High, s.Unit)),
			"Power off. Look at the crimps and pins at both ends: pull, look for green or black, make the worse one anew. Check the gauge printed on the wire."
	}
	if s, ok := failed(WhatReturn); ok {
		return fmt.Sprintf("%s: %s lost on the way back; sound parts lose at most %s.", name, amount(s), units.Format(*s.High, s.Unit)),
			"Power off. Look at the return's joints and its ground point: clean to bright metal and tighten."
	}
	if s, ok := failed(WhatCurrent); ok {
		size := "less"
		if *s.Reading > *s.Design {
			size = "more"
		}
		return fmt.Sprintf("%s: draws %s, %s than the design's %s allows.", name, amount(s), size, units.Format(*s.Design, s.Unit)),
			"Check that the right load hangs on this breaker (no wires swapped), and what its maker says that it draws."
	}
	if s, ok := failed(WhatTotal); ok {
		return fmt.Sprintf("%s: %s flow where the design has %s: something draws current that should not.", name, amount(s), units.Format(*s.Design, s.Unit)),
			"With all breakers open, take off one wire at a time from the bus until the current is gone."
	}
	for _, kind := range []string{WhatProtector, WhatFeeder, WhatBus, WhatLoad} {
		if s, ok := failed(kind); ok {
			what = fmt.Sprintf("%s: %s is %s.", name, kind, amount(s))
			if s.Low != nil && *s.Reading < *s.Low {
				return what, fmt.Sprintf("It should be at least %s. %s", units.Format(*s.Low, s.Unit), lookAt(kind))
			}
			return what, fmt.Sprintf("It should be at most %s. %s", units.Format(*s.High, s.Unit), lookAt(kind))
		}
	}
	return name + ": does not keep its limits.", "Read again; then look at its joints."
}

func lookAt(kind string) string {
	switch kind {
	case WhatProtector:
		return "Too little means a breaker of a larger rating: read its marking. Too much means bad contacts: work it a few times, then replace it."
	case WhatFeeder, WhatBus:
		return "Look at the lugs and the contactor between the source and the bus."
	}
	return "Look at the joints between the bus and the load."
}

func reason(s Step) string {
	if s.Unit == "V" {
		return "the bus collapsed"
	}
	return "the current ran away"
}

func amount(s Step) string { return units.Format(*s.Reading, s.Unit) }

// cutFindings makes a finding of each cut that no step tells of.
func cutFindings(d *design.Design, cuts []Cut, steps []Step) []Finding {
	var out []Finding
	for _, c := range cuts {
		if slices.ContainsFunc(steps, func(s Step) bool { return s.What == WhatCut && *s.Reading == c.Value }) {
			continue
		}
		name := "the supply"
		if k := d.Circuit(c.Circuit); k != nil {
			name = k.Called()
		}
		out = append(out, Finding{
			Circuit: c.Circuit, Evidence: []string{},
			What: fmt.Sprintf("The power was cut with %s switched on last: %s.", name, c.Why),
			Try:  "Power stays off. Find what draws the current, or why the supply did not answer, before it comes on again.",
		})
	}
	return out
}
