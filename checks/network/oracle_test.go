package network_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"loomproof/checks/network"
	"loomproof/checks/network/ngspice"
)

// Random networks of all kinds of part, solved here and by ngspice.
func TestAgainstNgspice(t *testing.T) {
	worst := 0.0
	for seed := range uint64(1000) {
		n := randomNetwork(rand.New(rand.NewPCG(seed, 4)), 1+int(seed)%40)
		s, err := n.Solve()
		require.NoError(t, err)
		volts := ngspice.Solve(t, n, s)
		for node := range volts {
			relative := math.Abs(s.Volts(node)-volts[node]) / math.Max(1e-3, math.Abs(volts[node]))
			worst = math.Max(worst, relative)
			require.Less(t, relative, 1e-6, "seed %d node %d: %v here, %v by ngspice", seed, node, s.Volts(node), volts[node])
		}
	}
	t.Logf("largest relative difference over 1000 networks: %.2g", worst)
}

// randomNetwork has two sources (one behind a diode, one with a limit), buses
// in a loop, loads of each kind, shared returns, and some breakers open.
func randomNetwork(r *rand.Rand, circuits int) *network.Network {
	n := network.New(4)
	n.AddSource(1, 0, network.Source{Volts: 12 + r.Float64(), Ohms: 0.01 + 0.02*r.Float64()})
	n.AddSource(2, 0, network.Source{Volts: 13 + 2*r.Float64(), Ohms: 0.005 + 0.02*r.Float64(), Limit: 60 * r.Float64(), Isolated: r.IntN(2) == 0})
	n.AddResistor(1, 2, 0.001+0.01*r.Float64())
	n.AddResistor(2, 3, 0.001+0.01*r.Float64())
	n.AddResistor(1, 3, 0.001+0.01*r.Float64())
	ret := n.AddNode()
	n.AddResistor(ret, 0, 0.0005+0.003*r.Float64())
	for range circuits {
		out, load, minus := n.AddNode(), n.AddNode(), n.AddNode()
		breaker := n.AddResistor(1+r.IntN(3), out, 0.01+0.1*r.Float64())
		n.AddResistor(out, load, 0.005+0.1*r.Float64())
		n.AddLoad(load, minus, network.Load{Kind: network.Kind(r.IntN(4)), Draw: 0.1 + 4*r.Float64(), At: 14})
		n.AddResistor(minus, []int{0, ret}[r.IntN(2)], 0.005+0.05*r.Float64())
		if r.IntN(6) == 0 {
			n.SetOhms(breaker, math.Inf(1))
		}
	}
	return n
}
