package plan

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const reference = "battery-"

// random readings over a few points, as a panel has them.
func random(r *rand.Rand, n int) []Reading {
	seen := map[Reading]bool{}
	var out []Reading
	for len(out) < n {
		black := reference
		if r.IntN(3) == 0 {
			black = fmt.Sprint("minus", r.IntN(3))
		}
		x := Reading{fmt.Sprint("p", r.IntN(n)), black}
		if !seen[x] {
			seen[x] = true
			out = append(out, x)
		}
	}
	return out
}

// fewest tries every order: the oracle.
func fewest(readings []Reading) int {
	best := 1 << 30
	var try func(k int)
	try = func(k int) {
		if k == len(readings) {
			best = min(best, Moves(readings, reference))
			return
		}
		for i := k; i < len(readings); i++ {
			readings[k], readings[i] = readings[i], readings[k]
			try(k + 1)
			readings[k], readings[i] = readings[i], readings[k]
		}
	}
	try(0)
	return best
}

func sorted(r []Reading) []Reading {
	r = slices.Clone(r)
	slices.SortFunc(r, func(a, b Reading) int { return slices.Compare([]string{a.Red, a.Black}, []string{b.Red, b.Black}) })
	return r
}

// Up to twelve readings nothing is better than what is planned.
func TestTheFewestMoves(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for n := range 8 {
		for range 40 {
			readings := random(r, n)
			order := Order(readings, reference)
			require.Equal(t, sorted(readings), sorted(order), "each once, none more")
			require.Equal(t, fewest(slices.Clone(readings)), Moves(order, reference), "%v", readings)
		}
	}
}

// The rule for many readings, held against the best on cases where that is known.
func TestTheRuleForMany(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	best, ruled, worst := 0, 0, 0
	for range 60 {
		readings := random(r, 8+r.IntN(5))
		b := Moves(exact(readings, reference), reference)
		got := improve(byBlack(readings, reference), reference)
		require.Equal(t, sorted(readings), sorted(got))
		m := Moves(got, reference)
		require.GreaterOrEqual(t, m, b)
		best, ruled, worst = best+b, ruled+m, max(worst, m-b)
	}
	t.Logf("the best: %d moves in all; by the rule: %d; at worst %d more", best, ruled, worst)
	assert.LessOrEqual(t, float64(ruled), 1.03*float64(best))
	assert.LessOrEqual(t, worst, 1)
}

func circuit(name string) []Want {
	return []Want{
		{Kind: Current, Circuit: name, From: "main", To: name + ".breaker"},
		{Kind: Drop, Circuit: name, From: "main", To: name + ".breaker"},
		{Kind: Drop, Circuit: name, From: name + ".breaker", To: name + ".load+"},
		{Kind: Voltage, Circuit: name, From: name + ".load+", To: name + ".load-"},
		{Kind: Drop, Circuit: name, From: name + ".load-", To: "G3"},
	}
}

func TestBenches(t *testing.T) {
	for _, c := range []struct {
		name          string
		bench         Bench
		wants         []Want
		way           []Way
		moves, listed int
		cannot        []string
	}{
		{
			name: "meter and supply", bench: Bench{Meter: true, Supply: true}, wants: circuit("radio"),
			way:   []Way{BySupply, ByDifference, ByDifference, ByMeter, ByDifference},
			moves: 6, listed: 7,
		},
		{
			name: "a meter alone", bench: Bench{Meter: true}, wants: circuit("radio"),
			way:   []Way{ByKnownOhms, ByDifference, ByDifference, ByMeter, ByDifference},
			moves: 6, listed: 9,
			cannot: []string{ProvesCurrent},
		},
		{
			name: "a meter, and wires that come off", bench: Bench{Meter: true}, wants: []Want{{Kind: Current, Circuit: "radio", From: "a", To: "b", Opens: true}},
			way: []Way{InSeries}, moves: 2, listed: 2,
		},
		{
			name: "a node with a shunt", bench: Bench{Bus: "main", Shunts: map[string]bool{"radio": true}}, wants: append(circuit("radio")[:1], Want{Kind: Dip, From: "main", To: reference}, Want{Kind: Voltage, From: "main", To: reference}),
			way: []Way{ByNode, ByNode, ByNode},
		},
		{
			name: "nothing", wants: []Want{{Kind: Ohms, Circuit: "radio", From: "a", To: "b"}, {Kind: Current, Circuit: "radio"}, {Kind: Dip, From: "main", To: reference}},
			cannot: []string{
				"any handheld meter that sends its readings, or whose display is typed",
				ProvesCurrent, "the node on that bus",
			},
		},
		{
			name: "a dip with a meter", bench: Bench{Meter: true}, wants: []Want{{Kind: Dip, From: "main", To: reference}},
			way: []Way{ByMeter}, moves: 1, listed: 1, cannot: []string{"the node on that bus, or a meter that holds the least reading"},
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.bench.Reference = reference
			p := For(c.wants, c.bench)
			var ways []Way
			for _, i := range p.Items {
				ways = append(ways, i.Way)
			}
			var cannot []string
			for _, g := range p.Cannot {
				assert.NotEmpty(t, g.Why)
				cannot = append(cannot, g.Addition)
			}
			assert.Equal(t, c.way, ways)
			assert.Equal(t, c.cannot, cannot)
			assert.Equal(t, c.moves, p.Moves, "%v", p.Order)
			assert.Equal(t, c.listed, p.Listed)
		})
	}
}

func BenchmarkOrder(b *testing.B) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, n := range []int{8, 12, 40} {
		readings := random(r, n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Order(readings, reference)
			}
		})
	}
}
