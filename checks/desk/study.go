package desk

import (
	"math"
	"slices"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/network"
	"loomproof/checks/wire"
)

// A study is a design worked through: the way of every current, and what it
// loses. Rules read it.
type study struct {
	d       *design.Design
	model   *airframe.Model
	nominal float64
	report  *Report

	links   []*link
	between map[[2]string]*link          // by the terminals at its ends
	loads   []*way                       // to loads, in the order of the file
	feeders []*way                       // from sources to buses
	reach   map[string]map[string]string // by source: a terminal, and the one before it on the way from the source's plus
	bundles map[string][]*link
	guarded map[*design.Circuit]guarded // see guardedBy
}

// A link is one resistance between two terminals.
type link struct {
	part     *airframe.Part
	run      *design.Run // nil for what is no wire
	gauge    wire.Gauge  // of a run: the design's, or one that is being tried
	sum      float64     // continuous, of the circuits whose way passes
	supply   float64     // continuous, of the sources whose way passes
	shorts   []short     // what passes for a time only, beside the rest
	switched float64     // what a switch here must be rated for, by nature of the loads
	ways     []*way
}

// A short is a current for a time.
type short struct{ amperes, seconds float64 }

// most is the largest of a link's short currents; 0 without any.
func (l *link) most() (out short) {
	for _, x := range l.shorts {
		if x.amperes > out.amperes {
			out = x
		}
	}
	return out
}

// amperes is the continuous current through a link.
func (l *link) amperes() float64 { return math.Max(l.sum, l.supply) }

// A way is what a current passes from a bus or source to a load (or a bus).
type way struct {
	rule     string
	circuit  *design.Circuit
	from, to string
	links    []*link
	others   []float64 // by link: what other circuits send through it, in amperes
	load     *network.Load
	base     float64 // volts at its beginning
	inside   float64 // ohms inside the source, where it begins at one
	seconds  float64 // how long it lasts; +Inf for ever
	wireOnly bool    // only wire and joints count, as for feeders
	allowed  float64 // volts
	cite     wire.Citation

	amperes float64 // the load's own
	drop    float64
}

var always = math.Inf(1)

func newStudy(d *design.Design) *study {
	s := &study{
		d: d, model: airframe.New(d), nominal: float64(d.Aircraft.Nominal),
		report:  &Report{Aircraft: d.Aircraft.Name, Revision: d.Revision, Findings: []Finding{}},
		between: map[[2]string]*link{}, bundles: map[string][]*link{}, guarded: map[*design.Circuit]guarded{}, reach: map[string]map[string]string{},
	}
	s.addLinks()
	for _, src := range d.Sources {
		s.reach[src.Name] = s.reachFrom(src)
	}
	for _, k := range d.All() {
		s.addWays(k)
	}
	s.settle()
	s.addFeeders()
	s.carry()
	return s
}

func pair(a, b string) [2]string {
	if a > b {
		a, b = b, a
	}
	return [2]string{a, b}
}

func (s *study) addLinks() {
	parts := s.model.Parts()
	s.links = make([]*link, 0, len(parts))
	for _, p := range parts {
		l := &link{part: p, run: p.Run}
		if p.Run != nil {
			l.gauge = p.Run.Gauge
			s.bundles[p.Run.Bundle] = append(s.bundles[p.Run.Bundle], l)
		}
		s.links = append(s.links, l)
		if key := pair(p.From, p.To); s.between[key] == nil {
			s.between[key] = l
		}
	}
}

// reachFrom says for every terminal that power reaches from a source's plus,
// where it comes from.
func (s *study) reachFrom(src *design.Source) map[string]string {
	plus := src.Name + "+"
	before := map[string]string{plus: ""}
	queue := []string{plus}
	if src.Plus != "" {
		before[src.Plus] = plus
		queue = append(queue, src.Plus)
	}
	for len(queue) > 0 {
		at := queue[0]
		queue = queue[1:]
		for _, next := range s.d.Beside(at) {
			if _, seen := before[next]; !seen {
				before[next] = at
				queue = append(queue, next)
			}
		}
	}
	return before
}

// linksTo are the links from a source's plus to a terminal; nil if power does
// not get there.
func (s *study) linksTo(source, terminal string) []*link {
	before := s.reach[source]
	if _, ok := before[terminal]; !ok {
		return nil
	}
	var out []*link
	for t := terminal; before[t] != ""; t = before[t] {
		out = append(out, s.between[pair(before[t], t)])
	}
	slices.Reverse(out)
	return out
}

