package desk

import (
	"fmt"
	"slices"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/units"
	"loomproof/checks/wire"
)

// A Choice is the lightest wire for one run.
type Choice struct {
	Circuit   string     `json:"circuit"`
	Run       string     `json:"run"`
	Place     Place      `json:"place"`
	Present   wire.Gauge `json:"present"`
	Lightest  wire.Gauge `json:"lightest,omitzero"` // lightest listed that meets every rule; zero if none does
	PresentKg float64    `json:"present_kg"`
	SavesKg   float64    `json:"saves_kg"` // negative where the present wire is too light
	Bites     string     `json:"bites"`    // the rule that the next lighter size breaks; empty at the lightest size listed
	Why       string     `json:"why"`
}

// Wires finds for every run the lightest listed gauge with which the whole
// design meets every rule about wire: protector, current, heat and drop. The
// choices hold together and know nothing of strength: a drop that several runs of a circuit share is given
// to those where a gram saves most. Not one of them can go a size lighter while
// the others stay, and Bites says what would forbid it. The runs come in the
// order of the file.
func Wires(d *design.Design) []Choice {
	s := newStudy(d)
	f := &fitting{study: s, sizes: wire.Sizes(), size: map[*link]int{}, guards: map[*link][]guarding{}}
	f.noteGuards()
	f.fit()
	return f.choices()
}

// A guarding is a protector that a run must bear.
type guarding struct {
	circuit *design.Circuit
	rating  float64
	fuse    bool
}

// A fitting tries gauges on the runs of a design.
type fitting struct {
	*study
	sizes  []wire.Gauge
	size   map[*link]int // by run: index into sizes; len(sizes) where none will do
	guards map[*link][]guarding
}

func (f *fitting) noteGuards() {
	for _, k := range f.d.All() {
		if p := k.Protector(); p != nil {
			runs, _ := f.guardedBy(k)
			for _, l := range runs {
				f.guards[l] = append(f.guards[l], guarding{k, float64(p.Rating), k.Breaker == nil})
			}
		}
	}
}

// byItself checks the rules that one run meets or breaks alone, and names the
// one that it breaks.
func (f *fitting) byItself(l *link, g wire.Gauge) (rule, why string) {
	for _, by := range f.guards[l] {
		if may := f.guardOf(g, by.fuse).allowed; by.rating > may {
			return "protector-guards-wire", fmt.Sprintf("the protector of %s, %s, is too large for %v (%s)", by.circuit.Name, amperes(by.rating), g, orNone(may))
		}
	}
	if may, _ := g.Ampacity(f.d.Aircraft.Insulation); l.amperes() > may {
		return "wire-current", fmt.Sprintf("%v may carry %s, not %s", g, amperes(may), amperes(l.amperes()))
	}
	if hot, by, _ := f.shortHeat(l, g); hot > float64(f.d.Aircraft.Insulation) {
		return "wire-heat", fmt.Sprintf("%s for %s would heat %v to %.0f °C", amperes(by.amperes), duration(by.seconds), g, hot)
	}
	return "", ""
}

// together checks the drops of every way over a run as it is.
func (f *fitting) together(l *link) (rule, why string) {
	for _, w := range l.ways {
		if f.run(w); w.tooMuch() {
			return w.rule, fmt.Sprintf("%s would lose %s, allowed %s", w.named(), volts(w.drop), volts(w.allowed))
		}
	}
	return "", ""
}

func (w *way) named() string {
	if w.load == nil {
		return "the way from " + w.from + " to " + w.to
	}
	return w.circuit.Name
}

// fit starts every run at the lightest wire that it may have by itself, makes
// wires heavier until every drop is met, and then lighter again where that was
// too much. Currents follow the voltages, so it all is looked at again until
// nothing changes.
func (f *fitting) fit() {
	var runs []*link
	for _, l := range f.links {
		if l.run != nil {
			runs = append(runs, l)
		}
	}
	for _, l := range runs {
		f.set(l, 0)
		for f.size[l] < len(f.sizes) {
			if rule, _ := f.byItself(l, l.gauge); rule == "" {
				break
			}
			f.set(l, f.size[l]+1)
		}
	}
	for range 8 {
		f.settle()
		changed := f.heavier()
		f.settle()
		if !changed {
			break
		}
	}
	f.lighter(runs)
	f.settle()
}

func (f *fitting) set(l *link, size int) {
	f.size[l] = size
	l.gauge = f.sizes[min(size, len(f.sizes)-1)]
}

// heavier makes wires heavier until no way loses too much.
func (f *fitting) heavier() (changed bool) {
	for _, w := range f.all() {
		for f.run(w); w.tooMuch(); f.run(w) {
			l := f.best(w)
			if l == nil {
				break
			}
			f.set(l, f.size[l]+1)
			changed = true
		}
	}
	return changed
}

