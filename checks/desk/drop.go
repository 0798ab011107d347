package desk

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/wire"
)

// dropOf is a way in the report's terms.
func (s *study) dropOf(w *way) Drop {
	out := Drop{Rule: w.rule, From: w.from, To: w.to, Amperes: w.amperes, Volts: w.drop, Allowed: w.allowed}
	if w.circuit != nil {
		out.Circuit = w.circuit.Name
	}
	if w.load == nil {
		out.Amperes = w.others[0]
	}
	for i, l := range w.links {
		if w.wireOnly && l.run == nil {
			continue
		}
		through := w.others[i] + w.amperes
		ohms := s.ohms(l, through, w.seconds)
		p := PartDrop{Kind: string(l.part.Kind), Name: l.part.Name, Ohms: ohms, Amperes: through, Volts: ohms * through}
		if l.run != nil {
			p.Celsius = s.celsius(l.gauge, through, w.seconds)
		}
		out.Parts = append(out.Parts, p)
	}
	return out
}

// worst names the parts of a drop that lose most.
func (d Drop) worst(n int) string {
	parts := slices.Clone(d.Parts)
	slices.SortStableFunc(parts, func(a, b PartDrop) int { return cmp.Compare(b.Volts, a.Volts) })
	var out []string
	for _, p := range parts[:min(n, len(parts))] {
		out = append(out, fmt.Sprintf("%s %s %s", p.Kind, p.Name, volts(p.Volts)))
	}
	return strings.Join(out, ", ")
}

// heaviest is the run of a way that loses most; nil if it has none.
func (s *study) heaviest(w *way) *design.Run {
	var best *design.Run
	most := -1.0
	for i, l := range w.links {
		through := w.others[i] + w.amperes
		if lost := through * s.ohms(l, through, w.seconds); l.run != nil && lost > most {
			best, most = l.run, lost
		}
	}
	return best
}

// tooMuch tells whether a way loses more than it may.
func (w *way) tooMuch() bool { return w.drop > w.allowed*(1+1e-9) }

func dropsOf(rule string) func(*study) {
	return func(s *study) {
		for _, w := range s.loads {
			if w.rule == rule && w.tooMuch() {
				s.findDrop(w, fmt.Sprintf("%s loses %s with %s; most of it: %s",
					w.circuit.Called(), volts(w.drop), amperes(w.amperes), s.dropOf(w).worst(3)))
			}
		}
	}
}

func (s *study) feederDrops()   { s.sourceWires("feeder-drop") }
func (s *study) sourceReturns() { s.sourceWires("source-return") }

func (s *study) sourceWires(rule string) {
	for _, w := range s.feeders {
		if w.rule == rule && w.tooMuch() {
			s.findDrop(w, fmt.Sprintf("the wires from %s to %s lose %s; most of it: %s", w.from, w.to, volts(w.drop), s.dropOf(w).worst(3)))
		}
	}
}

func (s *study) findDrop(w *way, text string) {
	of := subject{at: s.d.Aircraft.Pos}
	if r := s.heaviest(w); r != nil {
		of = ofRun(r)
	}
	if w.circuit != nil {
		of.circuit = w.circuit.Name
	}
	s.find(w.rule, authority(w.cite), of, numbers{w.drop, w.allowed, "V"}, w.cite, text)
}

// linePower holds every load of constant power against the most that its line
// gives it, V²/(4R), from the battery's own voltage: beyond that no voltage
// satisfies both, and the load's converter shuts down.
func (s *study) linePower() {
	from := s.nominal
	for _, src := range s.d.Sources {
		if src.Kind == design.Battery && !s.alone(src) {
			from = math.Min(from, float64(src.Volts))
		}
	}
	for _, w := range s.loads {
		if w.circuit.Load.Kind != design.ConstantPower {
			continue
		}
		open, ohms := from, w.inside
		if w.inside > 0 {
			open = w.base
		}
		for i, l := range w.links {
			r := s.ohms(l, w.others[i]+w.amperes, w.seconds)
			ohms += r
			open -= r * w.others[i]
		}
		watts := w.load.Draw
		most := open * open / (4 * ohms)
		if watts > most {
			of := ofCircuit(w.circuit)
			if r := s.heaviest(w); r != nil {
				of = ofRun(r)
			}
			s.find("line-power", Error, of, numbers{watts, most, "W"}, wire.LineLimit,
				fmt.Sprintf("%s needs %s; a line of %s from %s gives at most %s: %.0f %% beyond", w.circuit.Called(),
					amount(watts, "W"), amount(ohms, "Ω"), volts(open), amount(most, "W"), 100*(watts/most-1)))
		}
	}
}
