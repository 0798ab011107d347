package ngspice

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// A Rectifier is three star-connected phases behind a six-diode bridge, into a
// battery (a voltage behind a resistance) and a resistive load: the circuit
// that the emulated charging system is held against.
type Rectifier struct {
	Hz         float64 // electrical
	Peak       float64 // of a phase's EMF, V
	PhaseOhms  float64
	PhaseHenry float64
	DiodeVolts float64 // threshold of a diode
	DiodeOhms  float64

	BatteryVolts float64
	BatteryOhms  float64 // 0: no battery
	LoadOhms     float64

	OpenUpper  int     // which upper diode is open: 1 to 3; 0 is none
	OpenPhase  int     // which phase
	ShortUpper int     // which upper diode conducts both ways
	ShortOhms  float64 // with this resistance
}

// A winding whose diodes all block has nowhere to go, and the simulator gives up
// on the sharp corners there. A snubber from each terminal, as rectifiers have
// them, takes a few milliamperes.
const (
	snubberOhms  = 40.0
	snubberFarad = 100e-9
)

// A Wave is a transient at even steps.
type Wave struct {
	Step    float64      // seconds
	Volts   []float64    // of the plus side against the minus side
	Direct  []float64    // current out of the bridge's plus side, A
	Phases  [3][]float64 // currents out of the phases, A
	Battery []float64    // current into the battery, A
}

// unbalanced is the part of the largest current that may be left over at a node,
// as the root mean square over the transient: the snubbers' share and what
// interpolation to even steps costs at the corners.
const unbalanced = 1e-2

// Run gives the wave from settle to settle+seconds. It stops the test when the
// simulator complains, leaves a value out, or gives values that break
// Kirchhoff's current law.
func (r Rectifier) Run(t testing.TB, settle, seconds, step float64) Wave {
	t.Helper()
	columns, err := transient(t.TempDir(), r.deck(settle+seconds, settle, step), r.vectors())
	if err != nil {
		t.Fatalf("ngspice: %v", err)
	}
	w := Wave{Step: step, Volts: columns["v(plus)"], Battery: columns["i(vbat)"]}
	if r.BatteryOhms == 0 {
		w.Battery = make([]float64, len(w.Volts))
	}
	for k := range w.Phases {
		w.Phases[k] = columns[fmt.Sprintf("i(vp%d)", k+1)]
	}
	w.Direct = columns["i(vdc)"]
	if want := int(math.Round(seconds / step)); len(w.Volts) < want {
		t.Fatalf("ngspice: %d points of %d", len(w.Volts), want)
	}
	if worst, where := r.unbalance(w, columns); !(worst <= unbalanced) {
		t.Fatalf("ngspice: %.3g of the largest current is left over at %s of its own solution", worst, where)
	}
	return w
}

func (r Rectifier) vectors() []string {
	v := []string{"v(plus)", "i(vdc)", "i(vp1)", "i(vp2)", "i(vp3)", "v(t1)", "v(t2)", "v(t3)"}
	if r.BatteryOhms > 0 {
		v = append(v, "i(vbat)")
	}
	return v
}

