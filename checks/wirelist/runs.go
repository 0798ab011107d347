package wirelist

import (
	"fmt"
	"strings"
)

// node names the thing at an end for the way through the circuit.
func (b *builder) node(r *row, e end) string {
	if k := e.key(); k != "" {
		return k
	}
	return fmt.Sprintf("%d:%s", e.kind, strings.ToLower(r.circuit))
}

// makeRuns makes a run of each row of a circuit, or keeps it with the reason.
func (b *builder) makeRuns(c *circuit) {
	for _, r := range c.rows {
		to, froms := b.terminals(c, r)
		if r.kept == "" && froms == to {
			r.kept = "both ends are the same terminal, " + to
			b.note(Mistake, r.record[0], "the wire begins and ends at %s; give its ends different names", to)
		}
		if r.kept != "" {
			continue
		}
		home := b.home(c, r)
		x := run{name: r.number, from: froms, to: to, bundle: r.bundle, gauge: r.gauge, length: r.length, row: r, check: r.check}
		home.runs = append(home.runs, x)
	}
}

// terminals names the two ends of a row as the design does, in full.
func (b *builder) terminals(c *circuit, r *row) (to, from string) {
	for i, e := range r.ends {
		if e.kind == aProtector && b.supplySide(r, i) {
			return "", ""
		}
	}
	return b.terminal(c, r, 1), b.terminal(c, r, 0)
}

// supplySide tells a wire to the supply side of a protector. It is no run,
// because a protector hangs on its bus.
func (b *builder) supplySide(r *row, i int) bool {
	if other := r.ends[1-i]; other.kind == aBus {
		r.kept = "a jumper from the bus to the protector, which hangs on the bus itself"
		return true
	}
	if i == 0 || r.ends[i].side == "out" {
		return false
	}
	for _, other := range b.rows {
		if other != r && other.kept == "" && other.ends[0].kind == aProtector && other.ends[1].kind != aBus && b.node(other, other.ends[0]) == b.node(r, r.ends[i]) {
			r.kept = "it leads to the supply side of the protector, which hangs on its bus"
			b.note(Guess, r.record[0], "the wire from %s to %s is taken as the supply of the protector; put the bus that it stands for into the design", r.ends[0].written, r.ends[1].written)
			return true
		}
	}
	return false
}

func (b *builder) terminal(c *circuit, r *row, i int) string {
	e := r.ends[i]
	owner := b.owner[e.key()]
	if owner == nil {
		owner = c
	}
	switch e.kind {
	case aBus:
		name := b.names[e.key()]
		if c.unnamed && name == c.bus && !(i == 1 && r.ends[0].kind == aBus) {
			return c.name + ".breaker"
		}
		return name
	case aSource:
		return b.names[e.key()] + b.sourceSign(r, i)
	case aContact:
		return e.name + "." + e.pin
	case aProtector:
		return owner.name + ".breaker"
	case aSwitch:
		return owner.name + ".switch." + b.switchSide(r, i)
	case aLoad:
		return owner.name + ".load" + b.loadSign(r, i)
	}
	return b.names[e.key()]
}

func (b *builder) sourceSign(r *row, i int) string {
	switch e := r.ends[i]; {
	case e.sign != "":
		return e.sign
	case r.ends[1-i].kind == aGround:
		return "-"
	}
	return "+"
}

// switchSide says whether a wire comes into a switch or goes out of it.
func (b *builder) switchSide(r *row, i int) string {
	side := [2]string{"out", "in"} // written from it, written to it
	if s := r.ends[i].side; s != "" {
		return s
	}
	node, first, both := b.node(r, r.ends[i]), (*row)(nil), false
	for _, other := range b.placed() {
		for k, e := range other.ends {
			if e.kind == aSwitch && b.node(other, e) == node {
				if first == nil {
					first = other
				}
				both = both || k != i
			}
		}
	}
	if both {
		return side[i]
	}
	if b.inward[node] == nil {
		b.inward[node] = first
	}
	switch {
	case b.inward[node] != r && i == 1:
		return "out"
	case b.inward[node] == r && i == 0 && b.several(node):
		return "in"
	}
	return side[i]
}

// several tells whether more than one wire ends at a thing.
func (b *builder) several(node string) bool {
	n := 0
	for _, r := range b.placed() {
		for _, e := range r.ends {
			if b.node(r, e) == node {
				n++
			}
		}
	}
	return n > 1
}

// loadSign finds out which terminal of a load a wire ends at: the minus, if it
// leads to a ground point before anything else.
func (b *builder) loadSign(r *row, i int) string {
	if s := r.ends[i].sign; s != "" {
		return s
	}
	type step struct {
		row *row
		end int // the one to look at
	}
	seen := map[*row]bool{r: true}
	for queue := []step{{r, 1 - i}}; len(queue) > 0; queue = queue[1:] {
		at := queue[0]
		e := at.row.ends[at.end]
		switch e.kind {
		case aGround:
			return "-"
		case aSource:
			return b.sourceSign(at.row, at.end)
		case aBus, aProtector:
			return "+"
		case aLoad:
			continue
		}
		node := b.node(at.row, e)
		for _, next := range b.placed() {
			for k := range next.ends {
				if !seen[next] && b.node(next, next.ends[k]) == node {
					seen[next] = true
					queue = append(queue, step{next, 1 - k})
				}
			}
		}
	}
	r.check = append(r.check, "which terminal of "+r.ends[i].written+" it ends at")
	return "+"
}

