// Package ngspice asks an independent circuit simulator, ngspice (Debian
// package ngspice), for the voltages of a network. It is for tests only: the
// outside opinion on package network.
//
//	volts := ngspice.Solve(t, n)
//
// The simulator's exit code and result file prove nothing by themselves: it
// ends with 0 after a failed solution, and has printed a plausible voltage for
// a node that nothing feeds. So every node must be answered, no complaint may
// stand in the output, and the currents that follow from the answers must add
// up to nothing at each node.
package ngspice

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"loomproof/checks/network"
)

var complaint = regexp.MustCompile(`(?i)singular|failed|aborted|error|no such|unknown`)

// Solve gives the voltage of each node of n. Of our own solution it uses two
// things: nodes that hang in the air are held at 0 V, where package network
// puts them, and the search begins within 0.1 V of our answer, since the
// simulator swings for ever about the sharp corner of a current limit. It has
// to find the rest of the way to 1e-12 by itself.
func Solve(t testing.TB, n *network.Network, ours *network.Solution) []float64 {
	t.Helper()
	volts, err := run(t.TempDir(), n, ours)
	if err != nil {
		t.Fatalf("ngspice: %v", err)
	}
	if worst, node := unbalance(n, volts); worst > 1e-7 {
		t.Fatalf("ngspice: %g A are left over at node %d of its own solution", worst, node)
	}
	return volts
}

func run(dir string, n *network.Network, ours *network.Solution) ([]float64, error) {
	out := filepath.Join(dir, "out.txt")
	if err := os.WriteFile(filepath.Join(dir, "deck.cir"), []byte(deck(n, ours, out)), 0o600); err != nil {
		return nil, err
	}
	cmd := exec.Command("ngspice", "-b", "deck.cir")
	cmd.Dir = dir
	said, err := cmd.CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("%w (install the Debian package ngspice)\n%s", err, said)
	}
	if bad := complaint.Find(said); bad != nil {
		return nil, fmt.Errorf("it says %q:\n%s", bad, said)
	}
	text, err := os.ReadFile(out)
	if err != nil {
		return nil, fmt.Errorf("it wrote no result: %w\n%s", err, said)
	}
	return parse(string(text), n.Nodes())
}

// parse reads the two lines that wrdata writes: names, then values.
func parse(text string, nodes int) ([]float64, error) {
	lines := strings.SplitN(strings.TrimSpace(text), "\n", 2)
	if len(lines) != 2 {
		return nil, fmt.Errorf("its result is not two lines:\n%s", text)
	}
	names, values := strings.Fields(lines[0]), strings.Fields(lines[1])
	volts := make([]float64, nodes)
	found := 0
	for i, name := range names {
		node, err := strconv.Atoi(strings.TrimSuffix(strings.TrimPrefix(name, "v(n"), ")"))
		if err != nil || i >= len(values) {
			continue // the scale column
		}
		if volts[node], err = strconv.ParseFloat(values[i], 64); err != nil {
			return nil, err
		}
		found++
	}
	if found != nodes-1 {
		return nil, fmt.Errorf("it answered %d nodes of %d", found, nodes-1)
	}
	return volts, nil
}

func name(node int) string {
	if node == 0 {
		return "0"
	}
	return fmt.Sprintf("n%d", node)
}

// across is the simulator's expression for the voltage between two nodes.
func across(a, b int) string {
	if b == 0 {
		return fmt.Sprintf("v(%s)", name(a))
	}
	if a == 0 {
		return fmt.Sprintf("(-v(%s))", name(b))
	}
	return fmt.Sprintf("v(%s,%s)", name(a), name(b))
}