func (r Rectifier) deck(stop, start, step float64) string {
	var d strings.Builder
	d.WriteString("a rectifier\n.options reltol=1e-5 abstol=1e-8 vntol=1e-7 method=gear itl4=200\n")
	for k := 1; k <= 3; k++ {
		fmt.Fprintf(&d, "VE%d e%d star SIN(0 %.17g %.17g 0 0 %d)\n", k, k, r.Peak, r.Hz, -120*(k-1))
		ohms := r.PhaseOhms
		if r.OpenPhase == k {
			ohms = 1e7
		}
		fmt.Fprintf(&d, "RP%d e%d l%d %.17g\n", k, k, k, ohms)
		if r.PhaseHenry > 0 {
			fmt.Fprintf(&d, "LP%d l%d s%d %.17g\n", k, k, k, r.PhaseHenry)
		} else {
			fmt.Fprintf(&d, "RL%d l%d s%d 1u\n", k, k, k)
		}
		fmt.Fprintf(&d, "VP%d s%d t%d 0\n", k, k, k)
		switch k {
		case r.OpenUpper:
			fmt.Fprintf(&d, "RU%d t%d rail 10meg\n", k, k)
		case r.ShortUpper:
			fmt.Fprintf(&d, "RU%d t%d rail %.17g\n", k, k, r.ShortOhms)
		default:
			fmt.Fprintf(&d, "BU%d t%d rail I=%s\n", k, k, r.diode(fmt.Sprintf("v(t%d,rail)", k)))
		}
		fmt.Fprintf(&d, "BD%d 0 t%d I=%s\n", k, k, r.diode(fmt.Sprintf("(-v(t%d))", k)))
		fmt.Fprintf(&d, "RX%d t%d x%d %g\nCX%d x%d 0 %g\n", k, k, k, snubberOhms, k, k, snubberFarad)
	}
	d.WriteString("RS star 0 10meg\nVDC rail plus 0\n")
	fmt.Fprintf(&d, "RLOAD plus 0 %.17g\n", r.LoadOhms)
	if r.BatteryOhms > 0 {
		fmt.Fprintf(&d, "RBAT plus b %.17g\nVBAT b 0 %.17g\n", r.BatteryOhms, r.BatteryVolts)
	}
	fmt.Fprintf(&d, ".control\nset numdgt=12\nset wr_vecnames\nset wr_singlescale\ntran %.17g %.17g %.17g %.17g\nlinearize %s\nwrdata out.txt %s\nquit 0\n.endc\n.end\n",
		step, stop, start, step, strings.Join(r.vectors(), " "), strings.Join(r.vectors(), " "))
	return d.String()
}

// diode is the current of a diode as an expression: nothing below its
// threshold, a resistance above it.
func (r Rectifier) diode(volts string) string {
	return fmt.Sprintf("max(0,(%s-%.17g)/%.17g)", volts, r.DiodeVolts, r.DiodeOhms)
}

// transient runs a deck and reads every vector asked for.
func transient(dir, deck string, vectors []string) (map[string][]float64, error) {
	if err := os.WriteFile(filepath.Join(dir, "deck.cir"), []byte(deck), 0o600); err != nil {
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
	text, err := os.ReadFile(filepath.Join(dir, "out.txt"))
	if err != nil {
		return nil, fmt.Errorf("it wrote no result: %w\n%s", err, said)
	}
	return columns(string(text), vectors)
}

// columns reads what wrdata writes: a line of names, then lines of values.
func columns(text string, vectors []string) (map[string][]float64, error) {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	names := strings.Fields(lines[0])
	out := map[string][]float64{}
	for _, line := range lines[1:] {
		values := strings.Fields(line)
		if len(values) != len(names) {
			return nil, fmt.Errorf("%d values under %d names: %q", len(values), len(names), line)
		}
		for i, name := range names {
			v, err := strconv.ParseFloat(values[i], 64)
			if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
				return nil, fmt.Errorf("%s is %q", name, values[i])
			}
			out[name] = append(out[name], v)
		}
	}
	for _, v := range vectors {
		if len(out[v]) == 0 {
			return nil, fmt.Errorf("it answered no %s; it answered %v", v, names)
		}
	}
	return out, nil
}

// unbalance is the current left over, as a part of the largest direct current
// and as the root mean square over the transient, at the worst of three nodes:
// the star point, the plus side, and the bridge's minus side, where each diode's
// current is worked out from its voltage.
func (r Rectifier) unbalance(w Wave, columns map[string][]float64) (worst float64, where string) {
	largest := 1e-3
	left := map[string]float64{}
	for i, v := range w.Volts {
		largest = math.Max(largest, math.Abs(w.Direct[i]))
		back := 0.0
		for k := 1; k <= 3; k++ {
			back += math.Max(0, (-columns[fmt.Sprintf("v(t%d)", k)][i]-r.DiodeVolts)/r.DiodeOhms)
		}
		left["the star point"] += math.Pow(w.Phases[0][i]+w.Phases[1][i]+w.Phases[2][i], 2)
		left["the plus side"] += math.Pow(w.Direct[i]-v/r.LoadOhms-w.Battery[i], 2)
		left["the minus side"] += math.Pow(back-w.Direct[i], 2)
	}
	for node, squares := range left {
		if part := math.Sqrt(squares/float64(len(w.Volts))) / largest; part > worst || math.IsNaN(part) {
			worst, where = part, node
		}
	}
	return worst, where
}
