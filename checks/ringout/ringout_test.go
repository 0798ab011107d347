package ringout

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/scripts"
)

// chain is a way of n terminals in a row.
func chain(name string, n int) Way {
	w := Way{Name: name, Clip: name + "1"}
	for i := 1; i < n; i++ {
		w.Pairs = append(w.Pairs, [2]string{fmt.Sprint(name, i), fmt.Sprint(name, i+1)})
	}
	return w
}

// fewest is the fewest moves of all orders of the tests, with the test at the
// comb taken at any terminal of its way, by trying them all (dynamic programming
// over which tests are done and which was last).
func fewest(ways []Way) int {
	type test struct {
		group int // of tests that stand for each other
		at    [2]string
	}
	var tests []test
	groups := 0
	for _, w := range ways {
		terminals := map[string]bool{w.Clip: true}
		for _, p := range w.Pairs {
			tests = append(tests, test{groups, p})
			groups++
			terminals[p[0]], terminals[p[1]] = true, true
		}
		if w.Clip == "" {
			continue
		}
		for t := range terminals {
			tests = append(tests, test{groups, [2]string{t, Comb}})
		}
		groups++
	}
	cost := func(a, b test) int {
		n := 2
		for _, x := range b.at {
			if x == a.at[0] || x == a.at[1] {
				n--
			}
		}
		return n
	}
	best := make([][]int, 1<<groups)
	for done := range best {
		best[done] = make([]int, len(tests))
		for i, t := range tests {
			best[done][i] = math.MaxInt / 2
			bit := 1 << t.group
			if done&bit == 0 {
				continue
			}
			if done == bit {
				best[done][i] = 2
				continue
			}
			for j, before := range tests {
				if before.group != t.group {
					best[done][i] = min(best[done][i], best[done&^bit][j]+cost(before, t))
				}
			}
		}
	}
	least := math.MaxInt
	for _, n := range best[len(best)-1] {
		least = min(least, n)
	}
	return least
}

// Every small case of chains: the plan is as short as the best of all orders.
func TestNoOrderOfChainsNeedsFewerMoves(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 9))
	for n := range 60 {
		var ways []Way
		left := 9
		for i := 0; i < 5 && left > 0; i++ {
			k := 1 + r.IntN(min(4, left))
			ways = append(ways, chain(fmt.Sprintf("w%d-", i), k))
			left -= k
		}
		plan := Plan(ways)
		assert.Equal(t, fewest(ways), Moves(plan), "case %d: %v", n, ways)
		assertComplete(t, ways, plan)
	}
}

// assertComplete: each pair is tested, and each two ways are told apart by one of
// the tests at the comb.
func assertComplete(t *testing.T, ways []Way, plan []Test) {
	t.Helper()
	through, apart := map[[2]string]bool{}, map[[2]string]bool{}
	for _, x := range plan {
		if x.Apart() {
			for _, j := range x.Joined {
				apart[[2]string{x.Red, j}], apart[[2]string{j, x.Red}] = true, true
			}
			apart[[2]string{x.Red, Comb}] = true
			continue
		}
		through[[2]string{x.Red, x.Black}], through[[2]string{x.Black, x.Red}] = true, true
	}
	for i, w := range ways {
		for _, p := range w.Pairs {
			assert.True(t, through[p], "%v", p)
		}
		if w.Clip == "" {
			continue
		}
		assert.True(t, apart[[2]string{w.Clip, Comb}], "%s against the airframe", w.Name)
		for _, other := range ways[i+1:] {
			if other.Clip != "" {
				assert.True(t, apart[[2]string{w.Clip, other.Clip}], "%s against %s", w.Name, other.Name)
			}
		}
	}
}

// A probe that moves is said to move: from one test to the next at most the ones
// that have to.
func TestProbesStayWhereTheyAre(t *testing.T) {
	plan := Plan([]Way{chain("a", 4), chain("b", 3)})
	for i := 1; i < len(plan); i++ {
		stays := plan[i].Red == plan[i-1].Red || plan[i].Black == plan[i-1].Black
		assert.True(t, stays, "%v after %v", plan[i], plan[i-1])
	}
	assert.Equal(t, 4+3+1, Moves(plan))
}

func TestMarshHen(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	ways := Ways(d)
	plan := Plan(ways)
	assertComplete(t, ways, plan)
	runs := map[string]bool{}
	for _, x := range plan {
		runs[x.Red+" "+x.Black], runs[x.Black+" "+x.Red] = true, true
	}
	for _, k := range d.All() {
		for _, r := range k.Runs {
			if k.Name != "locator" {
				assert.True(t, runs[r.From+" "+r.To], "run %s, %s to %s, is rung out", r.Name, r.From, r.To)
			}
		}
	}
	for _, x := range plan {
		assert.NotContains(t, x.Red+x.Black, "locator")
	}
	list := List(ways)
	t.Logf("%d ways; planned: %d tests, %d moves; down the list: %d tests, %d moves", len(ways), len(plan), Moves(plan), len(list), Moves(list))
	assert.Less(t, Moves(plan), Moves(list)/3)
}

// A splice that no probe reaches is passed over.
func TestSplicesArePassedOver(t *testing.T) {
	d, err := design.Parse("x.yaml", []byte(`loomproof: 1
aircraft: {name: X, nominal: 14 V}
sources: {b: {kind: battery, volts: 12 V, resistance: 10 mΩ}}
buses: {main: }
grounds: {G1: }
splices: {S1: }
feeders: {f: {runs: [{from: b+, to: main, gauge: 4 AWG, length: 1 m}, {from: b-, to: G1, gauge: 4 AWG, length: 1 m}]}}
circuits:
  a: {bus: main, breaker: {rating: 5 A}, load: {kind: lamp, draw: 1 A}, runs: [{from: breaker, to: S1, gauge: 20 AWG, length: 1 m}, {from: S1, to: load+, gauge: 20 AWG, length: 1 m}, {from: load-, to: G1, gauge: 20 AWG, length: 1 m}]}
`))
	require.NoError(t, err)
	ways := Ways(d)
	var pairs [][2]string
	for _, w := range ways {
		pairs = append(pairs, w.Pairs...)
	}
	assert.Contains(t, pairs, [2]string{"a.breaker", "a.load+"})
	assert.Contains(t, pairs, [2]string{"G1", "b-"})
	assert.Len(t, ways, 3)
}

func BenchmarkPlan(b *testing.B) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		Plan(Ways(d))
	}
}
