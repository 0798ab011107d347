package wirelist

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"loomproof/checks/wire"
)

// A circuit of the design to be.
type circuit struct {
	name, title string
	rows        []*row
	bus         string // "" for a feeder on no bus
	feeder      bool
	parent      *circuit // whose protector and switch it shares
	protector   *end
	unnamed     bool // it has a protector that the list does not name
	rating      string
	fuse        bool
	swtch       *end
	load        *end
	draw        string
	runs        []run
	checks      map[string]string // what to look at: "rating", "draw", "bus" ...
}

// A run of the design to be.
type run struct {
	name, from, to, bundle string
	gauge                  wire.Gauge
	length                 float64
	row                    *row // nil for one that the list does not have
	check                  []string
}

// builder makes circuits of rows.
type builder struct {
	*list
	circuits   []*circuit
	buses      []string
	grounds    []string
	splices    []string
	sources    []string
	connectors map[string]int // J1: contacts
	receptacle []string       // the same, in order
	plugs      map[string]bool
	names      map[string]string // key of a thing: its name in the design
	taken      map[string]bool   // lower-case names of things
	owner      map[string]*circuit
	inward     map[string]*row // the row that comes into a switch, where all go one way
	titles     map[string]string
}

func newBuilder(l *list) *builder {
	return &builder{
		list: l, connectors: map[string]int{}, plugs: map[string]bool{}, names: map[string]string{}, owner: map[string]*circuit{},
		inward: map[string]*row{}, titles: map[string]string{},
		taken: map[string]bool{"breaker": true, "load": true, "switch": true, "shunt": true},
	}
}

func (b *builder) build() {
	b.assign()
	for _, r := range b.placed() {
		c := b.circuitOf(r.circuit)
		c.rows = append(c.rows, r)
	}
	b.nameThings()
	for _, c := range slices.Clone(b.circuits) {
		b.shape(c)
	}
	for _, c := range b.circuits {
		b.settle(c)
	}
	for _, c := range b.circuits {
		b.makeRuns(c)
	}
	b.complete()
}

func (b *builder) placed() (out []*row) {
	for _, r := range b.rows {
		if r.kept == "" {
			out = append(out, r)
		}
	}
	return out
}

// assign gives each row without a circuit that of a row which shares a switch,
// protector, load or contact; what is left is named by what it has.
func (b *builder) assign() {
	rows := b.placed()
	inherit := func() {
		for changed := true; changed; {
			changed = false
			known := map[string]string{}
			for _, r := range rows {
				for _, e := range r.ends {
					if k := e.key(); r.circuit != "" && k != "" && private(e) && known[k] == "" {
						known[k] = r.circuit
					}
				}
			}
			for _, r := range rows {
				for _, e := range r.ends {
					if c := known[e.key()]; r.circuit == "" && private(e) && c != "" {
						r.circuit, changed = c, true
					}
				}
			}
		}
	}
	inherit()
	// A row with a load names the circuit best; then protector, switch, anything.
	for _, want := range []kind{aLoad, aProtector, aSwitch, aContact, nothing} {
		for _, r := range rows {
			if r.circuit != "" {
				continue
			}
			for _, e := range r.ends {
				if want == nothing {
					r.circuit = r.ends[0].written + " to " + r.ends[1].written
				} else if e.kind == want {
					r.circuit = cmp.Or(e.name, e.written)
				}
			}
			if r.circuit != "" {
				b.note(Guess, r.record[0], "the row names no circuit; it is put into %q", r.circuit)
				inherit()
			}
		}
	}
}

// private tells what belongs to one circuit.
func private(e end) bool {
	return slices.Contains([]kind{aProtector, aSwitch, aLoad, aContact, aSplice}, e.kind)
}

func (b *builder) circuitOf(title string) *circuit {
	for _, c := range b.circuits {
		if strings.EqualFold(c.title, title) {
			return c
		}
	}
	return b.newCircuit(title)
}

func (b *builder) newCircuit(title string) *circuit {
	c := &circuit{title: title, name: b.unique(slug(title, "circuit"), func(name string) bool {
		return slices.ContainsFunc(b.circuits, func(c *circuit) bool { return c.name == name })
	}), checks: map[string]string{}}
	b.circuits = append(b.circuits, c)
	return c
}

