package faultfind

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/design/generate"
)

// The benchmark of BENCHMARK.md. In the gate a small sample is held against the
// committed table; the whole is made by
//
//	go test ./checks/faultfind -run Benchmark -faults 2000 -timeout 6h
var wholeBenchmark = flag.Int("faults", 0, "make the whole benchmark with so many faults and write BENCHMARK.md anew")

// A drawn is an aircraft of the benchmark and what is wrong with it.
type drawn struct {
	d     *design.Design
	kind  string // of the rates; "" for a sound aircraft
	fault airframe.Fault
	twist twist
	swap  bool
}

// draw draws an aircraft and what is wrong with it by the stated rates and sizes:
// a sound one, or one with one fault.
func draw(t testing.TB, seed uint64) drawn {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 0xbe7c4))
	var d *design.Design
	switch seed % 3 {
	case 0:
		d = exampleDesign(t, "marsh-hen")
	case 1:
		d = exampleDesign(t, "marsh-hen-28")
	default:
		d = generate.Design(6+r.IntN(20), seed)
	}
	w, err := newWorld(d, nil, seed)
	require.NoError(t, err)
	c, err := w.complaint()
	require.NoError(t, err)
	p := newProblem(c, Usual())
	sound, err := p.predict(nil, nil)
	require.NoError(t, err)
	sound.judge()
	causes := p.causes(sound)
	odd := map[string]bool{}
	for _, k := range d.Circuits {
		causes = append(causes, p.swapsOf(k.Name, odd)...)
		odd[k.Name] = true // each pair once
	}
	total := 1.0
	for _, c := range causes {
		total += c.prior
	}
	for {
		if out := drawOf(r, d, causes, total); !out.cut(t) {
			return out
		}
	}
}

// cut tells whether the watch would take the power away at once: the source
// collapses. Such faults are explained by the cut, not by readings.
func (b drawn) cut(t testing.TB) bool {
	t.Helper()
	if b.fault.Kind == "" {
		return false
	}
	m := airframe.New(b.d)
	require.NoError(t, m.Break(b.fault))
	source := b.d.Source(feeding(b.d))
	m.Set(airframe.AllOn(b.d, source.Name))
	v, err := m.Volts(source.Name+"+", source.Name+"-")
	require.NoError(t, err)
	return v < 0.8*float64(source.Volts)
}

func drawOf(r *rand.Rand, d *design.Design, causes []*cause, total float64) drawn {
	at := r.Float64() * total
	if at -= 1; at < 0 {
		return drawn{d: d}
	}
	for _, c := range causes {
		if at -= c.prior; at >= 0 {
			continue
		}
		size := pick(r, c.sizes)
		out := drawn{d: d, kind: c.kind, swap: c.swap}
		if c.fault != nil {
			out.fault = c.fault(size)
		} else {
			out.twist = c.twists(size)[0]
		}
		return out
	}
	return drawn{d: d}
}

func pick(r *rand.Rand, sizes []cell) float64 {
	total := 0.0
	for _, s := range sizes {
		total += s.weight
	}
	at := r.Float64() * total
	for _, s := range sizes {
		if at -= s.weight; at <= 0 {
			return s.lo + (s.hi-s.lo)*r.Float64()
		}
	}
	return sizes[len(sizes)-1].lo
}

func (b drawn) world(t testing.TB, seed uint64) *world {
	t.Helper()
	var faults []airframe.Fault
	if b.kind != "" && b.fault.Kind != "" {
		faults = append(faults, b.fault)
	}
	w, err := newWorld(b.d, faults, seed)
	require.NoError(t, err)
	w.twist = b.twist
	return w
}

// named tells whether an explanation is the truth.
func (b drawn) named(e Explanation) bool {
	switch {
	case b.kind == "":
		return e.IsSound()
	case b.fault.Kind == "":
		for _, p := range e.Parts {
			if p.Kind == b.kind {
				return true
			}
		}
		return false
	}
	return explains(e, b.fault)
}