func deck(n *network.Network, ours *network.Solution, out string) string {
	var d strings.Builder
	d.WriteString("a network\n.options reltol=1e-12 abstol=1e-13 vntol=1e-11 itl1=1000 gmin=1e-15\n")
	n.Each(func(p network.Part, a, b int, value any) {
		v := across(a, b)
		switch x := value.(type) {
		case float64:
			if !math.IsInf(x, 1) {
				fmt.Fprintf(&d, "R%d %s %s %.17g\n", p, name(a), name(b), x)
			}
		case network.Source:
			amperes := fmt.Sprintf("(%s-%.17g)/%.17g", v, x.Volts, x.Ohms)
			if x.Limit > 0 {
				amperes = fmt.Sprintf("max(%s,-%.17g)", amperes, x.Limit)
			}
			if x.Isolated {
				amperes = fmt.Sprintf("min(%s,0)", amperes)
			}
			fmt.Fprintf(&d, "B%d %s %s I=%s\n", p, name(a), name(b), amperes)
		case network.Load:
			fmt.Fprintf(&d, "B%d %s %s I=%s\n", p, name(a), name(b), loadExpression(x, v))
		}
	})
	vectors := make([]string, 0, n.Nodes())
	for node := 1; node < n.Nodes(); node++ {
		if ours.Dead(node) {
			fmt.Fprintf(&d, "Rdead%d %s 0 1\n", node, name(node))
		}
		fmt.Fprintf(&d, ".nodeset v(%s)=%.1f\n", name(node), ours.Volts(node))
		vectors = append(vectors, fmt.Sprintf("v(%s)", name(node)))
	}
	fmt.Fprintf(&d, ".control\nset numdgt=15\nset wr_vecnames\nset wr_singlescale\nop\nwrdata %s %s\nquit 0\n.endc\n.end\n",
		out, strings.Join(vectors, " "))
	return d.String()
}

// dropout and cold are the documented knees of package network's loads.
func dropout(l network.Load) float64 {
	if l.Dropout > 0 {
		return l.Dropout
	}
	return l.At / 2
}

func loadExpression(l network.Load, v string) string {
	switch l.Kind {
	case network.Current:
		return fmt.Sprintf("%.17g*%s/max(%s,%.17g)", l.Draw, v, v, dropout(l))
	case network.Power:
		return fmt.Sprintf("%.17g*%s/max(%s,%.17g)^2", l.Draw, v, v, dropout(l))
	case network.Lamp:
		cold := l.At / 10
		return fmt.Sprintf("%.17g*pow(max(%s,%.17g)/%.17g,0.55)*%s/max(%s,%.17g)", l.Draw, v, cold, l.At, v, v, cold)
	}
	return fmt.Sprintf("%.17g*%s/%.17g", l.Draw, v, l.At)
}

// unbalance is the largest sum of currents at a node, worked out here from the
// voltages and the documented laws of the parts.
func unbalance(n *network.Network, volts []float64) (worst float64, node int) {
	sum := make([]float64, n.Nodes())
	n.Each(func(_ network.Part, a, b int, value any) {
		v, amperes := volts[a]-volts[b], 0.0
		switch x := value.(type) {
		case float64:
			amperes = v / x
		case network.Source:
			amperes = (v - x.Volts) / x.Ohms
			if x.Limit > 0 {
				amperes = math.Max(amperes, -x.Limit)
			}
			if x.Isolated {
				amperes = math.Min(amperes, 0)
			}
		case network.Load:
			amperes = loadCurrent(x, v)
		}
		sum[a] += amperes
		sum[b] -= amperes
	})
	for i := 1; i < len(sum); i++ {
		if math.Abs(sum[i]) > worst {
			worst, node = math.Abs(sum[i]), i
		}
	}
	return worst, node
}

func loadCurrent(l network.Load, v float64) float64 {
	switch l.Kind {
	case network.Current:
		return l.Draw * v / math.Max(v, dropout(l))
	case network.Power:
		k := math.Max(v, dropout(l))
		return l.Draw * v / (k * k)
	case network.Lamp:
		k := math.Max(v, l.At/10)
		return l.Draw * math.Pow(k/l.At, 0.55) * v / k
	}
	return l.Draw * v / l.At
}
