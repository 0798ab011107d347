package faultfind

import (
	"flag"
	"fmt"
	"os"
	"regexp"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/network"
	"loomproof/checks/network/ngspice"
)

// Faults computed by ngspice (Debian package ngspice), not by our own model: it
// gets the netlist of the faulted aircraft and gives the voltages that the
// instruments stand on. The whole is made by
//
//	go test ./checks/faultfind -run Simulator -simulated 250 -timeout 1h
var simulated = flag.Int("simulated", 0, "compute so many faults by ngspice and write ORACLE.md anew")

const oracleFile = "ORACLE.md"

// simulate reads what a complaint begins with, the true values by ngspice.
func (w *world) simulate(t *testing.T) *Case {
	t.Helper()
	c, err := w.complaint() // which quantities, in which order
	require.NoError(t, err)
	w.model.Set(w.state)
	n, ours, node, err := w.model.Network()
	require.NoError(t, err)
	volts := ngspice.Solve(t, n, ours)
	for i := range c.Readings {
		r := &c.Readings[i]
		v := 0.0
		if r.Of.From != "" {
			v = volts[node[r.Of.From]] - volts[node[r.Of.To]]
		} else {
			v = delivered(n, volts, node[r.Of.Source+"+"], node[r.Of.Source+"-"])
		}
		shown := w.shown(r.Of, r.In, v)
		r.Value = shown.Value
	}
	return c
}

// delivered is the current out of the source between two nodes, by its law and
// the simulator's voltages.
func delivered(n *network.Network, volts []float64, plus, minus int) (amperes float64) {
	n.Each(func(_ network.Part, a, b int, value any) {
		if s, ok := value.(network.Source); ok && a == plus && b == minus {
			if amperes = (s.Volts - volts[a] + volts[b]) / s.Ohms; s.Limit > 0 {
				amperes = min(amperes, s.Limit)
			}
		}
	})
	return amperes
}

// simulatedScore takes faults by ngspice until there are enough that are visible.
func simulatedScore(t *testing.T, from uint64, enough int) (s score) {
	t.Helper()
	for seed := from; s.Visible < enough; seed++ {
		b := draw(t, seed)
		if b.fault.Kind == "" {
			continue // sound, or an instrument
		}
		w := b.world(t, seed)
		c := w.simulate(t)
		if !b.visible(t, c) {
			continue
		}
		a, err := Find(c, Usual())
		require.NoError(t, err)
		first, three, _ := b.ranks(a)
		s.Visible++
		if first {
			s.First++
		}
		if three {
			s.Three++
		}
	}
	return s
}

func TestFaultsOfTheSimulator(t *testing.T) {
	if *simulated > 0 {
		s := simulatedScore(t, 2_000_000, *simulated)
		text := fmt.Sprintf(`# Faults computed by an independent simulator

Made by `+"`go test ./checks/faultfind -run Simulator -simulated N`"+`. Aircraft and faults as in [BENCHMARK.md](BENCHMARK.md); the
voltages that the instruments stand on are ngspice's, not our model's. From the voltage at each load and bus, and the total current:

| faults, visible | named first | in the first three |
|---|---|---|
| %d | %d | %d |
`, s.Visible, s.First, s.Three)
		require.NoError(t, os.WriteFile(oracleFile, []byte(text), 0o644))
	}
	text, err := os.ReadFile(oracleFile)
	require.NoError(t, err)
	m := regexp.MustCompile(`\| (\d+) \| (\d+) \| (\d+) \|`).FindSubmatch(text)
	require.NotNil(t, m, oracleFile)
	number := func(i int) float64 {
		v, err := strconv.Atoi(string(m[i]))
		require.NoError(t, err)
		return float64(v)
	}
	assert.GreaterOrEqual(t, number(1), 200.0)
	const sample = 6
	now := simulatedScore(t, 3_000_000, sample)
	t.Logf("%+v", now)
	p := number(3) / number(1)
	assert.Greater(t, float64(now.Three)/sample, p-3*0.5/2.45, "in three: %d of %d, %.2f in %s", now.Three, sample, p, oracleFile)
}