// visible tells whether the fault moves the readings of a case by at least four
// standard deviations together, in an aircraft that is otherwise as usual: less
// than that no method can tell from what sound parts may show.
func (b drawn) visible(t testing.TB, c *Case) bool {
	t.Helper()
	p := newProblem(c, Usual())
	sound, err := p.predict(nil, nil)
	require.NoError(t, err)
	sound.judge()
	var faults []airframe.Fault
	if b.fault.Kind != "" {
		faults = append(faults, b.fault)
	}
	twists := []twist{b.twist}
	broken, err := p.predict(faults, twists)
	require.NoError(t, err)
	moved := make([]float64, len(c.Readings))
	for i := range moved {
		moved[i] = broken.mean[i] - sound.mean[i]
	}
	w := sound.f.whiten(moved)
	return dot(w, w) >= 16
}

// A result is one aircraft of the benchmark.
type result struct {
	Seed  uint64
	Kind  string // "" for a sound aircraft
	Fault string

	// From a whole first power-on.
	SeenSheet  bool
	FirstSheet bool
	ThreeSheet bool
	SaidSheet  float64 // probability of the first

	// From the loads' voltages, and then by probing.
	Seen        bool
	First       bool
	Three       bool
	Said        float64
	Found       bool
	Moves       int
	Outwards    bool
	OutwardMove int
	Halving     bool
	HalvingMove int
}

// run takes one aircraft through everything.
func run(t testing.TB, seed uint64) result {
	t.Helper()
	b := draw(t, seed)
	out := result{Seed: seed, Kind: b.kind}
	if b.kind != "" {
		out.Fault = b.fault.String()
	}
	w := b.world(t, seed)
	sheet, err := w.worksheet()
	require.NoError(t, err)
	out.SeenSheet = b.kind == "" || b.visible(t, sheet)
	a, err := Find(sheet, Usual())
	require.NoError(t, err)
	out.FirstSheet, out.ThreeSheet, out.SaidSheet = b.ranks(a)

	w = b.world(t, seed)
	c, err := w.complaint()
	require.NoError(t, err)
	out.Seen = b.kind == "" || b.visible(t, c)
	a, err = Find(c, Usual())
	require.NoError(t, err)
	out.First, out.Three, out.Said = b.ranks(a)
	if b.kind == "" || !out.Seen {
		return out
	}
	a = w.follow(t, a)
	out.Found, out.Moves = b.named(a.Likeliest()), w.moves
	out.Outwards, out.OutwardMove = outwards(t, b, b.world(t, seed), c)
	out.Halving, out.HalvingMove = halving(t, b, b.world(t, seed), c)
	return out
}

// ranks tells whether the truth is first, and among the first three, and with what
// probability the first is said.
func (b drawn) ranks(a *Answer) (first, three bool, said float64) {
	for i, e := range a.Explanations[:min(3, len(a.Explanations))] {
		if b.named(e) {
			first, three = first || i == 0, true
		}
	}
	return first, three, a.Likeliest().Probability
}

// mostMoves is when a person gives up.
const mostMoves = 25

// follow measures what is advised until one explanation is left.
func (w *world) follow(t testing.TB, a *Answer) *Answer {
	t.Helper()
	for w.moves < mostMoves {
		adv, err := a.Next()
		require.NoError(t, err)
		if adv.Done {
			break
		}
		v, err := w.probe(adv.Probes[0])
		require.NoError(t, err)
		a, err = Find(a.With(adv.Probes[0], v), Usual())
		require.NoError(t, err)
	}
	return a
}

// A way is what the two plain methods walk along: the points of the worst
// circuit from the source's plus to its minus, and what sound parts may lose
// between neighbours.
type way struct {
	circuit string
	points  []string
}