func (b *builder) unique(name string, taken func(string) bool) string {
	for try, n := name, 2; ; n++ {
		if !taken(try) {
			return try
		}
		try = fmt.Sprintf("%.36s-%d", name, n)
	}
}

var (
	umlauts = strings.NewReplacer("ä", "ae", "ö", "oe", "ü", "ue", "ß", "ss", "é", "e", "è", "e", "à", "a", "ç", "c", "+", " plus ")
	notName = regexp.MustCompile(`[^a-z0-9_]+`)
)

// slug makes a name that a design can have.
func slug(title, otherwise string) string {
	s := strings.Trim(notName.ReplaceAllString(umlauts.Replace(strings.ToLower(title)), "-"), "-_")
	if len(s) > 36 {
		s = strings.TrimRight(s[:36], "-_")
	}
	return cmp.Or(s, otherwise)
}

// nameThings finds the buses, ground points, splices, connectors and sources.
func (b *builder) nameThings() {
	for _, r := range b.placed() {
		for i := range r.ends {
			e := &r.ends[i]
			switch e.kind {
			case aBus:
				b.thing(&b.buses, e.key(), e.written, slug(e.name, "bus"))
			case aGround:
				name := slug(e.name, "ground")
				if groundNumber.MatchString(strings.ToUpper(name)) {
					name = strings.ToUpper(name)
				}
				b.thing(&b.grounds, e.key(), e.written, name)
			case aSource:
				b.thing(&b.sources, e.key(), e.written, slug(e.name, "source"))
			case aSplice:
				if e.generic {
					e.name, e.generic = e.name+" "+b.circuitOf(r.circuit).name, false
				}
				b.thing(&b.splices, e.key(), e.written, slug(e.name, "splice"))
			case aContact:
				b.contact(r, e)
			}
		}
		if r.bus != "" {
			if e, err := classify(r.bus, ""); err == nil {
				e.kind = aBus
				b.thing(&b.buses, e.key(), r.bus, slug(e.name, "bus"))
			}
		}
	}
}

// thing names a thing once, and says its name.
func (b *builder) thing(into *[]string, key, written, name string) string {
	if have := b.names[key]; have != "" {
		return have
	}
	name = b.unique(name, func(n string) bool { return b.taken[strings.ToLower(n)] })
	b.taken[strings.ToLower(name)] = true
	b.names[key], b.titles[name] = name, written
	*into = append(*into, name)
	return name
}

func (b *builder) contact(r *row, e *end) {
	n := 0
	fmt.Sscan(e.pin, &n)
	j := "J" + e.name[1:]
	if _, have := b.connectors[j]; !have {
		b.receptacle = append(b.receptacle, j)
		b.taken[strings.ToLower(j)], b.taken["p"+j[1:]] = true, true
	}
	b.connectors[j] = max(b.connectors[j], n)
	if e.name[0] == 'P' {
		b.plugs[j] = true
	}
	if e.lettered != "" {
		r.check = append(r.check, fmt.Sprintf("contact %s of %s is written as %s.%s", e.lettered, e.name, e.name, e.pin))
	}
}

// shape finds what a circuit consists of: its protector, its switch, its load.
func (b *builder) shape(c *circuit) {
	for _, r := range c.rows {
		for i := range r.ends {
			b.part(c, r, &r.ends[i])
		}
		if c.rating == "" {
			c.rating, c.fuse = r.rating, r.fuse
		} else if r.rating != "" && r.rating != c.rating {
			r.check = append(r.check, fmt.Sprintf("the list says %s here and %s above", r.rating, c.rating))
			b.note(Guess, r.record[0], "%s has %s and %s as its protector; the first was taken", c.title, c.rating, r.rating)
		}
		if home := b.home(c, r); home.draw == "" {
			home.draw = r.draw
		} else if r.draw != "" && r.draw != home.draw {
			r.check = append(r.check, fmt.Sprintf("the list says %s here and another draw above", r.draw))
		}
	}
}

// home is the circuit that a row's run stands in: that of its load.
func (b *builder) home(c *circuit, r *row) *circuit {
	for _, e := range r.ends {
		if o := b.owner[e.key()]; e.kind == aLoad && o != nil && o.parent == c {
			return o
		}
	}
	return c
}