// minusOf is the terminal where a source's returns end.
func minusOf(src *design.Source) string {
	if src.Minus != "" {
		return src.Minus
	}
	return src.Name + "-"
}

// along turns terminals into the links between them.
func (s *study) along(terminals []string) []*link {
	var out []*link
	for i := 1; i < len(terminals); i++ {
		out = append(out, s.between[pair(terminals[i-1], terminals[i])])
	}
	return out
}

// circuitLinks is the way of a circuit that hangs on a bus: to the load, back
// to a ground point, over its bond to the airframe. It is nil where the design
// leaves a gap; other rules say so.
func (s *study) circuitLinks(k *design.Circuit) []*link {
	feed, back := s.d.Feed(k), s.d.Return(k)
	if feed == nil || back == nil {
		return nil
	}
	out := append(s.along(feed), s.along(back)...)
	return append(out, s.between[pair(back[len(back)-1], "")])
}

// feederLinks is the way of a load that hangs on no bus: from the first source
// that reaches it, back to the same source, over wire or over the airframe.
func (s *study) feederLinks(k *design.Circuit) (*design.Source, []*link) {
	plus, minus := k.Name+".load+", k.Name+".load-"
	for _, src := range s.d.Sources {
		if src.Kind == design.BenchSupply {
			continue
		}
		feed := s.linksTo(src.Name, plus)
		if feed == nil {
			continue
		}
		if back := s.d.Path(minus, minusOf(src)); back != nil {
			return src, append(feed, s.along(back)...)
		}
		here, there := s.toAirframe(minus), s.toAirframe(minusOf(src))
		if here != nil && there != nil {
			return src, append(append(feed, here...), there...)
		}
	}
	return nil, nil
}

// toAirframe is the way from a terminal over the nearest ground point to the
// airframe.
func (s *study) toAirframe(terminal string) []*link {
	seen := map[string]string{terminal: ""}
	for queue := []string{terminal}; len(queue) > 0; queue = queue[1:] {
		at := queue[0]
		if s.d.IsGround(at) {
			out := []*link{s.between[pair(at, "")]}
			for t := at; seen[t] != ""; t = seen[t] {
				out = append(out, s.between[pair(t, seen[t])])
			}
			return out
		}
		for _, next := range s.d.Beside(at) {
			if _, ok := seen[next]; !ok {
				seen[next] = at
				queue = append(queue, next)
			}
		}
	}
	return nil
}

// shortWork is how long intermittent work lasts where the design does not say.
// Common practice.
const shortWork = 30

func (s *study) addWays(k *design.Circuit) {
	l := k.Load
	if l == nil {
		return
	}
	w := way{circuit: k, from: k.Bus, to: k.Name + ".load+", base: s.nominal}
	if k.Bus != "" {
		w.links = s.circuitLinks(k)
	} else if src, links := s.feederLinks(k); src != nil {
		w.links, w.from, w.base, w.inside = links, src.Name+"+", float64(src.Volts), float64(src.Resistance)
	}
	if w.links == nil {
		return
	}
	if l.Duty == design.Continuous {
		s.addWay(w, "drop-continuous", l.Draw, always)
	}
	seconds := float64(l.For)
	if seconds == 0 {
		seconds = shortWork
	}
	switch {
	case k.Bus == "" && l.Duty == design.Intermittent && l.Nature == design.Motor:
		s.addWay(w, "cranking-drop", l.Draw, seconds)
	case l.Duty == design.Intermittent:
		s.addWay(w, "drop-intermittent", l.Draw, seconds)
	case l.Intermittent != nil:
		s.addWay(w, "drop-intermittent", *l.Intermittent, seconds)
	}
}

func (s *study) addWay(w way, rule string, draw design.Draw, seconds float64) {
	w.rule, w.seconds = rule, seconds
	load := airframe.LoadOf(w.circuit.Load.Kind, draw, s.nominal)
	w.load = &load
	w.allowed, w.cite = wire.AllowedDrop(s.nominal, !math.IsInf(seconds, 1))
	w.others = make([]float64, len(w.links))
	w.amperes = draw.At(s.nominal)
	s.loads = append(s.loads, &w)
	for _, l := range w.links {
		l.ways = append(l.ways, &w)
	}
}

