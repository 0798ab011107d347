// Package ringout orders the continuity tests of bare looms so that the probes
// move as little as can be.
//
//	ways := ringout.Ways(design)
//	plan := ringout.Plan(ways)
//	ringout.Moves(plan), ringout.Moves(ringout.List(ways))
//
// # What is tested
//
// A [Way] is what the wires and contacts of the design join with every breaker
// and switch open and every unit off its plug. Each neighbouring pair of its
// terminals must be joined (one test for each wire run or contact, so that a
// break is found where it is), and each way must be apart from every other way
// and from the airframe.
//
// For the second, the far probe is clipped to a comb: a lead with a clip on one
// terminal of each way, and one on the airframe. The way under test has its clip
// taken off, is tested against all others at once, and stays off: it has been
// told apart from each of them. So n ways need n tests where pair by pair would
// be n(n+1)/2.
//
// # The order
//
// A test shares a probe's place with the one before it or not: it costs one move
// or two. The tests of one way are taken along it, one move each. The test at
// the comb is the only one that has a place in common with another way's, so
// two ways can be joined there and no more: along the first way to its end, to
// the comb; the next way's end, and along that one. With chains of wires no
// order needs fewer moves; the tests hold that against all orders of small cases.
package ringout

import (
	"fmt"
	"slices"

	"loomproof/checks/design"
)

// Comb is the place of a probe that is clipped to all ways not yet told apart,
// and to the airframe.
const Comb = "comb"

// A Way is a group of terminals that wires and contacts join.
type Way struct {
	Name  string      // the circuit, or the ground point where it ends
	Pairs [][2]string // neighbouring terminals; each pair shares a terminal with the one before it if it can
	Clip  string      // where the comb is clipped on; "" for what belongs to the airframe
}

// A Test is one reading with an ohmmeter.
type Test struct {
	Way        string
	Red, Black string   // terminals; Black is [Comb] where the way must be apart
	Joined     []string // for that: the terminals that the comb ties together, besides the airframe
}

// Apart tells whether the test is one that must show nothing.
func (t Test) Apart() bool { return t.Black == Comb }

// Moves counts how often a probe is put down. A probe that is in place for the
// next test, whichever it is, stays.
func Moves(order []Test) int {
	moves := 0
	at := map[string]bool{}
	for _, t := range order {
		for _, place := range []string{t.Red, t.Black} {
			if !at[place] {
				moves++
			}
		}
		at = map[string]bool{t.Red: true, t.Black: true}
	}
	return moves
}

// List is the tests as a person takes them from the wiring list: each wire in
// turn, then each way against each other one and against the airframe.
func List(ways []Way) []Test {
	var out []Test
	for _, w := range ways {
		for _, p := range w.Pairs {
			out = append(out, Test{Way: w.Name, Red: p[0], Black: p[1]})
		}
	}
	for i, w := range ways {
		if w.Clip == "" {
			continue
		}
		for _, other := range ways[i+1:] {
			if other.Clip != "" {
				out = append(out, Test{Way: w.Name, Red: w.Clip, Black: other.Clip})
			}
		}
		out = append(out, Test{Way: w.Name, Red: w.Clip, Black: "airframe"})
	}
	return out
}

// Plan is the tests in the order of fewest moves.
func Plan(ways []Way) []Test {
	var alone, chains, ends []Way // what is of the airframe, what has wires to test, what has none
	for _, w := range ways {
		switch {
		case w.Clip == "":
			alone = append(alone, w)
		case len(w.Pairs) == 0:
			ends = append(ends, w)
		default:
			chains = append(chains, w)
		}
	}
	var out []Test
	for i := 0; i < len(chains); i += 2 {
		out = append(out, towards(chains[i])...)
		out = append(out, apart(chains[i]))
		if i == 0 { // while the probe is at the comb
			for _, w := range ends {
				out = append(out, apart(w))
			}
		}
		if i+1 < len(chains) {
			out = append(out, apart(chains[i+1]))
			out = append(out, away(chains[i+1])...)
		}
	}
	if len(chains) == 0 {
		for _, w := range ends {
			out = append(out, apart(w))
		}
	}
	for _, w := range alone {
		out = append(out, away(w)...)
	}
	join(out, ways)
	return out
}

func apart(w Way) Test { return Test{Way: w.Name, Red: w.Clip, Black: Comb} }

// away is the tests of a way from its clip on, towards them the other way round.
// The probe that stays is found by alternating from the clip, where red is.
func away(w Way) []Test {
	var out []Test
	last := Test{Red: w.Clip}
	for _, p := range w.Pairs {
		t := Test{Way: w.Name, Red: p[0], Black: p[1]}
		if p[1] == last.Red || p[0] == last.Black {
			t.Red, t.Black = p[1], p[0]
		}
		out = append(out, t)
		last = t
	}
	return out
}

