package desk

import (
	"fmt"
	"math"
	"strings"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/wire"
)

// A guard is how large a protector a wire may have, by the table of the design
// and by the other.
type guard struct {
	allowed, other float64
	cite           wire.Citation
	text           string
}

// guardOf reads both tables for a wire.
func (s *study) guardOf(g wire.Gauge, fuse bool) guard {
	chart, chartRule := byChart(g, fuse)
	current, currentRule := g.Ampacity(s.d.Aircraft.Insulation)
	says := fmt.Sprintf("table 11-3 allows %s, table 11-9 %s for %d °C wire", orNone(chart), orNone(current), s.d.Aircraft.Insulation)
	if s.d.Aircraft.Protector == design.ByCurrent {
		return guard{current, chart, currentRule, says + "; this design goes by 11-9"}
	}
	return guard{chart, current, chartRule, says + "; this design goes by 11-3"}
}

func orNone(a float64) string {
	if a == 0 {
		return "none"
	}
	return amperes(a)
}

// byChart is table 11-3, which ends at 2 AWG for breakers: heavier wire may
// have at least what 2 AWG may.
func byChart(g wire.Gauge, fuse bool) (float64, wire.Citation) {
	a, cite := g.LargestProtector(fuse)
	if a > 0 {
		return a, cite
	}
	for _, lighter := range wire.Sizes() {
		if lighter.Area() > g.Area() {
			break
		}
		if b, _ := lighter.LargestProtector(fuse); b > a {
			a, cite.Status = b, wire.Derived
		}
	}
	return a, cite
}

func (s *study) protectorGuardsWire() {
	for _, k := range s.d.All() {
		p := k.Protector()
		if p == nil {
			continue
		}
		runs, _ := s.guardedBy(k)
		var thinnest *link
		for _, l := range runs {
			if thinnest == nil || l.gauge.Area() < thinnest.gauge.Area() {
				thinnest = l
			}
		}
		if thinnest == nil {
			continue
		}
		g := s.guardOf(thinnest.gauge, k.Breaker == nil)
		if float64(p.Rating) > g.allowed {
			s.find("protector-guards-wire", Error, ofRun(thinnest.run), numbers{float64(p.Rating), g.allowed, "A"}, g.cite,
				fmt.Sprintf("%s: protector of %v guards %v, run %s: %s", k.Called(), p.Rating, thinnest.gauge, thinnest.run.Name, g.text))
		}
	}
}

// protectorTables says once for the whole design where the stricter table would
// ask for more.
func (s *study) protectorTables() {
	var names []string
	for _, k := range s.d.All() {
		p := k.Protector()
		if p == nil {
			continue
		}
		runs, _ := s.guardedBy(k)
		for _, l := range runs {
			g := s.guardOf(l.gauge, k.Breaker == nil)
			if a := float64(p.Rating); a <= g.allowed && a > g.other {
				names = append(names, k.Name)
				break
			}
		}
	}
	if len(names) == 0 || s.d.Aircraft.Protector == design.ByCurrent {
		return
	}
	s.find("protector-tables", Note, subject{at: s.d.Aircraft.Pos}, numbers{}, wire.ThinnestWire,
		fmt.Sprintf("table 11-3 allows the protectors of %s, table 11-9, which is made for the hardest case, would not; say \"protector-table: 11-9\" to go by it", list(names, 6)))
}

// list writes names for a person, not more than n of them.
func list(names []string, n int) string {
	if len(names) > n {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:n], ", "), len(names)-n)
	}
	return strings.Join(names, ", ")
}

// protectorOf is the link of a circuit's protector.
func (s *study) protectorOf(k *design.Circuit) *link {
	in := k.Bus
	if in == "" {
		in = k.Name + ".breaker.in"
	}
	return s.between[pair(in, k.Name+".breaker")]
}

func (s *study) protectorLoad() {
	share, shareRule := wire.SteadyShare()
	for _, k := range s.d.All() {
		p := k.Protector()
		if p == nil || k.Feeder && k.Load == nil && s.leadsToGenerator(k) {
			continue // what guards a source's lead is sized by the source
		}
		l := s.protectorOf(k)
		rating := float64(p.Rating)
		switch {
		case l.amperes() > rating:
			s.find("protector-load", Error, ofCircuit(k), numbers{l.amperes(), rating, "A"}, wire.BreakerRule,
				fmt.Sprintf("%s: %s flow continuously through a protector of %v", k.Called(), amperes(l.amperes()), p.Rating))
		case l.amperes() > share*rating*(1+1e-9):
			s.find("protector-load", Note, ofCircuit(k), numbers{l.amperes(), share * rating, "A"}, shareRule,
				fmt.Sprintf("%s: the steady load is %.0f %% of its protector's %v; in a hot bay it may trip", k.Called(), 100*l.amperes()/rating, p.Rating))
		}
	}
}