// part finds a place in the circuit for the thing at an end.
func (b *builder) part(c *circuit, r *row, e *end) {
	var place **end
	switch e.kind {
	case aProtector:
		place = &c.protector
	case aSwitch:
		place = &c.swtch
	case aLoad:
		place = &c.load
	default:
		return
	}
	key := e.key()
	if key == "" {
		if *place == nil {
			*place = e
		} else if (*place).key() != "" {
			e.name, e.generic = (*place).name, false // "CB" is the circuit's one
		}
		return
	}
	if b.owner[key] == nil && *place != nil && (*place).generic {
		**place = end{kind: e.kind, written: e.written, name: e.name, side: (*place).side, contactor: e.contactor, fuse: e.fuse, pin: (*place).pin}
		b.owner[key] = c
	}
	switch {
	case b.owner[key] != nil:
	case *place == nil:
		*place, b.owner[key] = e, c
	case e.kind == aLoad:
		second := b.newCircuit(e.name)
		second.parent, second.load = c, e
		second.checks["load"] = fmt.Sprintf("a second load of %s, behind the same protector and switch", c.title)
		b.owner[key] = second
		b.note(Guess, r.record[0], "%s is a second load of %s: a circuit of its own, %s", e.written, c.title, second.name)
	default:
		b.note(Guess, r.record[0], "%s has two of a kind, %s and %s; the second is written as a splice", c.title, (*place).written, e.written)
		e.kind = aSplice
		b.thing(&b.splices, e.key(), e.written, slug(e.name, "splice"))
	}
	// Later rows that name the same thing are of the same kind.
	if e.kind == aSplice {
		for _, other := range b.placed() {
			for i := range other.ends {
				if other.ends[i].key() == key {
					other.ends[i].kind = aSplice
				}
			}
		}
	}
}

// settle decides what the circuit hangs on and whether it is a feeder.
func (b *builder) settle(c *circuit) {
	if c.parent != nil {
		return
	}
	source, foreign := false, false
	for _, r := range c.rows {
		if r.bus != "" && c.bus == "" {
			if e, err := classify(r.bus, ""); err == nil {
				e.kind = aBus
				c.bus = b.names[e.key()]
			}
		}
		for _, e := range r.ends {
			switch e.kind {
			case aBus:
				c.bus = cmp.Or(c.bus, b.names[e.key()])
			case aSource:
				source = true
			case aSwitch, aProtector:
				foreign = foreign || b.owner[e.key()] != nil && b.owner[e.key()] != c
			}
		}
	}
	protected := c.protector != nil || c.rating != ""
	c.feeder = c.load == nil || !protected && c.bus == "" && (source || foreign)
	switch {
	case c.feeder && !protected:
		c.bus = ""
		return
	case c.bus == "":
		if len(b.buses) == 0 {
			b.thing(&b.buses, "missing bus", "not in the list", "main")
		}
		c.bus = b.buses[0]
		c.checks["bus"] = "the list does not say which bus"
		b.note(Missing, c.at(), "%s: which bus its protector hangs on; %s was taken", c.title, c.bus)
	}
	c.unnamed = c.protector == nil
	if c.protector != nil && c.protector.fuse {
		c.fuse = true
	}
	b.fillRating(c)
	if c.unnamed {
		c.checks["rating"] = strings.TrimPrefix(c.checks["rating"]+"; the list names no protector", "; ")
	}
}

func (c *circuit) at() cell {
	if len(c.rows) == 0 {
		return cell{line: 1, column: 1}
	}
	return c.rows[0].record[0]
}

// fillRating finds a protector for a circuit whose list does not give one.
func (b *builder) fillRating(c *circuit) {
	if c.rating != "" {
		return
	}
	g := c.thinnest()
	most, _ := g.LargestProtector(c.fuse)
	if most == 0 {
		most = 2
	}
	c.rating = shortNumber(most) + " A"
	c.checks["rating"] = fmt.Sprintf("not in the list; the most that %v may have", g)
	b.note(Missing, c.at(), "%s: the rating of its protector", c.title)
}

func (c *circuit) thinnest() (g wire.Gauge) {
	for _, r := range c.rows {
		if r.gauge != (wire.Gauge{}) && (g == wire.Gauge{} || r.gauge.Area() < g.Area()) {
			g = r.gauge
		}
	}
	if g == (wire.Gauge{}) {
		g = unknownGauge
	}
	return g
}

// What stands in for what the list does not say; see the package comment.
var unknownGauge, _ = wire.ParseGauge("22 AWG")

const unknownLength = 3.0