// best is the run of a way where the next size up wins most volts for its
// grams; nil if all have the heaviest.
func (f *fitting) best(w *way) *link {
	var best *link
	most := 0.0
	for i, l := range w.links {
		if l.run == nil || f.size[l] >= len(f.sizes)-1 {
			continue
		}
		next := f.sizes[f.size[l]+1]
		through := w.others[i] + w.amperes
		metres := float64(l.run.Length)
		won := through * (f.wireOhms(l.gauge, metres, through, w.seconds) - f.wireOhms(next, metres, through, w.seconds))
		if per := won / ((next.Mass() - l.gauge.Mass()) * metres); per > most {
			best, most = l, per
		}
	}
	return best
}

// lighter makes wires lighter, where most is saved first, as long as every rule
// is met.
func (f *fitting) lighter(runs []*link) {
	order := slices.Clone(runs)
	for again := true; again; {
		again = false
		slices.SortStableFunc(order, func(a, b *link) int {
			x, y := f.saves(a), f.saves(b)
			switch {
			case x > y:
				return -1
			case x < y:
				return 1
			}
			return 0
		})
		for _, l := range order {
			if f.size[l] == 0 || f.size[l] == len(f.sizes) {
				continue
			}
			if rule, _ := f.oneLighter(l); rule == "" {
				f.set(l, f.size[l]-1)
				again = true
			}
		}
		f.settle()
	}
}

// saves is what the next lighter size of a run saves, in kg.
func (f *fitting) saves(l *link) float64 {
	if f.size[l] == 0 || f.size[l] == len(f.sizes) {
		return 0
	}
	return (l.gauge.Mass() - f.sizes[f.size[l]-1].Mass()) * float64(l.run.Length)
}

// oneLighter says what one size lighter would break; it leaves all as it is.
func (f *fitting) oneLighter(l *link) (rule, why string) {
	was := f.size[l]
	if rule, why = f.byItself(l, f.sizes[was-1]); rule != "" {
		return rule, why
	}
	f.set(l, was-1)
	rule, why = f.together(l)
	f.set(l, was)
	for _, w := range l.ways {
		f.run(w)
	}
	return rule, why
}

func (f *fitting) choices() []Choice {
	var out []Choice
	for _, l := range f.links {
		if l.run == nil {
			continue
		}
		r := l.run
		c := Choice{Circuit: r.Circuit.Name, Run: r.Name, Place: placeOf(f.d, r.Pos), Present: r.Gauge, PresentKg: r.Gauge.Mass() * float64(r.Length)}
		rule, why := f.byItself(l, l.gauge)
		if rule == "" {
			rule, why = f.together(l)
		}
		switch {
		case rule != "":
			c.Bites, c.Why = rule, "no listed size will do: "+why
		case f.size[l] == 0:
			c.Lightest, c.Why = l.gauge, "the lightest size listed"
		default:
			c.Lightest = l.gauge
			c.Bites, c.Why = f.oneLighter(l)
		}
		if len(f.guards[l]) == 0 {
			// A short burns it: nothing lighter is ever offered.
			if c.Lightest != (wire.Gauge{}) && c.Lightest.Area() < r.Gauge.Area() {
				c.Lightest, c.Bites, c.Why = r.Gauge, "", "left as it is"
			}
			c.Why += "; no protector guards it, so a short must be kept off by its routing"
		}
		if c.Lightest != (wire.Gauge{}) {
			c.SavesKg = c.PresentKg - c.Lightest.Mass()*float64(r.Length)
		}
		out = append(out, c)
	}
	return out
}

// Totals are the mass of a loom's wire in kg: as designed, and what the choices
// save.
func Totals(choices []Choice) (present, saves float64) {
	for _, c := range choices {
		present += c.PresentKg
		saves += c.SavesKg
	}
	return present, saves
}

func wiresText(b *strings.Builder, choices []Choice) {
	long := 0
	for _, c := range choices {
		long = max(long, len(c.Run))
	}
	b.WriteString("The lightest wire that meets every rule:\n\n")
	for _, c := range choices {
		lightest := c.Lightest.String()
		saves := "as it is"
		switch {
		case c.SavesKg > 0:
			saves = "saves " + units.Kilograms(c.SavesKg).String()
		case c.SavesKg < 0:
			saves = "adds " + units.Kilograms(-c.SavesKg).String()
		}
		bites := c.Why
		if c.Bites != "" {
			bites = c.Bites + ": " + c.Why
		}
		fmt.Fprintf(b, "%-*s  %-8s  %-8s  %-13s  %s\n", long, c.Run, c.Present, lightest, saves, bites)
	}
	present, saves := Totals(choices)
	verb := "saves"
	if saves < 0 {
		verb, saves = "adds", -saves
	}
	fmt.Fprintf(b, "\nWire of the whole loom: %v; the lightest %s %v. The mass is that of AS22759/16 wire (%s).\n"+
		"Strength and ease of crimping are not weighed.\n",
		units.Kilograms(present), verb, units.Kilograms(saves), wire.Secondary)
}