// all lists every way.
func (s *study) all() []*way { return append(append([]*way{}, s.loads...), s.feeders...) }

func (w *way) continuous() bool { return math.IsInf(w.seconds, 1) }

// settle finds the currents: the continuous ones together, then each short one
// on top of them.
func (s *study) settle() {
	for range 60 {
		s.addUp()
		moved := 0.0
		for _, w := range s.loads {
			if w.continuous() {
				was := w.amperes
				s.run(w)
				moved = math.Max(moved, math.Abs(w.amperes-was))
			}
		}
		if moved < 1e-9 {
			break
		}
	}
	s.addUp()
	for _, w := range s.loads {
		if !w.continuous() {
			s.run(w)
		}
	}
}

// addUp adds the continuous currents of all circuits in every link, and tells
// every way what the others send through its links.
func (s *study) addUp() {
	for _, l := range s.links {
		l.sum = 0
	}
	own := map[*design.Circuit]float64{}
	for _, w := range s.loads {
		if w.continuous() {
			own[w.circuit] = w.amperes
			for _, l := range w.links {
				l.sum += w.amperes
			}
		}
	}
	for _, w := range s.loads {
		for i, l := range w.links {
			w.others[i] = l.sum - own[w.circuit]
		}
	}
}

// run finds a way's own current and its drop with the others' currents as they
// are: what the load takes at a voltage, what the line leaves at that current,
// and again. It starts from the light end, so that of two currents that satisfy
// a constant power the smaller is found, as the aircraft finds it. Where that
// swings (a line that hardly feeds its load) it goes on by half steps.
func (s *study) run(w *way) {
	if w.load == nil {
		w.drop = s.loss(w, 0)
		return
	}
	left := func(amperes float64) float64 { return w.base - w.inside*amperes - s.loss(w, amperes) }
	amperes := w.load.Current(w.base)
	for round := range 200 {
		next := w.load.Current(math.Max(0, left(amperes)))
		if math.Abs(next-amperes) < 1e-12*(1+amperes) {
			amperes = next
			break
		}
		if round > 20 {
			next = (amperes + next) / 2
		}
		amperes = next
	}
	w.amperes, w.drop = amperes, s.loss(w, amperes)
}

// loss is what a way loses with a current of its own.
func (s *study) loss(w *way, amperes float64) float64 {
	sum := 0.0
	for i, l := range w.links {
		if w.wireOnly && l.run == nil {
			continue
		}
		through := w.others[i] + amperes
		sum += through * s.ohms(l, through, w.seconds)
	}
	return sum
}

// ohms is a link's resistance with a current through it for a time.
func (s *study) ohms(l *link, amperes, seconds float64) float64 {
	if l.run == nil {
		return l.part.Ohms.Usual
	}
	return s.wireOhms(l.gauge, float64(l.run.Length), amperes, seconds)
}

func (s *study) wireOhms(g wire.Gauge, metres, amperes, seconds float64) float64 {
	return g.MaxResistance(s.celsius(g, amperes, seconds))*metres + 2*wire.Joint(g).Usual
}

// celsius is the conductor's temperature with a current for a time: the air's
// and the rise, which is no more than the steady one and no more than what the
// heat of that time makes.
func (s *study) celsius(g wire.Gauge, amperes, seconds float64) float64 {
	return float64(*s.d.Aircraft.Ambient) + s.rise(g, amperes, seconds)
}

func (s *study) rise(g wire.Gauge, amperes, seconds float64) float64 {
	rating := s.d.Aircraft.Insulation
	rise, _ := g.Rise(amperes, rating)
	if !math.IsInf(seconds, 1) {
		short, _ := g.ShortRise(amperes, seconds, float64(rating))
		rise = math.Min(rise, short)
	}
	return rise
}

// addFeeders makes the ways from each source to each bus, with the current of
// every load behind, and the source's own full current up to its first bus.
func (s *study) addFeeders() {
	for _, src := range s.d.Sources {
		if src.Kind == design.BenchSupply {
			continue
		}
		sum := map[*link]float64{}
		for _, w := range s.loads {
			if w.continuous() && w.circuit.Bus != "" {
				for _, l := range s.linksTo(src.Name, w.circuit.Bus) {
					sum[l] += w.amperes
				}
			}
		}
		full := float64(src.Limit)
		if src.Kind == design.Battery {
			full = float64(src.FiveMinute)
		}
		for _, b := range s.d.Buses {
			s.addFeeder(src, b, sum, full)
		}
		s.addEarth(src, full)
	}
}