func (s *study) leadsToGenerator(k *design.Circuit) bool {
	runs, _ := s.guardedBy(k)
	for _, l := range runs {
		for _, src := range s.d.Sources {
			if src.Kind == design.Alternator && (l.run.To == src.Name+"+" || l.run.From == src.Name+"+") {
				return true
			}
		}
	}
	return false
}

// An overload is more than a protector's rating, for a time.
type overload struct {
	circuit *design.Circuit
	what    string
	amperes float64
	seconds float64
}

// inrushTrip takes each load's inrush and short work in turn, on top of what
// flows otherwise, through its own protector and those of the feeders before it.
func (s *study) inrushTrip() {
	steady := map[*design.Circuit]float64{}
	for _, w := range s.loads {
		if w.continuous() {
			steady[w.circuit] = w.amperes
		}
	}
	for _, w := range s.loads {
		k := w.circuit
		own := s.protectorsBefore(k)
		through := func(what string, amperes, seconds float64) {
			for _, l := range own {
				s.overloaded(overload{l.part.Circuit, what + " of " + k.Called(), l.amperes() - steady[k] + amperes, seconds})
			}
		}
		if l := k.Load; l.Inrush != nil && (w.continuous() || l.Duty == design.Intermittent) {
			through("the inrush", l.Inrush.At(s.nominal), float64(l.InrushFor))
		}
		if !w.continuous() {
			through("the short work", w.amperes, w.seconds)
		}
	}
}

// protectorsBefore lists the protectors between the battery and a load, none
// that guards a generator's lead.
func (s *study) protectorsBefore(k *design.Circuit) (out []*link) {
	for _, src := range s.d.Sources {
		links := s.linksTo(src.Name, k.Name+".load+")
		if src.Kind != design.Battery || links == nil {
			continue
		}
		for _, l := range links {
			if l.part.Kind == airframe.Protector {
				out = append(out, l)
			}
		}
		return out
	}
	if k.Protector() != nil {
		return []*link{s.protectorOf(k)}
	}
	return nil
}

// overloaded holds an overload against the published trip points. Below 200 % a
// breaker trips no sooner than at 200 %; beyond 1000 % it is taken to need the
// same heat, which nothing published says.
func (s *study) overloaded(o overload) {
	rating := float64(o.circuit.Protector().Rating)
	ratio := o.amperes / rating
	if ratio <= 1 {
		return
	}
	say := func(severity Severity, limit float64, cite wire.Citation, what string) {
		s.find("inrush-trip", severity, ofCircuit(o.circuit), numbers{o.seconds, limit, "s"}, cite,
			fmt.Sprintf("%s: with %s its protector of %v carries %.0f %% for %s: %s", o.circuit.Called(), o.what, o.circuit.Protector().Rating, 100*ratio, duration(o.seconds), what))
	}
	if o.circuit.Breaker == nil {
		say(Note, 0, wire.Practice, "no trip times of fuses are known here; look at the maker's curve")
		return
	}
	t, known, cite := wire.TripTime(ratio)
	switch {
	case known && o.seconds >= t.Latest:
		say(Error, t.Latest, cite, "it trips")
	case known && o.seconds >= t.Soonest:
		say(Warning, t.Soonest, cite, fmt.Sprintf("it may trip, usually after %s", duration(t.Usual)))
	case ratio < 2 && o.seconds >= t.Soonest:
		say(Warning, t.Soonest, cite, "when it trips below 200 % is not known; look at the maker's curve")
	case ratio > 10 && o.seconds >= t.Soonest*math.Pow(10/ratio, 2):
		say(Warning, t.Soonest*math.Pow(10/ratio, 2), cite, "when it trips above 1000 % is not known; with the same heat as there, it may")
	}
}

// surroundings are what a run lies in, for the estimate: its bundle as the
// design has it, the hottest air, the highest altitude.
func (s *study) surroundings(l *link) wire.Surroundings {
	a := &s.d.Aircraft
	out := wire.Surroundings{Ambient: float64(*a.Hottest), Wires: 1, Loaded: 1, Altitude: float64(*a.Ceiling)}
	if l.run.Bundle == "" {
		return out
	}
	flows, may := 0.0, 0.0
	out.Wires = len(s.bundles[l.run.Bundle])
	for _, other := range s.bundles[l.run.Bundle] {
		flows += other.amperes()
		a, _ := other.gauge.Ampacity(s.d.Aircraft.Insulation)
		may += a
	}
	if may > 0 {
		out.Loaded = math.Min(1, flows/may)
	}
	return out
}

