package desk

import (
	"fmt"
	"slices"
	"strings"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/wire"
)

// reached lists the batteries and alternators whose power gets to a terminal.
func (s *study) reached(terminal string) (by []*design.Source) {
	for _, src := range s.d.Sources {
		if _, ok := s.reach[src.Name][terminal]; ok && src.Kind != design.BenchSupply {
			by = append(by, src)
		}
	}
	return by
}

func (s *study) noFeed() {
	for _, k := range s.d.All() {
		switch {
		case k.Load == nil:
		case k.Bus != "" && s.d.Feed(k) == nil:
			s.find("no-feed", Error, ofCircuit(k), numbers{}, wire.EssentialFed,
				fmt.Sprintf("%s: no way leads from bus %s to load+; look for a missing run or a contact that is not the one meant", k.Called(), k.Bus))
		case k.Bus == "" && len(s.reached(k.Name+".load+")) == 0:
			s.find("no-feed", Error, ofCircuit(k), numbers{}, wire.EssentialFed,
				fmt.Sprintf("%s: no way leads from any battery or alternator to load+", k.Called()))
		}
	}
}

func (s *study) noReturn() {
	for _, k := range s.d.All() {
		if k.Load == nil || s.d.Return(k) != nil {
			continue
		}
		if k.Bus == "" {
			if src, _ := s.feederLinks(k); src != nil || len(s.reached(k.Name+".load+")) == 0 {
				continue
			}
		}
		s.find("no-return", Error, ofCircuit(k), numbers{}, wire.EssentialFed,
			fmt.Sprintf("%s: no way leads from load- to a ground point; add the return run", k.Called()))
	}
}

func (s *study) busUnfed() {
	for _, b := range s.d.Buses {
		if len(s.reached(b.Name)) == 0 {
			s.find("bus-unfed", Error, subject{b.Pos, b.Name, ""}, numbers{}, wire.EssentialFed,
				fmt.Sprintf("%s: no battery or alternator reaches it; add the feeder", b.Title))
		}
	}
}

// alone tells whether a source reaches no bus: a pack that serves one box.
func (s *study) alone(src *design.Source) bool {
	return !slices.ContainsFunc(s.d.Buses, func(b *design.Bus) bool {
		_, ok := s.reach[src.Name][b.Name]
		return ok
	})
}

func (s *study) noProtector() {
	for _, k := range s.d.All() {
		if k.Load == nil {
			continue
		}
		var links []*link
		if k.Bus != "" {
			links = s.along(s.d.Feed(k))
		} else {
			src, way := s.feederLinks(k)
			starter := k.Load.Nature == design.Motor && k.Load.Duty == design.Intermittent
			if src == nil || starter || s.alone(src) {
				continue
			}
			links = way
		}
		guarded := slices.ContainsFunc(links, func(l *link) bool { return l.part.Kind == airframe.Protector })
		if len(links) > 0 && !guarded {
			s.find("no-protector", Error, ofCircuit(k), numbers{}, wire.Protected,
				fmt.Sprintf("%s: nothing between its supply and its load opens on a short; add a breaker close to the bus", k.Called()))
		}
	}
}

// guarded is what hangs on a protector and on no other after it.
type guarded struct {
	runs  []*link
	loads []*design.Circuit
}

// guardedBy lists the runs that hang on a circuit's protector, and the circuits
// whose loads it feeds. Several rules ask for it.
func (s *study) guardedBy(k *design.Circuit) (runs []*link, loads []*design.Circuit) {
	g, ok := s.guarded[k]
	if !ok {
		g.runs, g.loads = s.findGuarded(k)
		s.guarded[k] = g
	}
	return g.runs, g.loads
}

func (s *study) findGuarded(k *design.Circuit) (runs []*link, loads []*design.Circuit) {
	start := k.Name + ".breaker"
	seen := map[string]bool{start: true}
	for queue := []string{start}; len(queue) > 0; queue = queue[1:] {
		at := queue[0]
		if s.d.IsBus(at) || s.d.IsGround(at) {
			continue
		}
		if t := s.d.Terminal(at); t.Circuit != nil && t.Circuit.Load != nil && at == t.Circuit.Name+".load+" {
			loads = append(loads, t.Circuit)
		}
		for _, next := range s.d.Beside(at) {
			l := s.between[pair(at, next)]
			if l == nil || l.part.Kind == airframe.Protector {
				continue
			}
			if l.run != nil && !slices.Contains(runs, l) {
				runs = append(runs, l)
			}
			if !seen[next] {
				seen[next] = true
				queue = append(queue, next)
			}
		}
	}
	for _, fed := range loads {
		for _, l := range s.along(s.d.Return(fed)) {
			if l != nil && l.run != nil && !slices.Contains(runs, l) {
				runs = append(runs, l)
			}
		}
	}
	return runs, loads
}

func (s *study) breakerShared() {
	for _, k := range s.d.All() {
		if k.Protector() == nil {
			continue
		}
		_, loads := s.guardedBy(k)
		if len(loads) < 2 {
			continue
		}
		var names []string
		severity := Note
		for _, fed := range loads {
			names = append(names, fed.Called())
			if fed.Essential {
				severity = Warning
			}
		}
		s.find("breaker-shared", severity, ofCircuit(k), numbers{float64(len(loads)), 1, ""}, wire.OwnProtector,
			fmt.Sprintf("the protector of %s feeds %s: one fault takes all of them", k.Called(), strings.Join(names, " and ")))
	}
}