// worstWay is the way of the circuit whose load's voltage is furthest off.
func worstWay(t testing.TB, w *world, c *Case) way {
	t.Helper()
	p := newProblem(c, Usual())
	sound, err := p.predict(nil, nil)
	require.NoError(t, err)
	worst, at := -1.0, ""
	for i, r := range c.Readings {
		k, ok := strings.CutSuffix(r.Of.From, ".load+")
		if !ok {
			continue
		}
		z := math.Abs(r.Value-sound.mean[i]) / math.Sqrt(sq(r.U)+covariance(sound.rows[i], sound.rows[i]))
		if z > worst {
			worst, at = z, k
		}
	}
	k := w.d.Circuit(at)
	start := w.state.Sources[0] + "+"
	if s := w.d.Source(w.state.Sources[0]); s.Plus != "" {
		start = s.Plus
	}
	points := w.d.Path(start, k.Bus)
	points = append(points, w.d.Feed(k)[1:]...)
	points = append(points, w.d.Return(k)...)
	points = slices.DeleteFunc(points, func(p string) bool { return w.d.Terminal(p).Reach != design.Easy })
	return way{at, append(points, w.black)}
}

// potential reads one point against home: one move.
func (w *world) potential(t testing.TB, point string) float64 {
	t.Helper()
	if point == w.black {
		return 0
	}
	r, err := w.read(airframe.Between(point, w.black), w.state)
	require.NoError(t, err)
	w.moves++
	return r.Value
}

// excess is how much more is lost between two points than sound parts may, and
// how much more than they usually do.
func (w *world) excess(t testing.TB, from, to string, lost float64) (beyond, more float64) {
	t.Helper()
	e, err := airframe.New(w.d).Expect(w.state, airframe.Between(from, to))
	require.NoError(t, err)
	return lost - e.Most - 2*meterFixed, lost - e.Value
}

// outwards reads each point from the source on, and stops at the first stretch
// that loses more than sound parts may.
func outwards(t testing.TB, b drawn, w *world, c *Case) (found bool, moves int) {
	t.Helper()
	y := worstWay(t, w, c)
	before := w.potential(t, y.points[0])
	if _, more := w.excess(t, y.points[0], w.black, before); math.Abs(more) > 0.006*float64(w.d.Aircraft.Nominal) {
		return b.between(y, y.points[0], ""), w.moves
	}
	for i := 1; i < len(y.points); i++ {
		now := w.potential(t, y.points[i])
		lost := before - now
		if strings.HasSuffix(y.points[i-1], ".load+") {
			before = now
			continue // over the load itself
		}
		if beyond, _ := w.excess(t, y.points[i-1], y.points[i], lost); beyond > 0 {
			return b.between(y, y.points[i-1], y.points[i]), w.moves
		}
		before = now
	}
	return b.between(y, "", ""), w.moves
}

// halving reads the middle of what is left, and goes on where more is lost than
// usual: on the way out, or on the way back.
func halving(t testing.TB, b drawn, w *world, c *Case) (found bool, moves int) {
	t.Helper()
	y := worstWay(t, w, c)
	load := slices.Index(y.points, y.circuit+".load+")
	read := map[int]float64{}
	at := func(i int) float64 {
		if _, ok := read[i]; !ok {
			read[i] = w.potential(t, y.points[i])
		}
		return read[i]
	}
	more := func(i, j int) float64 {
		_, m := w.excess(t, y.points[i], y.points[j], at(i)-at(j))
		return m
	}
	if _, off := w.excess(t, y.points[0], w.black, at(0)); math.Abs(off) > 0.006*float64(w.d.Aircraft.Nominal) {
		return b.between(y, y.points[0], ""), w.moves
	}
	lo, hi := 0, load
	if load+1 < len(y.points) && more(load+1, len(y.points)-1) > more(0, load) {
		lo, hi = load+1, len(y.points)-1
	}
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		if more(lo, mid) > more(mid, hi) {
			hi = mid
		} else {
			lo = mid
		}
	}
	if beyond, _ := w.excess(t, y.points[lo], y.points[hi], at(lo)-at(hi)); beyond <= 0 {
		return b.between(y, "", ""), w.moves
	}
	return b.between(y, y.points[lo], y.points[hi]), w.moves
}

