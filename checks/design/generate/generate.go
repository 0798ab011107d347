// Package generate makes designs of any size, for tests and benchmarks: trees
// as in real aircraft, with a main bus, buses below it that each feed up to
// twelve, and up to twelve circuits on each of the lowest, which share a
// connector and a ground point.
//
//	d := generate.Design(1000, 1)   // a thousand circuits; seed 1
//
// The same size and seed give the same text. The aircraft is the Marsh Hen's
// 28 V sister, grown: no real one has ten thousand circuits. Its loads shrink
// as their number grows, so that the whole stays within what wire is listed for.
package generate

import (
	"fmt"
	"math/rand/v2"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/wire"
)

// fan is how many circuits, or lower buses, a bus feeds.
const fan = 12

// wholeLoad is about what all loads draw together, in amperes, when there are
// many.
const wholeLoad = 100.0

// Design makes a design of so many circuits, 1 or more.
func Design(circuits int, seed uint64) *design.Design {
	d, err := design.Parse("generated.yaml", Text(circuits, seed))
	if err != nil {
		panic(fmt.Sprintf("generate: %d circuits, seed %d: %v", circuits, seed, err))
	}
	return d
}

// Text is the same as a design file.
func Text(circuits int, seed uint64) []byte {
	g := &generator{r: rand.New(rand.NewPCG(seed, 0x9e2e7a7e)), circuits: circuits}
	groups := (circuits + fan - 1) / fan
	for i := range groups {
		g.group(i, min(fan, circuits-i*fan))
	}
	top := g.tree()
	return g.file(top)
}

// A branch is a bus that a feeder must reach, and what it draws.
type branch struct {
	bus     string
	amperes float64
}

type generator struct {
	r        *rand.Rand
	circuits int
	branches []branch

	buses, grounds, connectors, feeders, loads strings.Builder
	count, feeder                              int
}

func (g *generator) between(a, b float64) float64 { return a + (b-a)*g.r.Float64() }

// group makes one lowest bus with its circuits.
func (g *generator) group(i, n int) {
	bus := fmt.Sprintf("bus%d", i)
	fmt.Fprintf(&g.buses, "  %s:\n", bus)
	fmt.Fprintf(&g.grounds, "  G%d: {where: \"beside bus %d\", ways: %d}\n", i, i, fan)
	fmt.Fprintf(&g.connectors, "  J%d: {plug: P%d, pins: %d, rating: 7.5 A}\n", i, i, fan)
	sum := 0.0
	for pin := 1; pin <= n; pin++ {
		sum += g.circuit(i, pin)
	}
	g.branches = append(g.branches, branch{bus, sum})
}

var kinds = []string{"resistive", "constant current", "constant power", "lamp"}

func (g *generator) circuit(i, pin int) (amperes float64) {
	amperes = g.between(0.5, 1.2) * min(1, wholeLoad/float64(g.circuits))
	kind := kinds[g.r.IntN(len(kinds))]
	name := fmt.Sprintf("c%d", g.count)
	g.count++
	fmt.Fprintf(&g.loads, "  %s:\n    bus: bus%d\n    breaker: {rating: 3 A}\n", name, i)
	switched := g.r.IntN(2) == 0
	if switched {
		fmt.Fprintf(&g.loads, "    switch: {rating: 15 A}\n    shed: yes\n")
	} else {
		fmt.Fprintf(&g.loads, "    essential: yes\n")
	}
	draw := fmt.Sprintf("%.4f A", amperes)
	if kind == "constant power" {
		draw = fmt.Sprintf("%.4f W", 28*amperes)
	}
	fmt.Fprintf(&g.loads, "    load: {kind: %s, draw: %s}\n    runs:\n", kind, draw)
	run := func(from, to string) {
		fmt.Fprintf(&g.loads, "      - {from: %s, to: %s, gauge: 22 AWG, length: %.2f m, bundle: b%d}\n", from, to, g.between(0.3, 2), i)
	}
	out := "breaker"
	if switched {
		run("breaker", "switch.in")
		out = "switch.out"
	}
	run(out, fmt.Sprintf("J%d.%d", i, pin))
	run(fmt.Sprintf("P%d.%d", i, pin), "load+")
	run("load-", fmt.Sprintf("G%d", i))
	return amperes
}