// leadsOn tells whether a current that comes to a terminal over one part finds
// something there: another part, or a thing that takes or gives power.
func (s *study) leadsOn(terminal string) bool {
	t := s.d.Terminal(terminal)
	switch {
	case s.d.IsBus(terminal), s.d.IsGround(terminal), len(s.d.Beside(terminal)) > 1:
		return true
	case t.Circuit != nil:
		return terminal == t.Circuit.Name+".load+" || terminal == t.Circuit.Name+".load-"
	}
	return slices.ContainsFunc(s.d.Sources, func(src *design.Source) bool {
		return terminal == src.Name+"+" || terminal == src.Name+"-"
	})
}

func (s *study) runEndsNowhere() {
	for _, t := range s.d.Terminals() {
		if s.leadsOn(t.Name) {
			continue
		}
		end := t
		if len(end.Runs) == 0 { // the far side of a contact or a switch
			beside := s.d.Beside(t.Name)
			if len(beside) != 1 || s.d.IsBus(beside[0]) {
				continue
			}
			end = s.d.Terminal(beside[0])
		}
		if len(end.Runs) != 1 {
			continue
		}
		r := end.Runs[0]
		what := "nothing more is joined there"
		if end != t {
			what = fmt.Sprintf("no run goes on from %s", t.Name)
		}
		s.find("run-ends-nowhere", Error, ofRun(r), numbers{}, wire.Citation{Text: "the design itself", Status: wire.OfDesign},
			fmt.Sprintf("run %s ends at %s and %s", r.Name, end.Name, what))
	}
}

// crowd is the most runs that share one terminal that is no contact, bus or
// ground point.
const crowd = 4

func (s *study) contactShared() {
	contact := map[string]bool{}
	for _, k := range s.d.Connectors {
		for i := 1; i <= k.Pins; i++ {
			contact[fmt.Sprintf("%s.%d", k.Name, i)] = true
			contact[fmt.Sprintf("%s.%d", k.Plug, i)] = true
		}
	}
	for _, t := range s.d.Terminals() {
		n := len(t.Runs)
		switch {
		case contact[t.Name] && n > 1:
			last := t.Runs[n-1]
			s.find("contact-shared", Warning, ofRun(last), numbers{float64(n), 1, ""}, wire.Practice,
				fmt.Sprintf("run %s and run %s both end on contact %s; give one of them a contact of its own, or join them in a splice", t.Runs[0].Name, last.Name, t.Name))
		case !s.d.IsBus(t.Name) && !s.d.IsGround(t.Name) && n > crowd:
			s.find("contact-shared", Warning, ofRun(t.Runs[n-1]), numbers{float64(n), crowd, ""}, wire.StudRule,
				fmt.Sprintf("%d runs end on %s", n, t.Name))
		}
	}
}

func (s *study) groundCrowded() {
	for _, g := range s.d.Grounds {
		if n := len(s.d.Terminal(g.Name).Runs); n > g.Ways {
			s.find("ground-crowded", authority(wire.StudRule), subject{g.Pos, g.Name, ""}, numbers{float64(n), float64(g.Ways), ""}, wire.StudRule,
				fmt.Sprintf("ground point %s: %d runs where %d fit; use another point, or say \"ways\" if it is a block", g.Name, n, g.Ways))
		}
	}
}

func (s *study) groundCurrent() {
	for _, g := range s.d.Grounds {
		bond := s.between[pair(g.Name, "")]
		if g.Rating > 0 && bond.amperes() > float64(g.Rating) {
			s.find("ground-current", Error, subject{g.Pos, g.Name, ""}, numbers{bond.amperes(), float64(g.Rating), "A"}, wire.AsRated,
				fmt.Sprintf("ground point %s carries %s continuously", g.Name, amperes(bond.amperes())))
		}
	}
}

func (s *study) sharedReturn() {
	hears, noisy := map[string][]*design.Circuit{}, map[string][]*design.Circuit{}
	for _, k := range s.d.All() {
		if k.Load == nil {
			continue
		}
		back := s.d.Return(k)
		if back == nil {
			continue
		}
		// All that lies on the way back but the load itself: splices, contacts,
		// the ground point.
		for _, t := range back[1:] {
			switch k.Load.Nature {
			case design.Audio:
				hears[t] = append(hears[t], k)
			case design.Motor, design.Strobe:
				noisy[t] = append(noisy[t], k)
			}
		}
	}
	for _, t := range s.d.Terminals() {
		for _, k := range hears[t.Name] {
			if len(noisy[t.Name]) == 0 {
				continue
			}
			var names []string
			for _, n := range noisy[t.Name] {
				names = append(names, n.Called())
			}
			s.find("shared-return", Warning, ofCircuit(k), numbers{}, wire.QuietReturn,
				fmt.Sprintf("%s shares its return at %s with %s, and will hear it", k.Called(), t.Name, strings.Join(names, ", ")))
			break
		}
	}
}

func (s *study) locatorAlone() {
	for _, k := range s.d.All() {
		if k.Load == nil || k.Load.Nature != design.Locator {
			continue
		}
		rule := wire.Practice
		by := s.reached(k.Name + ".load+")
		for _, src := range by {
			if src.Kind != design.Battery || !s.alone(src) {
				s.find("locator-alone", Error, ofCircuit(k), numbers{}, rule,
					fmt.Sprintf("%s is fed by %s, which feeds the buses too: it must work from a battery of its own when all else is lost", k.Called(), src.Name))
			}
		}
	}
}