// between tells whether what a plain method ends with is the truth. It names a
// stretch only, and is given credit for all that may lie there: the part, or the
// right circuit for a load, a leak or a swap; nothing between means that the
// load itself is to blame.
func (b drawn) between(y way, from, to string) bool {
	f := b.fault
	touches := func(terminals ...string) bool {
		return slices.Contains(terminals, from) && slices.Contains(terminals, to)
	}
	switch f.Kind {
	case airframe.HighResistanceJoint, airframe.WrongGauge, airframe.WrongLength, airframe.OpenCircuit, airframe.WornContacts, airframe.OversizedBreaker:
		m := airframe.New(b.d)
		for _, p := range m.Parts() {
			name := p.Name == f.At
			switch f.Kind {
			case airframe.WornContacts:
				name = name && (p.Kind == airframe.Switch) == (f.Other == "switch") && (p.Kind == airframe.Switch || p.Kind == airframe.Protector)
			case airframe.OversizedBreaker:
				name = name && p.Kind == airframe.Protector
			default:
				name = name && (p.Kind == airframe.WireRun || p.Kind == airframe.Contact)
			}
			if name && (touches(p.From, p.To) || from != "" && to == "battery-" && b.d.IsGround(p.To)) {
				return true
			}
		}
		return false
	case airframe.BadGround:
		return from == f.At || to == f.At
	case airframe.WrongVoltage, airframe.WeakBattery:
		return from == y.points[0] && to == ""
	case airframe.WrongDraw, airframe.ShortToAirframe:
		return from == "" && (strings.HasPrefix(f.At, y.circuit) || f.At == y.circuit)
	case airframe.SwappedCircuits, airframe.SwappedPins:
		return (f.At == y.circuit || f.Other == y.circuit) && from != ""
	}
	return false
}

const tableFile = "BENCHMARK.md"

// A table is what the benchmark comes to. The numbers stand in BENCHMARK.md as
// JSON, too, where the gate's sample finds them.
type table struct {
	Aircraft int
	Faults   int
	Sheet    score    // from a whole first power-on
	Loads    score    // from the loads' voltages alone
	Guided   searched // by what is advised next
	Outwards searched
	Halving  searched
	Said     []saying // calibration
	Kinds    map[string]score
}

type score struct {
	Visible, First, Three int
}

type searched struct {
	Faults, Found int
	Median, Most  int // moves, of all
}

type saying struct {
	From, To float64
	Said     int
	Mean     float64
	Right    int
}

func tabulate(results []result) table {
	out := table{Aircraft: len(results), Kinds: map[string]score{}}
	var guided, out1, half []int
	for i := range 10 {
		out.Said = append(out.Said, saying{From: float64(i) / 10, To: float64(i+1) / 10})
	}
	say := func(p float64, right bool, times int) {
		s := &out.Said[min(9, int(p*10))]
		s.Mean = (s.Mean*float64(s.Said) + p*float64(times)) / float64(s.Said+times)
		s.Said += times
		if right {
			s.Right += times
		}
	}
	add := func(s score, first, three bool) score {
		s.Visible++
		if first {
			s.First++
		}
		if three {
			s.Three++
		}
		return s
	}
	for _, r := range results {
		times := 1
		if r.Kind == "" {
			times = soundShare
		}
		say(r.SaidSheet, r.FirstSheet, times)
		say(r.Said, r.First, times)
		if r.Kind == "" {
			continue
		}
		out.Faults++
		if r.SeenSheet {
			out.Sheet = add(out.Sheet, r.FirstSheet, r.ThreeSheet)
			out.Kinds[r.Kind] = add(out.Kinds[r.Kind], r.FirstSheet, r.ThreeSheet)
		}
		if !r.Seen {
			continue
		}
		out.Loads = add(out.Loads, r.First, r.Three)
		search := func(s *searched, found bool) {
			s.Faults++
			if found {
				s.Found++
			}
		}
		search(&out.Guided, r.Found)
		search(&out.Outwards, r.Outwards)
		search(&out.Halving, r.Halving)
		guided, out1, half = append(guided, r.Moves), append(out1, r.OutwardMove), append(half, r.HalvingMove)
	}
	for s, moves := range map[*searched][]int{&out.Guided: guided, &out.Outwards: out1, &out.Halving: half} {
		if slices.Sort(moves); len(moves) > 0 {
			s.Median, s.Most = moves[len(moves)/2], moves[len(moves)-1]
		}
	}
	return out
}