// addEarth makes the way from a source's minus terminal to the airframe, or
// over wire to the battery's, with all that the source delivers.
func (s *study) addEarth(src *design.Source, full float64) {
	if s.alone(src) {
		return
	}
	var links []*link
	if b := s.d.SourceOf(design.Battery); b != nil && b != src {
		links = s.along(s.d.Path(minusOf(src), minusOf(b)))
	}
	if links == nil {
		links = s.toAirframe(minusOf(src))
	}
	if links == nil {
		return
	}
	sum := 0.0
	for _, w := range s.loads {
		if _, ok := s.reach[src.Name][w.circuit.Bus]; ok && w.continuous() {
			sum += w.amperes
		}
	}
	w := &way{rule: "source-return", from: src.Name + "-", to: "airframe", links: links, others: make([]float64, len(links)), base: s.nominal, seconds: always, wireOnly: true}
	steady := math.Max(sum, full)
	if src.Kind == design.Battery {
		steady = sum
		if full > 0 {
			w.seconds = 300
		}
	}
	ohms, cite := wire.ReturnResistance()
	w.allowed, w.cite = ohms*math.Max(sum, full), cite
	for i, l := range links {
		w.others[i] = math.Max(sum, full)
		l.supply = math.Max(l.supply, steady)
		l.ways = append(l.ways, w)
		if l.part.Circuit != nil {
			w.circuit = l.part.Circuit
		}
	}
	s.feeders = append(s.feeders, w)
	s.run(w)
}

func (s *study) addFeeder(src *design.Source, b *design.Bus, sum map[*link]float64, full float64) {
	links := s.linksTo(src.Name, b.Name)
	if len(links) == 0 {
		return
	}
	w := &way{rule: "feeder-drop", from: src.Name + "+", to: b.Name, links: links, others: make([]float64, len(links)), base: s.nominal, seconds: always, wireOnly: true}
	if src.Kind == design.Battery && full > 0 {
		w.seconds = 300
	}
	before := true // still on the way to the first bus
	for i, l := range links {
		w.others[i] = sum[l]
		if before {
			w.others[i] = math.Max(sum[l], full)
		}
		if src.Kind == design.Alternator || !before {
			l.supply = math.Max(l.supply, w.others[i])
		} else {
			l.supply = math.Max(l.supply, sum[l])
		}
		if l.part.Circuit != nil {
			w.circuit = l.part.Circuit
		}
		if s.d.IsBus(l.part.From) && l.part.From != b.Name || s.d.IsBus(l.part.To) && l.part.To != b.Name {
			before = false
		}
		l.ways = append(l.ways, w)
	}
	regulated := s.nominal
	if src.Kind == design.Alternator {
		regulated = float64(src.Volts)
	}
	w.allowed, w.cite = wire.FeederDrop(regulated)
	s.feeders = append(s.feeders, w)
	s.run(w)
}

// carry notes what each link must stand for a short time, and what a switch
// there must be rated for.
func (s *study) carry() {
	for _, w := range s.all() {
		if w.continuous() {
			continue
		}
		for i, l := range w.links {
			l.shorts = append(l.shorts, short{w.others[i] + w.amperes, w.seconds})
		}
	}
	for _, k := range s.d.All() {
		if k.Load == nil {
			continue
		}
		factor, _ := wire.SwitchFactor(s.nominal, switchNature(k.Load.Nature))
		need := factor * k.Load.Draw.At(s.nominal)
		seen := map[*link]bool{}
		for _, l := range s.behind(k) {
			if !seen[l] {
				seen[l] = true
				l.switched += need
			}
		}
	}
}

// behind lists the links between any source of the aircraft and a circuit's
// load, its feeders included.
func (s *study) behind(k *design.Circuit) []*link {
	var out []*link
	for _, src := range s.d.Sources {
		if src.Kind != design.BenchSupply {
			out = append(out, s.linksTo(src.Name, k.Name+".load+")...)
		}
	}
	return out
}

// switchNature is a load's nature in the words of table 11-4, which has no row
// for electronics: they count as resistive there.
func switchNature(n design.Nature) wire.Nature {
	switch n {
	case design.LampNature:
		return wire.LampLoad
	case design.Motor:
		return wire.MotorLoad
	case design.Inductive:
		return wire.InductiveLoad
	}
	return wire.ResistiveLoad
}