// joined tells which terminals hang together.
type joined map[string]string

func (j joined) root(t string) string {
	for j[t] != "" && j[t] != t {
		t = j[t]
	}
	return t
}

func (j joined) join(a, b string) {
	if a, b = j.root(a), j.root(b); a != b {
		j[a] = b
	}
}

func (j joined) are(a, b string) bool { return j.root(a) == j.root(b) }

// complete adds what an aircraft needs and the list does not have, each marked,
// so that the design can be solved.
func (b *builder) complete() {
	if len(b.buses) == 0 {
		b.thing(&b.buses, "missing bus", "not in the list", "main")
		b.note(Missing, cell{}, "no wire ends at a bus; one named main was put in")
	}
	if len(b.grounds) == 0 {
		b.thing(&b.grounds, "missing ground", "not in the list", "G1")
		b.note(Missing, cell{}, "no wire ends at a ground point; one named G1 was put in")
	}
	if !containsPrefix(b.sources, "battery") {
		b.thing(&b.sources, "missing battery", "not in the list", "battery")
		b.note(Missing, cell{}, "no wire ends at a battery; one was put in")
	}
	for _, c := range b.circuits {
		if c.load != nil {
			b.fillLoad(c)
		}
	}
	for _, j := range b.receptacle {
		if !b.plugs[j] {
			b.note(Guess, cell{}, "no wire ends at P%s, the plug of %s: write P%s-1 where a wire goes to the plug's side", j[1:], j, j[1:])
		}
	}
	b.joinUp()
}

func containsPrefix(names []string, prefix string) bool {
	for _, n := range names {
		if strings.HasPrefix(n, prefix) {
			return true
		}
	}
	return false
}

func (b *builder) battery() string {
	for _, s := range b.sources {
		if strings.HasPrefix(s, "battery") {
			return s
		}
	}
	return b.sources[0]
}

// fillLoad gives a load a draw.
func (b *builder) fillLoad(c *circuit) {
	switch {
	case c.draw != "":
		return
	case c.rating != "":
		amperes, _, _ := readRating(c.rating, "")
		c.draw = shortNumber(amperes*0.8) + " A"
		c.checks["draw"] = "not in the list; 80 % of the protector"
	default:
		c.draw = "1 A"
		c.checks["draw"] = "not in the list"
	}
	b.note(Missing, c.at(), "%s: what it draws", c.title)
}

// joinUp finds what hangs in the air and puts a wire there.
func (b *builder) joinUp() {
	j := joined{}
	for n, pins := range b.connectors {
		for i := 1; i <= pins; i++ {
			j.join(fmt.Sprintf("%s.%d", n, i), fmt.Sprintf("P%s.%d", n[1:], i))
		}
	}
	for _, g := range b.grounds {
		j.join("airframe", g)
	}
	for _, c := range b.circuits {
		if c.swtch != nil {
			j.join(c.name+".switch.in", c.name+".switch.out")
		}
		if c.rating != "" && c.bus != "" {
			j.join(c.bus, c.name+".breaker")
		}
		for _, r := range c.runs {
			j.join(r.from, r.to)
		}
	}
	add := func(c *circuit, from, to string, g string, length float64, why string) {
		if j.are(from, to) {
			return
		}
		j.join(from, to)
		gauge, _ := readGauge(g, "")
		c.runs = append(c.runs, run{from: from, to: to, gauge: gauge, length: length, check: []string{"this wire is not in the list: " + why}})
		b.note(Missing, c.at(), "%s: no wire %s; one from %s to %s was put in", c.title, why, from, to)
	}
	main := b.battery() + "+"
	for _, s := range b.sources {
		if !j.are(s+"-", "airframe") {
			add(b.feeder(s+" earth"), s+"-", b.grounds[0], "6 AWG", 2, "from "+s+" to a ground point")
		}
	}
	for _, bus := range b.buses {
		if !j.are(main, bus) {
			add(b.feeder(bus+" feed"), main, bus, "6 AWG", 2, "from the battery to bus "+bus)
		}
	}
	for _, c := range b.circuits {
		if c.load != nil {
			b.joinLoad(j, c, add)
		}
	}
}

func (b *builder) feeder(title string) *circuit {
	c := b.newCircuit(title)
	c.feeder = true
	return c
}

func (b *builder) joinLoad(j joined, c *circuit, add func(c *circuit, from, to, g string, length float64, why string)) {
	gauge := c.thinnest().String()
	supply := b.battery() + "+"
	switch {
	case c.parent != nil:
		supply = c.parent.name + ".load+"
	case c.rating != "":
		supply = c.name + ".breaker"
	}
	if c.swtch != nil && !j.are(c.name+".switch.in", supply) {
		add(c, supply, c.name+".switch.in", gauge, unknownLength, "to the switch of "+c.title)
	}
	if c.swtch != nil {
		supply = c.name + ".switch.out"
	}
	add(c, supply, c.name+".load+", gauge, unknownLength, "to the load of "+c.title)
	if !j.are(c.name+".load-", "airframe") {
		add(c, c.name+".load-", b.grounds[0], gauge, unknownLength, "back from the load of "+c.title)
	}
}