func share(n, of int) string {
	if of == 0 {
		return ""
	}
	return fmt.Sprintf("%.1f %%", 100*float64(n)/float64(of))
}

func (k table) markdown() string {
	var b strings.Builder
	fmt.Fprintf(&b, `# How well faults are found

Made by `+"`go test ./checks/faultfind -run Benchmark -faults N`"+`; the gate holds a small sample against it.

%d aircraft: the Marsh Hen, its 28 V sister, and generated ones of 6 to 25 circuits, in turn. Each part lies anywhere inside
what sound ones may be, each load anywhere within its tolerance. What is wrong is drawn by the stated rates (rates.yaml), kind,
place and size alike: %d have one fault, the others none. Voltages are read with ±(0.05 %% + 2 mV) and steps of 1 mV, currents
with ±(0.2 %% + 10 mA).

A fault is *visible* in a set of readings if it moves them by four standard deviations together, against what sound parts and
instruments may do: the others are harmless there, and no method can tell them.

## What is named

| from | visible | named first | in the first three |
|---|---|---|---|
| a whole first power-on, circuit after circuit | %d | %s | %s |
| the voltage at each load and bus, and the total current, alone | %d | %s | %s |

Named means the very part and kind (a joint, gauge, length or break of one run is one thing to look at); where the answer says
that some places cannot be told apart, the truth among them counts.

## Moves of the probe

From the loads' voltages alone, for the faults that are visible in them:

| method | faults | found | median moves | most |
|---|---|---|---|---|
| what is advised next | %d | %s | %d | %d |
| from the source outwards | %d | %s | %d | %d |
| splitting the way in halves | %d | %s | %d | %d |

The two plain methods walk along the circuit whose load is furthest off. They name a stretch only, and are given credit for
whatever may lie there: for a load, a leak or swapped wires the right circuit is enough.

## Is 80 %% right in 80 of 100?

The first explanation of both sets of readings of each aircraft, sound ones among them (of those, one in %d was run and counts
for all):

| said | times | on the average | right |
|---|---|---|---|
`, k.Aircraft, k.Faults, k.Sheet.Visible, share(k.Sheet.First, k.Sheet.Visible), share(k.Sheet.Three, k.Sheet.Visible),
		k.Loads.Visible, share(k.Loads.First, k.Loads.Visible), share(k.Loads.Three, k.Loads.Visible),
		k.Guided.Faults, share(k.Guided.Found, k.Guided.Faults), k.Guided.Median, k.Guided.Most,
		k.Outwards.Faults, share(k.Outwards.Found, k.Outwards.Faults), k.Outwards.Median, k.Outwards.Most,
		k.Halving.Faults, share(k.Halving.Found, k.Halving.Faults), k.Halving.Median, k.Halving.Most, soundShare)
	for _, s := range k.Said {
		if s.Said > 0 {
			fmt.Fprintf(&b, "| %.0f to %.0f %% | %d | %.0f %% | %s |\n", 100*s.From, 100*s.To, s.Said, 100*s.Mean, share(s.Right, s.Said))
		}
	}
	b.WriteString("\n## By kind\n\nFrom a whole first power-on:\n\n| kind | visible | first | in three |\n|---|---|---|---|\n")
	kinds := []string{}
	for kind := range k.Kinds {
		kinds = append(kinds, kind)
	}
	slices.Sort(kinds)
	for _, kind := range kinds {
		s := k.Kinds[kind]
		fmt.Fprintf(&b, "| %s | %d | %s | %s |\n", kind, s.Visible, share(s.First, s.Visible), share(s.Three, s.Visible))
	}
	text, _ := json.Marshal(k)
	fmt.Fprintf(&b, "\n<!-- %s -->\n", text)
	return b.String()
}