func (s *study) wireCurrent() {
	for _, l := range s.links {
		if l.run == nil {
			continue
		}
		may, cite := l.gauge.Ampacity(s.d.Aircraft.Insulation)
		if l.amperes() <= may {
			continue
		}
		estimate, _ := l.gauge.EstimatedAmpacity(s.d.Aircraft.Insulation, s.surroundings(l))
		severity, says := Error, "is too little as well"
		if l.amperes() <= estimate/(1+wire.EstimateError) {
			severity, says = Warning, "would be enough"
		}
		s.find("wire-current", severity, ofRun(l.run), numbers{l.amperes(), may, "A"}, cite,
			fmt.Sprintf("run %s, %v, carries %s continuously; an estimate for its own bundle, air and altitude, %s ± %.0f %%, %s",
				l.run.Name, l.gauge, amperes(l.amperes()), amperes(estimate), 100*wire.EstimateError, says))
	}
}

func (s *study) wireHeat() {
	rating := float64(s.d.Aircraft.Insulation)
	for _, l := range s.links {
		if l.run == nil {
			continue
		}
		if hot, by, cite := s.shortHeat(l, l.gauge); hot > rating {
			s.find("wire-heat", Error, ofRun(l.run), numbers{hot, rating, "°C"}, cite,
				fmt.Sprintf("run %s, %v: %s for %s heats it beyond its rating", l.run.Name, l.gauge, amperes(by.amperes), duration(by.seconds)))
		}
	}
}

// shortHeat is how hot a run of a gauge gets in the hottest air during short
// work, and by which.
func (s *study) shortHeat(l *link, g wire.Gauge) (hot float64, by short, cite wire.Citation) {
	_, cite = g.ShortRise(0, 0, 0)
	for _, x := range l.shorts {
		if celsius := float64(*s.d.Aircraft.Hottest) + s.rise(g, x.amperes, x.seconds); celsius > hot {
			hot, by = celsius, x
		}
	}
	return hot, by, cite
}

func (s *study) contactRating() {
	for _, k := range s.d.Connectors {
		if k.Rating == 0 {
			continue
		}
		for i := 1; i <= k.Pins; i++ {
			name := fmt.Sprintf("%s.%d", k.Name, i)
			l := s.between[pair(name, fmt.Sprintf("%s.%d", k.Plug, i))]
			if l == nil {
				continue
			}
			of := subject{k.Pos, k.Name, ""}
			if len(l.ways) > 0 && l.ways[0].circuit != nil {
				of.circuit = l.ways[0].circuit.Name
			}
			rating := float64(k.Rating)
			switch {
			case l.amperes() > rating:
				s.find("contact-rating", Error, of, numbers{l.amperes(), rating, "A"}, wire.AsRated, fmt.Sprintf("contact %s carries %s continuously", name, amperes(l.amperes())))
			case l.most().amperes > rating:
				s.find("contact-rating", Warning, of, numbers{l.most().amperes, rating, "A"}, wire.AsRated, fmt.Sprintf("contact %s carries %s for %s", name, amperes(l.most().amperes), duration(l.most().seconds)))
			}
		}
	}
}

func (s *study) switchRating() {
	for _, k := range s.d.All() {
		w := k.Switch
		if w == nil {
			continue
		}
		l := s.between[pair(k.Name+".switch.in", k.Name+".switch.out")]
		if l == nil || l.part.Kind != airframe.Switch {
			continue
		}
		of := subject{w.Pos, k.Name, ""}
		_, cite := wire.SwitchFactor(s.nominal, wire.ResistiveLoad)
		need, has := l.switched, "with the factor for each kind of load"
		if w.Kind == design.Contactor { // rated by its maker for what it closes on
			need, has, cite = l.amperes(), "continuously", wire.AsRated
		}
		switch {
		case need == 0:
		case w.Rating == 0:
			s.find("switch-rating", Note, of, numbers{0, need, "A"}, cite, fmt.Sprintf("%s: the design states no rating for its switch; it needs %s", k.Called(), amperes(need)))
		case need > float64(w.Rating)*(1+1e-9):
			s.find("switch-rating", Error, of, numbers{float64(w.Rating), need, "A"}, cite,
				fmt.Sprintf("%s: its switch is rated %v and needs %s, %s", k.Called(), w.Rating, amperes(need), has))
		}
	}
}
