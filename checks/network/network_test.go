package network

import (
	"fmt"
	"math"
	"math/bits"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func solve(t testing.TB, n *Network) *Solution {
	t.Helper()
	s, err := n.Solve()
	require.NoError(t, err)
	return s
}

// Exact answers of DC networks, worked out as fractions.

func TestBridge(t *testing.T) {
	n := New(4) // 1 vin, 2 a, 3 b
	n.AddSource(1, 0, Source{Volts: 12, Ohms: 1e-12})
	r1 := n.AddResistor(1, 2, 1e3)
	r2 := n.AddResistor(1, 3, 2e3)
	n.AddResistor(2, 0, 3e3)
	n.AddResistor(3, 0, 4e3)
	n.AddResistor(2, 3, 5e3)
	s := solve(t, n)
	assert.InEpsilon(t, 756.0/85, s.Volts(2), 1e-12)
	assert.InEpsilon(t, 696.0/85, s.Volts(3), 1e-12)
	assert.InEpsilon(t, 213.0/42500, s.Current(r1)+s.Current(r2), 1e-12)
}

func TestBalancedBridgeCarriesNothing(t *testing.T) {
	n := New(4)
	n.AddSource(1, 0, Source{Volts: 10, Ohms: 1e-9})
	n.AddResistor(1, 2, 100)
	n.AddResistor(2, 0, 300)
	n.AddResistor(1, 3, 200)
	n.AddResistor(3, 0, 600)
	detector := n.AddResistor(2, 3, 50)
	s := solve(t, n)
	assert.InDelta(t, 7.5, s.Volts(2), 1e-9)
	assert.InDelta(t, 0, s.Current(detector), 1e-15)
}

// Millman: battery 12.6 V/0.02 Ω and alternator 14.2 V/0.05 Ω on 0.5 Ω.
func TestTwoSources(t *testing.T) {
	n := New(2)
	battery := n.AddSource(1, 0, Source{Volts: 12.6, Ohms: 0.02})
	alternator := n.AddSource(1, 0, Source{Volts: 14.2, Ohms: 0.05})
	n.AddResistor(1, 0, 0.5)
	s := solve(t, n)
	assert.InEpsilon(t, 457.0/36, s.Volts(1), 1e-12)
	assert.InEpsilon(t, 85.0/18, s.Current(battery), 1e-12, "the battery is charged")
	assert.InEpsilon(t, -271.0/9, s.Current(alternator), 1e-12)
}

func TestIsolatingDiodeBlocksReverseFeed(t *testing.T) {
	n := New(2)
	battery := n.AddSource(1, 0, Source{Volts: 12.6, Ohms: 0.02, Isolated: true})
	n.AddSource(1, 0, Source{Volts: 14.2, Ohms: 0.05})
	n.AddResistor(1, 0, 0.5)
	s := solve(t, n)
	assert.InDelta(t, 14.2*0.5/0.55, s.Volts(1), 1e-7)
	assert.InDelta(t, 0, s.Current(battery), 1e-6)
}

func TestFeeder(t *testing.T) {
	n := New(6)
	src := n.AddSource(1, 0, Source{Volts: 12.8, Ohms: 1e-9})
	n.AddResistor(1, 2, 0.02)
	n.AddResistor(2, 3, 0.005)
	n.AddResistor(3, 0, 4)
	n.AddResistor(3, 4, 0.025)
	n.AddResistor(4, 5, 2)
	n.AddResistor(5, 0, 0.015)
	s := solve(t, n)
	for node, want := range map[int]float64{2: 2620864.0 / 207775, 3: 104448.0 / 8311, 4: 103168.0 / 8311, 5: 768.0 / 8311} {
		assert.InEpsilon(t, want, s.Volts(node), 1e-8)
	}
	// A last place of 12.8 V over 1 nΩ is 2e-7 of this current.
	assert.InEpsilon(t, -77312.0/8311, s.Current(src), 1e-6)
}

// The unit ladder of n sections has the input resistance F(2n+1)/F(2n).
func TestLadderIsFibonacci(t *testing.T) {
	fib := func(k int) float64 {
		a, b := 0.0, 1.0
		for range k {
			a, b = b, a+b
		}
		return a
	}
	for _, sections := range []int{1, 2, 3, 4, 6, 20} {
		n := New(sections + 2)
		src := n.AddSource(1, 0, Source{Volts: 1e6, Ohms: 1e6}) // nearly 1 A
		for i := range sections {
			n.AddResistor(i+1, i+2, 1)
			n.AddResistor(i+2, 0, 1)
		}
		s := solve(t, n)
		assert.InEpsilon(t, fib(2*sections+1)/fib(2*sections), s.Volts(1)/-s.Current(src), 1e-9, "%d sections", sections)
	}
}

func TestCubeAndCompleteGraph(t *testing.T) {
	across := func(nodes int, edges [][2]int, from, to int) float64 {
		n := New(nodes)
		for _, e := range edges {
			n.AddResistor(e[0], e[1], 1)
		}
		src := n.AddSource(from, to, Source{Volts: 1, Ohms: 1})
		s := solve(t, n)
		return (s.Volts(from) - s.Volts(to)) / -s.Current(src)
	}
	var cube [][2]int
	for i := range 8 {
		for _, bit := range []int{1, 2, 4} {
			if i&bit == 0 {
				cube = append(cube, [2]int{i, i | bit})
			}
		}
	}
	assert.InEpsilon(t, 7.0/12, across(8, cube, 0, 1), 1e-12)
	assert.InEpsilon(t, 3.0/4, across(8, cube, 0, 3), 1e-12)
	assert.InEpsilon(t, 5.0/6, across(8, cube, 0, 7), 1e-12)
	var full [][2]int
	for i := range 9 {
		for j := range i {
			full = append(full, [2]int{i, j})
		}
	}
	assert.InEpsilon(t, 2.0/9, across(9, full, 0, 5), 1e-12)
	assert.InEpsilon(t, 2.0/9, across(9, full, 4, 8), 1e-12)
}

// A constant power P behind a resistance r from V: v = (V + √(V²-4rP))/2.
func TestConstantPowerClosedForm(t *testing.T) {
	n := New(3)
	n.AddSource(1, 0, Source{Volts: 14, Ohms: 1e-9})
	n.AddResistor(1, 2, 0.5)
	load := n.AddLoad(2, 0, Load{Kind: Power, Draw: 60, At: 14})
	s := solve(t, n)
	v := (14 + math.Sqrt(14*14-4*0.5*60)) / 2
	assert.InEpsilon(t, v, s.Volts(2), 1e-8)
	assert.InEpsilon(t, 60/v, s.Current(load), 1e-8)
}

// Twice what the wire can carry: the converter drops out and is a resistor.
func TestOverloadedConverterStarves(t *testing.T) {
	n := New(3)
	n.AddSource(1, 0, Source{Volts: 14, Ohms: 1e-9})
	n.AddResistor(1, 2, 1)
	l := Load{Kind: Power, Draw: 200, At: 14}
	n.AddLoad(2, 0, l)
	s := solve(t, n)
	ohms := 49.0 / 200
	assert.InEpsilon(t, 14*ohms/(1+ohms), s.Volts(2), 1e-8)
	assert.True(t, l.Starved(s.Volts(2)))
}

func TestCurrentLimitHolds(t *testing.T) {
	n := New(2)
	src := n.AddSource(1, 0, Source{Volts: 14, Ohms: 0.01, Limit: 5})
	short := n.AddResistor(1, 0, 0.1)
	s := solve(t, n)
	assert.InDelta(t, 0.5, s.Volts(1), 1e-6)
	assert.InDelta(t, -5, s.Current(src), 1e-6)
	assert.True(t, n.Source(src).Limiting(s.Volts(1)))
	n.SetOhms(short, 10)
	s = solve(t, n)
	assert.InEpsilon(t, 14*10/10.01, s.Volts(1), 1e-9)
	assert.False(t, n.Source(src).Limiting(s.Volts(1)))
}

// More constant power than the supply's limit: the bus falls until the
// converters starve, and comes back when the limit is raised.
func TestBusCollapsesAtTheCurrentLimit(t *testing.T) {
	n := New(3)
	src := n.AddSource(1, 0, Source{Volts: 14, Ohms: 0.01, Limit: 50})
	n.AddResistor(1, 2, 0.005)
	n.AddLoad(2, 0, Load{Kind: Power, Draw: 280, At: 14})
	n.AddLoad(2, 0, Load{Kind: Current, Draw: 5, At: 14})
	sound := solve(t, n).Volts(2)
	n.SetSource(src, Source{Volts: 14, Ohms: 0.01, Limit: 20})
	s := solve(t, n)
	// Below 7 V both are resistors: 49/280 Ω beside 7/5 Ω.
	assert.InDelta(t, 20/(280.0/49+5.0/7), s.Volts(2), 1e-6)
	assert.Less(t, residual(n, s), 1e-9)
	n.SetSource(src, Source{Volts: 14, Ohms: 0.01, Limit: 50})
	n.last = nil
	assert.InDelta(t, sound, solve(t, n).Volts(2), 1e-9)
}

func TestOpenBreakerLeavesLoadDead(t *testing.T) {
	for _, kind := range []Kind{Resistive, Current, Power, Lamp} {
		n := New(4)
		n.AddSource(1, 0, Source{Volts: 14, Ohms: 0.01})
		breaker := n.AddResistor(1, 2, 0.02)
		load := n.AddLoad(2, 3, Load{Kind: kind, Draw: 2, At: 14})
		n.AddResistor(3, 0, 0.01)
		live := solve(t, n)
		assert.Greater(t, live.Current(load), 0.1)
		n.SetOhms(breaker, math.Inf(1))
		s := solve(t, n)
		assert.Zero(t, s.Current(load), "kind %d", kind)
		assert.InDelta(t, 0, s.Volts(2), 1e-12, "kind %d", kind)
		n.SetOhms(breaker, 0.02)
		again := solve(t, n)
		assert.InDelta(t, live.Volts(2), again.Volts(2), 1e-12, "kind %d", kind)
	}
}

func TestHangingPartIsDead(t *testing.T) {
	n := New(5)
	n.AddSource(1, 0, Source{Volts: 14, Ohms: 0.01})
	n.AddResistor(2, 3, 1)
	n.AddResistor(3, 4, math.Inf(1))
	s := solve(t, n)
	assert.False(t, s.Dead(1))
	assert.True(t, s.Dead(2) && s.Dead(3) && s.Dead(4))
}

// aircraftLike makes a random network of the shape that looms have: a spine of
// buses, branches with all kinds of load, shared returns and a few loops.
func aircraftLike(r *rand.Rand, branches int) *Network {
	n := New(2)
	n.AddSource(1, 0, Source{Volts: 12 + 4*r.Float64(), Ohms: 0.005 + 0.02*r.Float64()})
	buses := []int{1}
	returns := []int{0}
	for i := range branches {
		if i%8 == 0 {
			bus := n.AddNode()
			near := func() int { return buses[len(buses)-1-r.IntN(min(4, len(buses)))] }
			n.AddResistor(near(), bus, 0.001+0.01*r.Float64())
			if r.IntN(3) == 0 {
				n.AddResistor(near(), bus, 0.001+0.01*r.Float64())
			}
			buses = append(buses, bus)
			ret := n.AddNode()
			n.AddResistor(ret, 0, 0.0005+0.003*r.Float64())
			returns = append(returns, ret)
		}
		out, load, ret := n.AddNode(), n.AddNode(), n.AddNode()
		n.AddResistor(buses[r.IntN(len(buses))], out, 0.01+0.05*r.Float64())
		n.AddResistor(out, load, 0.005+0.1*r.Float64())
		n.AddLoad(load, ret, Load{Kind: Kind(r.IntN(4)), Draw: 0.2 + 2.3*r.Float64(), At: 14})
		n.AddResistor(ret, returns[r.IntN(len(returns))], 0.005+0.05*r.Float64())
	}
	return n
}

// residual is the largest sum of currents at any node but the reference.
func residual(n *Network, s *Solution) float64 {
	sum := make([]float64, n.nodes)
	for i, p := range n.parts {
		sum[p.a] += s.current[i]
		sum[p.b] -= s.current[i]
	}
	worst := 0.0
	for _, x := range sum[1:] {
		worst = math.Max(worst, math.Abs(x))
	}
	return worst
}

func TestKirchhoffHoldsOnRandomNetworks(t *testing.T) {
	for seed := range uint64(300) {
		n := aircraftLike(rand.New(rand.NewPCG(seed, 1)), 1+int(seed)%60)
		s := solve(t, n)
		require.Less(t, residual(n, s), 1e-9, "seed %d", seed)
	}
}

// Adding a load never raises the voltage across another.
func TestAddedLoadNeverRaisesAVoltage(t *testing.T) {
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 2))
		n := aircraftLike(r, 12)
		before := solve(t, n)
		var loads []part
		for _, p := range n.parts {
			if _, ok := p.dev.(*Load); ok {
				loads = append(loads, p)
			}
		}
		at := loads[r.IntN(len(loads))]
		n.AddLoad(at.a, at.b, Load{Kind: Kind(r.IntN(4)), Draw: 3 * r.Float64(), At: 14})
		after := solve(t, n)
		for i, l := range loads {
			require.LessOrEqual(t, after.Volts(l.a)-after.Volts(l.b), before.Volts(l.a)-before.Volts(l.b)+1e-12, "seed %d load %d", seed, i)
		}
	}
}

