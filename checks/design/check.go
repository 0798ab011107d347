package design

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"loomproof/checks/units"
	"loomproof/checks/wire"
	"loomproof/probe/layout"
)

// index holds what names stand for.
type index struct {
	terminals map[string]*Terminal
	order     []string
	beside    map[string][]string // terminals one part away
	circuits  map[string]*Circuit // and feeders
	grounds   map[string]*Ground
	buses     map[string]*Bus
}

// A Terminal is where runs end and probes go.
type Terminal struct {
	Name    string   // full: radio.load+
	Say     string   // where to put the probe
	Reach   Reach    // what that takes
	Circuit *Circuit // whose part it is; nil for buses, grounds, sources, connectors
	Runs    []*Run   // the runs that end here
}

// Terminal finds a terminal by its full name; nil if there is none.
func (d *Design) Terminal(name string) *Terminal { return d.index.terminals[name] }

// Terminals lists all terminals in the order of the file.
func (d *Design) Terminals() []*Terminal {
	out := make([]*Terminal, len(d.index.order))
	for i, n := range d.index.order {
		out[i] = d.index.terminals[n]
	}
	return out
}

var goodName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$`)

// check finds what is wrong with a design that could be read.
func (c *checker) check(d *Design) {
	c.checkAircraft(d)
	d.index = &index{
		terminals: map[string]*Terminal{}, beside: map[string][]string{},
		circuits: map[string]*Circuit{}, grounds: map[string]*Ground{}, buses: map[string]*Bus{},
	}
	c.nameTerminals(d)
	c.checkParts(d)
	for _, circuit := range d.All() {
		c.checkCircuit(d, circuit)
	}
	c.checkQuiet(d)
	c.checkNotes(d)
}

func (c *checker) checkAircraft(d *Design) {
	a := &d.Aircraft
	if d.Format != 1 {
		c.Errorf(Pos{Line: 1, Column: 1}, "\"loomproof: %d\": this program reads format 1", d.Format)
	}
	if a.Nominal != 14 && a.Nominal != 28 {
		c.Errorf(a.Pos, "nominal %v: the published rules know 14 V and 28 V; write one of them", a.Nominal)
	}
	if a.Insulation == 0 {
		a.Insulation = wire.Rated150
	}
	if !slices.Contains([]wire.Insulation{wire.Rated105, wire.Rated150, wire.Rated200}, a.Insulation) {
		c.Errorf(a.Pos, "wire-rating %d: write 105, 150 or 200", a.Insulation)
	}
	if a.Ambient == nil {
		usual := units.Celsius(20)
		a.Ambient = &usual
	}
	c.inside(a.Pos, "ambient", float64(*a.Ambient), -40, 70, "°C")
	c.checkYardsticks(a)
	if a.Joint != nil {
		c.inside(a.Pos, "sound-joint", float64(*a.Joint), 0.2e-3, 50e-3, "Ω")
	}
}

// checkYardsticks fills in what the desk check measures by.
func (c *checker) checkYardsticks(a *Aircraft) {
	if a.Protector == "" {
		a.Protector = ByChart
	}
	if a.Protector != ByChart && a.Protector != ByCurrent {
		c.Errorf(a.Pos, "protector-table %q: write 11-3 or 11-9", a.Protector)
	}
	usual := func(v **units.Celsius, degrees units.Celsius) {
		if *v == nil {
			*v = &degrees
		}
	}
	usual(&a.Hottest, 70)
	usual(&a.Coldest, 0)
	if a.Ceiling == nil {
		table := units.Metres(18288)
		a.Ceiling = &table
	}
	c.inside(a.Pos, "hottest", float64(*a.Hottest), 0, 100, "°C")
	c.inside(a.Pos, "coldest", float64(*a.Coldest), -50, 40, "°C")
	c.inside(a.Pos, "ceiling", float64(*a.Ceiling), 0, 20000, "m")
	if a.Endurance != 0 && a.Endurance < 60 || a.Endurance > 86400 {
		c.Errorf(a.Pos, "endurance %v is outside 1 min to 24 h", a.Endurance)
	}
}

// inside reports a value outside its range.
func (c *checker) inside(at Pos, what string, v, low, high float64, unit string) {
	if !(v >= low && v <= high) {
		c.Errorf(at, "%s %s is outside %s to %s", what, units.Format(v, unit), units.Format(low, unit), units.Format(high, unit))
	}
}

// nameTerminals gives every terminal its name.
func (c *checker) nameTerminals(d *Design) {
	add := func(at Pos, name, say string, reach Reach, circuit *Circuit) {
		if d.index.terminals[name] != nil {
			c.Errorf(at, "the name %q is taken already; choose another", name)
			return
		}
		d.index.terminals[name] = &Terminal{Name: name, Say: say, Reach: reach, Circuit: circuit}
		d.index.order = append(d.index.order, name)
	}
	where := func(name, where string) string {
		if where == "" {
			return name
		}
		return name + ", " + where
	}
	for _, s := range d.Sources {
		c.checkName(s.Pos, s.Name)
		add(s.Pos, s.Name+"+", s.Name+" +", Easy, nil)
		add(s.Pos, s.Name+"-", s.Name+" −", Easy, nil)
	}
	for _, b := range d.Buses {
		c.checkName(b.Pos, b.Name)
		if b.Title == "" {
			b.Title = b.Name + " bus"
		}
		d.index.buses[b.Name] = b
		add(b.Pos, b.Name, b.Title, Easy, nil)
	}
	for _, g := range d.Grounds {
		c.checkName(g.Pos, g.Name)
		d.index.grounds[g.Name] = g
		add(g.Pos, g.Name, "ground point "+where(g.Name, g.Where), Easy, nil)
	}
	for _, s := range d.Splices {
		c.checkName(s.Pos, s.Name)
		add(s.Pos, s.Name, "splice "+where(s.Name, s.Where), NotAtAll, nil)
	}
	for _, k := range d.Connectors {
		c.checkName(k.Pos, k.Name)
		if k.Pins < 1 || k.Pins > 200 {
			c.Errorf(k.Pos, "connector %q: pins: %d is outside 1 to 200", k.Name, k.Pins)
			continue
		}
		for i := 1; i <= k.Pins; i++ {
			d.index.join(fmt.Sprintf("%s.%d", k.Name, i), fmt.Sprintf("%s.%d", k.Plug, i))
			add(k.Pos, fmt.Sprintf("%s.%d", k.Name, i), fmt.Sprintf("pin %d of %s", i, where(k.Name, k.Where)), Easy, nil)
			add(k.Pos, fmt.Sprintf("%s.%d", k.Plug, i), fmt.Sprintf("pin %d of %s", i, where(k.Plug, k.Where)), Easy, nil)
		}
	}
	for _, f := range d.Feeders {
		f.Feeder = true
	}
	for _, k := range d.All() {
		c.checkName(k.Pos, k.Name)
		k.joinParts(d.index)
		d.index.circuits[k.Name] = k
		for _, part := range k.parts() {
			add(k.Pos, k.Name+"."+part.local, k.Called()+", "+part.say, Easy, k)
		}
	}
	c.nameQuiet(d, add)
}

func (c *checker) checkName(at Pos, name string) {
	if !goodName.MatchString(name) {
		c.Errorf(at, "%q cannot be a name: letters, digits, - and _, at most 40, no spaces", name)
	}
}

type localTerminal struct{ local, say string }

// parts lists the terminals of the circuit's own parts.
func (k *Circuit) parts() []localTerminal {
	var out []localTerminal
	if k.Protector() != nil {
		if k.Bus == "" {
			out = append(out, localTerminal{"breaker.in", "supply side of the protector"})
		}
		out = append(out, localTerminal{"breaker", "load side of the " + k.protectorName()})
	}
	if k.Shunt != nil {
		out = append(out, localTerminal{"shunt.in", "shunt, in"}, localTerminal{"shunt.out", "shunt, out"})
	}
	if k.Switch != nil {
		name := string(k.Switch.kind())
		if k.Switch.Label != "" {
			name = k.Switch.Label
		}
		out = append(out, localTerminal{"switch.in", name + ", in"}, localTerminal{"switch.out", name + ", out"})
	}
	if k.Load != nil {
		out = append(out, localTerminal{"load+", "plus terminal"}, localTerminal{"load-", "minus terminal"})
	}
	return out
}

// joinParts notes what the circuit's protector, shunt and switch join.
func (k *Circuit) joinParts(x *index) {
	own := func(local string) string { return k.Name + "." + local }
	if k.Protector() != nil {
		in := k.Bus
		if in == "" {
			in = own("breaker.in")
		}
		x.join(in, own("breaker"))
	}
	if k.Shunt != nil {
		x.join(own("shunt.in"), own("shunt.out"))
	}
	if k.Switch != nil {
		x.join(own("switch.in"), own("switch.out"))
	}
}

func (s *Switch) kind() SwitchKind {
	if s.Kind == "" {
		return Toggle
	}
	return s.Kind
}

func (k *Circuit) protectorName() string {
	if k.Breaker == nil {
		return "fuse"
	}
	return "breaker"
}

func (c *checker) checkParts(d *Design) {
	for _, s := range d.Sources {
		if !slices.Contains([]SourceKind{Battery, Alternator, BenchSupply}, s.Kind) {
			c.Errorf(s.Pos, "source %q: kind %q: write battery, alternator or bench supply", s.Name, s.Kind)
		}
		c.inside(s.Pos, "source \""+s.Name+"\": volts", float64(s.Volts), 1, 60, "V")
		c.inside(s.Pos, "source \""+s.Name+"\": resistance", float64(s.Resistance), 1e-6, 100, "Ω")
		if s.Limit < 0 {
			c.Errorf(s.Pos, "source %q: limit %v is below zero", s.Name, s.Limit)
		}
		if s.Kind == Battery {
			c.checkBattery(s)
		}
		for _, end := range []*string{&s.Plus, &s.Minus} {
			if *end != "" && d.index.terminals[*end] == nil {
				c.unknownTerminal(d, s.Pos, *end, nil)
			}
		}
		if s.Kind == BenchSupply && (s.Plus == "" || s.Minus == "") {
			c.Errorf(s.Pos, "source %q: a bench supply needs plus and minus: the terminals it is clipped to", s.Name)
		}
	}
	for _, g := range d.Grounds {
		if g.Bond != nil {
			c.inside(g.Pos, "ground \""+g.Name+"\": bond", float64(*g.Bond), 1e-6, 0.1, "Ω")
		}
		if g.Ways == 0 {
			g.Ways = 4
		}
		if g.Ways < 1 || g.Ways > 200 {
			c.Errorf(g.Pos, "ground %q: ways: %d is outside 1 to 200", g.Name, g.Ways)
		}
	}
}

func (c *checker) checkBattery(s *Source) {
	if s.RatedAt == 0 {
		s.RatedAt = 3600
	}
	if s.Peukert == 0 {
		s.Peukert = 1.15
	}
	if s.Health == 0 {
		s.Health = 0.8
	}
	if s.Charge == 0 {
		s.Charge = units.Amperes(s.Capacity)
	}
	what := "source \"" + s.Name + "\": "
	c.inside(s.Pos, what+"capacity", float64(s.Capacity), 0, 1000, "Ah")
	if s.RatedAt < 300 || s.RatedAt > 360000 {
		c.Errorf(s.Pos, "%srated-at %v is outside 5 min to 100 h", what, s.RatedAt)
	}
	if s.Peukert < 1 || s.Peukert > 1.6 {
		c.Errorf(s.Pos, "%speukert %v is outside 1 to 1.6", what, s.Peukert)
	}
	c.inside(s.Pos, what+"health", float64(s.Health)*100, 10, 120, "%")
	c.inside(s.Pos, what+"five-minute", float64(s.FiveMinute), 0, 5000, "A")
	c.inside(s.Pos, what+"charge", float64(s.Charge), 0, 1000, "A")
}

func (c *checker) checkCircuit(d *Design, k *Circuit) {
	what := fmt.Sprintf("circuit %q", k.Name)
	if k.Feeder {
		what = fmt.Sprintf("feeder %q", k.Name)
	}
	switch {
	case k.Bus == "" && !k.Feeder:
		c.Errorf(k.Pos, "%s: \"bus\" is missing: the bus that its breaker hangs on", what)
	case k.Bus != "" && d.index.buses[k.Bus] == nil:
		names := make([]string, len(d.Buses))
		for i, b := range d.Buses {
			names[i] = b.Name
		}
		c.Errorf(k.Pos, "%s: there is no bus %q%s; the buses are: %s", what, k.Bus, layout.DidYouMean(layout.Nearest(k.Bus, names)), strings.Join(names, ", "))
	}
	if k.Breaker != nil && k.Fuse != nil {
		c.Errorf(k.Fuse.Pos, "%s has a breaker and a fuse; keep the one that it really has", what)
	}
	if p := k.Protector(); p != nil {
		c.inside(p.Pos, what+": rating", float64(p.Rating), 0.5, 200, "A")
	}
	if k.Load == nil && !k.Feeder {
		c.Errorf(k.Pos, "%s: \"load\" is missing: what it feeds, and what that draws", what)
	}
	if k.Load != nil {
		c.checkLoad(d, k, what)
	}
	if s := k.Switch; s != nil && s.kind() != Toggle && s.kind() != Contactor {
		c.Errorf(s.Pos, "%s: switch kind %q: write toggle or contactor", what, s.Kind)
	}
	if s := k.Shunt; s != nil && (s.Rating <= 0 || s.Drop <= 0) {
		c.Errorf(s.Pos, "%s: the shunt needs a rating and a drop above zero, as 50 A and 50 mV", what)
	}
	for i, r := range k.Runs {
		c.checkRun(d, k, r, i+1)
	}
}

func (c *checker) checkLoad(d *Design, k *Circuit, what string) {
	l := k.Load
	switch l.Kind {
	case Resistive, ConstantCurrent, ConstantPower, Lamp:
	default:
		c.Errorf(l.Pos, "%s: load kind %q: write resistive, constant current, constant power or lamp", what, l.Kind)
	}
	switch l.Duty {
	case "":
		l.Duty = Continuous
	case Continuous, Intermittent:
	default:
		c.Errorf(l.Pos, "%s: duty %q: write continuous or intermittent", what, l.Duty)
	}
	if l.Tolerance == 0 {
		l.Tolerance = 0.10
	}
	c.checkNature(l, what)
	c.inside(l.Pos, what+": tolerance", float64(l.Tolerance)*100, 0.1, 90, "%")
	draws := map[string]*Draw{"draw": &l.Draw, "intermittent": l.Intermittent, "inrush": l.Inrush}
	for _, name := range []string{"draw", "intermittent", "inrush"} {
		if draw := draws[name]; draw != nil {
			c.inside(l.Pos, what+": "+name, draw.At(float64(d.Aircraft.Nominal)), 1e-4, 2000, "A")
		}
	}
}

// checkNature fills in what follows from a load's kind.
func (c *checker) checkNature(l *Load, what string) {
	if l.Nature == "" {
		l.Nature = l.derived()
	}
	if !slices.Contains([]Nature{LampNature, Motor, Inductive, Plain, Electronic, Audio, Strobe, Locator}, l.Nature) {
		c.Errorf(l.Pos, "%s: nature %q: write lamp, motor, inductive, resistive, electronic, audio, strobe or locator", what, l.Nature)
	}
	if l.InrushFor == 0 {
		l.InrushFor = 0.1
		if l.Nature == Motor {
			l.InrushFor = 0.5
		}
	}
	if l.Share == 0 {
		l.Share = 0.1
	}
	c.inside(l.Pos, what+": inrush-for", float64(l.InrushFor), 1e-3, 60, "s")
	c.inside(l.Pos, what+": intermittent-share", float64(l.Share)*100, 1, 100, "%")
}

func (c *checker) checkRun(d *Design, k *Circuit, r *Run, count int) {
	r.Circuit = k
	if r.Name == "" {
		r.Name = fmt.Sprintf("%s/%d", k.Name, count)
	}
	c.inside(r.Pos, "run "+r.Name+": length", float64(r.Length), 0.01, 50, "m")
	for _, end := range []*string{&r.From, &r.To} {
		full := k.Name + "." + *end
		if *end == "breaker.out" {
			full = k.Name + ".breaker"
		}
		if d.index.terminals[full] == nil {
			full = *end
		}
		t := d.index.terminals[full]
		if t == nil {
			c.unknownTerminal(d, r.Pos, *end, k)
			continue
		}
		*end = full
		t.Runs = append(t.Runs, r)
	}
	d.index.join(r.From, r.To)
	if r.From == r.To && r.From != "" {
		c.Errorf(r.Pos, "run %s begins and ends at %q", r.Name, r.From)
	}
}

func (c *checker) unknownTerminal(d *Design, at Pos, name string, k *Circuit) {
	names := slices.Clone(d.index.order)
	own := ""
	if k != nil {
		var local []string
		for _, p := range k.parts() {
			local = append(local, p.local)
		}
		names = append(names, local...)
		own = fmt.Sprintf("; the circuit's own are: %s", strings.Join(local, ", "))
	}
	c.Errorf(at, "there is no terminal %q%s%s", name, layout.DidYouMean(layout.Nearest(name, names)), own)
}

func (c *checker) checkNotes(d *Design) {
	for _, n := range d.Points {
		t := d.index.terminals[n.Name]
		if t == nil {
			c.unknownTerminal(d, n.Pos, n.Name, nil)
			continue
		}
		if n.Say != "" {
			t.Say = n.Say
		}
		switch n.Reach {
		case "":
		case Easy, Undo, NotAtAll:
			t.Reach = n.Reach
		default:
			c.Errorf(n.Pos, "point %q: reach %q: write easy, undo or none", n.Name, n.Reach)
		}
	}
}