// tree gathers the buses under higher ones until one is left.
func (g *generator) tree() branch {
	for level := 1; len(g.branches) > 1; level++ {
		var higher []branch
		for i := 0; i < len(g.branches); i += fan {
			bus := fmt.Sprintf("level%d-%d", level, i/fan)
			fmt.Fprintf(&g.buses, "  %s:\n", bus)
			sum := 0.0
			for _, b := range g.branches[i:min(i+fan, len(g.branches))] {
				g.feed(bus, b)
				sum += b.amperes
			}
			higher = append(higher, branch{bus, sum})
		}
		g.branches = higher
	}
	return g.branches[0]
}

var ratings = []float64{5, 7.5, 10, 15, 20, 25, 30, 35, 40, 50, 60, 80, 100, 125}

// feed makes the feeder from a bus to a lower one.
func (g *generator) feed(from string, to branch) {
	rating := ratings[len(ratings)-1]
	for i := len(ratings) - 1; i >= 0 && ratings[i] >= 1.3*to.amperes; i-- {
		rating = ratings[i]
	}
	fmt.Fprintf(&g.feeders, "  f%d:\n    bus: %s\n    breaker: {rating: %g A}\n    runs:\n      - {from: breaker, to: %s, gauge: %s, length: %.2f m}\n",
		g.feeder, from, rating, to.bus, guarded(rating), g.between(0.2, 0.6))
	g.feeder++
}

// guarded is the lightest wire that a breaker may guard, and that may carry its
// rating.
func guarded(rating float64) wire.Gauge {
	sizes := wire.Sizes()
	for _, size := range sizes {
		chart, _ := size.LargestProtector(false)
		current, _ := size.Ampacity(wire.Rated150)
		if chart >= rating && current >= 0.77*rating {
			return size
		}
	}
	return sizes[len(sizes)-1]
}

func (g *generator) file(top branch) []byte {
	limit := 1.5*top.amperes + 3
	lead := guarded(limit)
	var b strings.Builder
	fmt.Fprintf(&b, "loomproof: 1\naircraft: {name: Marsh Hen grown, nominal: 28 V}\n")
	fmt.Fprintf(&b, "sources:\n  battery: {kind: battery, volts: 25.6 V, resistance: 8 mΩ, capacity: %.0f Ah}\n", 10+2*top.amperes)
	fmt.Fprintf(&b, "  alternator: {kind: alternator, volts: 28.4 V, resistance: 3 mΩ, limit: %.1f A}\n", limit)
	fmt.Fprintf(&b, "buses:\n%sgrounds:\n  GB: {ways: 4}\n%sconnectors:\n%s", &g.buses, &g.grounds, &g.connectors)
	fmt.Fprintf(&b, "feeders:\n  earth:\n    runs:\n      - {from: battery-, to: GB, gauge: %[1]s, length: 0.3 m}\n      - {from: alternator-, to: GB, gauge: %[1]s, length: 0.3 m}\n", lead)
	fmt.Fprintf(&b, "  battery-lead:\n    switch: {kind: contactor, rating: 200 A, coil: 0.5 A}\n    runs:\n      - {from: battery+, to: switch.in, gauge: %[1]s, length: 0.3 m}\n      - {from: switch.out, to: %[2]s, gauge: %[1]s, length: 0.3 m}\n", lead, top.bus)
	fmt.Fprintf(&b, "  alternator-lead:\n    runs:\n      - {from: alternator+, to: %s, gauge: %s, length: 0.5 m}\n", top.bus, lead)
	fmt.Fprintf(&b, "%scircuits:\n%s", &g.feeders, &g.loads)
	return []byte(b.String())
}