// The influence must say what a small change really does.
func TestInfluenceAgainstASmallChange(t *testing.T) {
	for seed := range uint64(50) {
		r := rand.New(rand.NewPCG(seed, 3))
		n := aircraftLike(r, 10)
		s := solve(t, n)
		plus, minus := 1+r.IntN(n.Nodes()-1), r.IntN(n.Nodes())
		at := Part(1 + r.IntN(len(n.parts)-1))
		if n.parts[at].dev != nil {
			continue
		}
		influence := s.Influence(plus, minus)
		a, b := n.Ends(at)
		// More resistance is less current from a to b: dI = -I/R dR at the same voltage.
		ohms := n.Ohms(at)
		slope := -s.Current(at) / ohms * (influence[b] - influence[a])
		const dr = 1e-7
		before := s.Volts(plus) - s.Volts(minus)
		n.SetOhms(at, ohms+dr)
		after := solve(t, n)
		got := (after.Volts(plus) - after.Volts(minus) - before) / dr
		require.InDelta(t, got, slope, 1e-4+1e-4*math.Abs(got), "seed %d", seed)
	}
}

// What was solved again after changes is what is found from nothing.
func TestSolvedAgainIsSolvedAnew(t *testing.T) {
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 6))
		n := aircraftLike(r, 4+int(seed))
		solve(t, n)
		for range 12 {
			at := Part(1 + r.IntN(len(n.parts)-1))
			switch dev := n.parts[at].dev.(type) {
			case nil:
				n.SetOhms(at, []float64{math.Inf(1), 0.02, 0.05}[r.IntN(3)])
			case *Load:
				dev.Draw = 3 * r.Float64()
			}
			again := solve(t, n)
			n.Forget()
			anew := solve(t, n)
			require.Less(t, residual(n, again), 1e-9, "seed %d", seed)
			for node := range n.nodes {
				require.Equal(t, anew.Dead(node), again.Dead(node), "seed %d node %d", seed, node)
				require.InDelta(t, anew.Volts(node), again.Volts(node), 1e-9, "seed %d node %d", seed, node)
			}
		}
	}
}