func towards(w Way) []Test {
	out := away(w)
	slices.Reverse(out)
	return out
}

// join fills in what the comb ties together at each test: the clips of the ways
// that have not had their turn.
func join(order []Test, ways []Way) {
	left := map[string]bool{}
	for _, w := range ways {
		if w.Clip != "" {
			left[w.Clip] = true
		}
	}
	for i, t := range order {
		if !t.Apart() {
			continue
		}
		delete(left, t.Red)
		for _, w := range ways {
			if left[w.Clip] {
				order[i].Joined = append(order[i].Joined, w.Clip)
			}
		}
	}
}

// Ways finds the ways of a design, in its order; then, for each ground point, the
// returns that end there. Terminals that no probe reaches are passed over: their
// neighbours are tested against each other. A locator's own wires are left alone.
func Ways(d *design.Design) []Way {
	f := finder{d: d, beside: map[string][]string{}, seen: map[string]bool{}}
	f.joinAll()
	var out []Way
	for _, k := range d.All() {
		for _, r := range k.Runs {
			if w, ok := f.feed(k, r.From); ok {
				out = append(out, w)
			}
			if w, ok := f.feed(k, r.To); ok {
				out = append(out, w)
			}
		}
	}
	for _, g := range d.Grounds {
		f.seen[g.Name] = true
		if w := (Way{Name: g.Name, Pairs: f.walk(g.Name)}); len(w.Pairs) > 0 {
			out = append(out, w)
		}
	}
	return out
}

// A finder walks over the wires and contacts of a design.
type finder struct {
	d      *design.Design
	beside map[string][]string
	seen   map[string]bool
}

func (f *finder) join(a, b string) {
	f.beside[a] = append(f.beside[a], b)
	f.beside[b] = append(f.beside[b], a)
}

// joinAll notes what runs and used contacts join.
func (f *finder) joinAll() {
	for _, k := range f.d.All() {
		if k.Load != nil && k.Load.Nature == design.Locator {
			continue
		}
		for _, r := range k.Runs {
			f.join(r.From, r.To)
		}
	}
	for _, c := range f.d.Connectors {
		for i := 1; i <= c.Pins; i++ {
			one, other := fmt.Sprintf("%s.%d", c.Name, i), fmt.Sprintf("%s.%d", c.Plug, i)
			if len(f.beside[one]) > 0 && len(f.beside[other]) > 0 {
				f.join(one, other)
			}
		}
	}
}

// next lists the terminals one test away that a probe reaches.
func (f *finder) next(from string) []string {
	var out []string
	passed := map[string]bool{from: true}
	for queue := []string{from}; len(queue) > 0; queue = queue[1:] {
		for _, t := range f.beside[queue[0]] {
			switch {
			case passed[t]:
			case f.d.Terminal(t).Reach == design.NotAtAll:
				queue = append(queue, t)
			default:
				out = append(out, t)
			}
			passed[t] = true
		}
	}
	return out
}

// walk is the pairs from a terminal on, depth first; ground points are where it
// ends, since the airframe joins them all.
func (f *finder) walk(from string) [][2]string {
	var pairs [][2]string
	for _, t := range f.next(from) {
		switch {
		case f.d.IsGround(t) && f.seen[t]:
		case f.d.IsGround(t):
			pairs = append(pairs, [2]string{from, t})
		case !f.seen[t]:
			f.seen[t] = true
			pairs = append(pairs, [2]string{from, t})
			pairs = append(pairs, f.walk(t)...)
		}
	}
	return pairs
}

// feed is the way that a terminal belongs to, unless the airframe does or the
// way has been found already.
func (f *finder) feed(k *design.Circuit, terminal string) (Way, bool) {
	group, grounded := f.group(terminal)
	if f.seen[terminal] || grounded || len(group) == 0 {
		return Way{}, false
	}
	w := Way{Name: k.Name, Clip: group[0]}
	for _, t := range group {
		if f.d.IsBus(t) || t == k.Name+".breaker" {
			w.Clip = t
			break
		}
	}
	f.seen[w.Clip] = true
	w.Pairs = f.walk(w.Clip)
	return w, true
}

// group is all reachable terminals that wires and contacts join to one.
func (f *finder) group(terminal string) (group []string, grounded bool) {
	if f.d.Terminal(terminal).Reach == design.NotAtAll || len(f.beside[terminal]) == 0 {
		return nil, false
	}
	group = []string{terminal}
	for i := 0; i < len(group); i++ {
		if f.d.IsGround(group[i]) {
			return group, true
		}
		for _, t := range f.next(group[i]) {
			if !slices.Contains(group, t) {
				group = append(group, t)
			}
		}
	}
	return group, false
}