// soundShare: of the sound aircraft one in so many is run, and counts for all.
const soundShare = 4

// makeTable runs aircraft, on all processors, until there are faults enough.
func makeTable(t *testing.T) {
	var results []result
	faults, sound := 0, 0
	const batch = 100
	for first := uint64(0); faults < *wholeBenchmark; first += batch {
		var wg sync.WaitGroup
		out := make([]*result, batch)
		for i := range uint64(batch) {
			b := draw(t, first+i)
			if b.kind == "" {
				if sound++; sound%soundShare != 0 {
					continue
				}
			}
			out[i] = new(result)
		}
		next := make(chan uint64)
		for range runtime.GOMAXPROCS(0) {
			wg.Go(func() {
				for i := range next {
					*out[i] = run(t, first+i)
				}
			})
		}
		for i := range uint64(batch) {
			if out[i] != nil {
				next <- i
			}
		}
		close(next)
		wg.Wait()
		for _, r := range out {
			if r == nil {
				continue
			}
			if results = append(results, *r); r.Kind != "" {
				faults++
			}
		}
		k := tabulate(results)
		t.Logf("%d aircraft, %d faults", len(results), faults)
		for _, r := range results[max(0, len(results)-batch):] {
			if r.Kind != "" && r.SeenSheet && !r.FirstSheet || r.Seen && r.Kind != "" && !r.Found {
				t.Logf("seed %d %s %s: %+v", r.Seed, r.Kind, r.Fault, r)
			}
		}
		require.NoError(t, os.WriteFile(tableFile, []byte(k.markdown()), 0o644))
	}
}

func TestBenchmark(t *testing.T) {
	if *wholeBenchmark > 0 {
		makeTable(t)
		return
	}
	text, err := os.ReadFile(tableFile)
	require.NoError(t, err)
	_, after, _ := strings.Cut(string(text), "<!-- ")
	numbers, _, ok := strings.Cut(after, " -->")
	require.True(t, ok, "no numbers in %s", tableFile)
	var committed table
	require.NoError(t, json.Unmarshal([]byte(numbers), &committed))
	assert.GreaterOrEqual(t, committed.Faults, 2000)

	// Other aircraft than those of the table.
	var results []result
	for seed := range uint64(16) {
		results = append(results, run(t, 1_000_000+seed))
	}
	now := tabulate(results)
	t.Logf("%+v", now)
	// A share in a sample may lie three standard deviations off the committed one.
	alike := func(what string, n, of, tableN, tableOf int) {
		p := float64(tableN) / float64(tableOf)
		sd := math.Sqrt(p*(1-p)/float64(of)) + 1/float64(of)
		assert.InDelta(t, p, float64(n)/float64(of), 3*sd, "%s: %d of %d now, %d of %d in %s", what, n, of, tableN, tableOf, tableFile)
	}
	alike("first, whole worksheet", now.Sheet.First, now.Sheet.Visible, committed.Sheet.First, committed.Sheet.Visible)
	alike("first, loads only", now.Loads.First, now.Loads.Visible, committed.Loads.First, committed.Loads.Visible)
	alike("found by what is advised", now.Guided.Found, now.Guided.Faults, committed.Guided.Found, committed.Guided.Faults)
}