// One changed part is found by taking few steps again, not all.
func TestOneChangeTakesFewSteps(t *testing.T) {
	n := aircraftLike(rand.New(rand.NewPCG(1, 7)), 400)
	solve(t, n)
	w := n.plan.work
	stale := func() (count int) {
		for _, word := range w.stale {
			count += bits.OnesCount64(word)
		}
		return count
	}
	require.Zero(t, stale())
	n.SetOhms(3, n.Ohms(3))
	require.Zero(t, stale(), "the same value is no change")
	n.SetOhms(3, 2*n.Ohms(3))
	require.LessOrEqual(t, stale(), 2)
}

// Networks with many loops, which no loom has. Aircraft of all sizes are in
// checks/airframe.
func BenchmarkSolve(b *testing.B) {
	for _, branches := range []int{20, 1000} {
		b.Run(fmt.Sprintf("%d-circuits/cold", branches), func(b *testing.B) {
			b.ReportAllocs()
			n := aircraftLike(rand.New(rand.NewPCG(1, 1)), branches)
			solve(b, n)
			for b.Loop() {
				n.last = nil
				solve(b, n)
			}
		})
		b.Run(fmt.Sprintf("%d-circuits/plan", branches), func(b *testing.B) {
			b.ReportAllocs()
			n := aircraftLike(rand.New(rand.NewPCG(1, 1)), branches)
			for b.Loop() {
				newPlan(n)
			}
		})
	}
}
