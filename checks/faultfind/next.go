package faultfind

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/units"
)

// A Probe is a measurement that would tell explanations apart.
type Probe struct {
	Red      string    `json:"red,omitempty"`   // terminals; both empty for the supply's current
	Black    string    `json:"black,omitempty"` //
	Open     string    `json:"open,omitempty"`  // circuit whose breaker is to be opened for it
	Say      string    `json:"say"`
	Undo     bool      `json:"undo"` // something must come off first
	Moves    int       `json:"moves"`
	Effort   float64   `json:"effort"`
	Bits     float64   `json:"bits"` // expected information
	Unit     string    `json:"unit"`
	Outcomes []Outcome `json:"outcomes"`

	Of airframe.Quantity `json:"-"`
	In airframe.State    `json:"-"`
}

// An Outcome is what a reading there would mean.
type Outcome struct {
	Low         float64  `json:"low"` // where it would lie, with 95 %
	High        float64  `json:"high"`
	Probability float64  `json:"probability"`
	Means       []string `json:"means"`
}

// Advice is what to measure next.
type Advice struct {
	Done    bool    `json:"done"` // nothing more needs to be measured, or can be told by measuring
	Why     string  `json:"why"`
	State   string  `json:"state"`   // what must be switched on
	Probes  []Probe `json:"probes"`  // the best first
	Current float64 `json:"current"` // limit for the supply, in amperes; 0 leaves it
}

// The efforts, in moves of a probe. Common practice; the scale is ours.
const (
	effortMove = 1.0 // one probe to another point
	effortOpen = 2.0 // a breaker opened and closed again
	effortUndo = 4.0 // something must come off before a point can be reached
)

// When to stop: an explanation this likely is an answer; a measurement that tells
// less than so many bits is not worth a move.
const (
	Enough     = 0.95
	leastBits  = 0.03
	mostProbes = 3
)

// testCurrent is what a supply is limited to while a short is looked for, in
// amperes: enough for millivolts along a wire, too little to heat it. Common
// practice; no published source.
const testCurrent = 1.0

// Next finds what to measure next.
func (a *Answer) Next() (*Advice, error) {
	best := a.Likeliest()
	if best.Probability >= Enough && len(best.Parts) > 0 && !slices.ContainsFunc(best.Parts, func(p Part) bool { return len(p.Or) > 0 }) {
		return &Advice{Done: true, Why: "One explanation is left."}, nil
	}
	if best.IsSound() && best.Probability >= Enough && len(a.Odd) == 0 {
		return &Advice{Done: true, Why: "Nothing asks for an explanation."}, nil
	}
	state, ok := a.where()
	if !ok {
		return &Advice{Done: true, Why: "No source of the design feeds the aircraft in any state of these readings."}, nil
	}
	rivals, err := a.rivals()
	if err != nil {
		return nil, err
	}
	probes, err := a.weigh(rivals, state)
	if err != nil {
		return nil, err
	}
	adv := &Advice{State: describe(a.p.c.Design, state), Probes: probes}
	if len(a.p.c.Cuts) > 0 {
		adv.Current = testCurrent
	}
	if len(probes) == 0 {
		adv.Done, adv.Why = true, "No voltage or current that can be reached tells these explanations apart. Look at the places named, the likeliest first."
	}
	return adv, nil
}

// where is the state to measure in: that of the readings with the most circuits
// on; after a cut, the circuit that was cut, at a small current.
func (a *Answer) where() (airframe.State, bool) {
	if cuts := a.p.c.Cuts; len(cuts) > 0 {
		s := cuts[len(cuts)-1].In.Clone()
		s.SupplyLimit = testCurrent
		for _, k := range a.p.c.Design.Circuits {
			if k.Name != cuts[len(cuts)-1].Circuit {
				s.Closed[k.Name], s.On[k.Name] = false, false
			}
		}
		return s, true
	}
	best, count := airframe.State{}, -1
	for _, s := range a.p.states {
		n := 0
		for name, closed := range s.Closed {
			if closed && s.On[name] {
				n++
			}
		}
		if len(s.Sources) > 0 && n >= count {
			best, count = s, n
		}
	}
	return best, count >= 0
}

// describe says a state in words.
func describe(d *design.Design, s airframe.State) string {
	var off []string
	for _, k := range d.Circuits {
		if k.Protector() != nil && !s.Closed[k.Name] {
			off = append(off, k.Called())
		}
	}
	text := strings.Join(s.Sources, " and ") + " on"
	switch {
	case len(off) == 0:
		return text + ", all breakers closed"
	case len(off) == len(d.Circuits):
		return text + ", all breakers open"
	case len(off) > len(d.Circuits)/2:
		var on []string
		for _, k := range d.Circuits {
			if s.Closed[k.Name] {
				on = append(on, k.Called())
			}
		}
		return text + ", only these breakers closed: " + strings.Join(on, ", ")
	}
	return text + ", all breakers closed but: " + strings.Join(off, ", ")
}

// A rival is a theory that a measurement may rule out.
type rival struct {
	t      *theory
	weight float64
	says   string
}

// The rivals that are weighed: not those below this share, and not more than so many.
const (
	leastRival = 0.005
	mostRivals = 10
)

// rivals lists the theories by themselves, not in the groups that people are
// told: a measurement may part what these readings cannot.
func (a *Answer) rivals() ([]rival, error) {
	total := make([]float64, 0, len(a.theories))
	for _, t := range a.theories {
		total = append(total, t.log)
	}
	sum := logSum(total...)
	var out []rival
	for _, t := range a.theories {
		weight := math.Exp(t.log - sum)
		if t.nothing || weight < leastRival {
			continue
		}
		if len(out) == mostRivals {
			break
		}
		if t.solved == nil {
			if err := a.p.refine(t, a.sound); err != nil {
				return nil, err
			}
		}
		r := rival{t: t, weight: weight, says: "nothing is wrong"}
		if len(t.causes) > 0 {
			said := make([]string, len(t.causes))
			for i, c := range t.causes {
				said[i] = c.brief()
			}
			r.says = strings.Join(said, " and ")
		}
		out = append(out, r)
	}
	sum = 0
	for _, r := range out {
		sum += r.weight
	}
	for i := range out {
		out[i].weight /= sum
	}
	return out, nil
}

// briefs say a kind of fault in few words.
var briefs = map[string]string{
	"joint": "joint in %s", "contact": "contact %s", "ground": "ground point %s", "breaker-contacts": "contacts of %s", "switch-contacts": "contacts of %s",
	"gauge": "another gauge in %s", "length": "another length of %s", "breaker-rating": "another breaker in %s", "open": "no connection in %s",
	"swapped-circuits": "%s swapped", "swapped-pins": "%s swapped", "load": "load of %s", "leak": "short or leak at %s", "parasitic": "something else on the %s bus",
	"source": "source %s", "gain": "gain of the %s", "zero": "zero of the %s", "connected": "probes of the %s",
}

// brief names a cause in few words.
func (c *cause) brief() string { return fmt.Sprintf(briefs[c.kind], c.where()) }

// A guess is what one rival predicts of a measurement.
type guess struct{ mean, sd float64 }

// weigh ranks the measurements that can be made. Points that need something
// undone are looked at only where nothing else tells enough.
func (a *Answer) weigh(rivals []rival, state airframe.State) ([]Probe, error) {
	var easy, hard []Probe
	if len(rivals) < 2 {
		return nil, nil
	}
	candidates := a.candidates(state)
	guesses := make([][]guess, len(candidates))
	for i := range guesses {
		guesses[i] = make([]guess, len(rivals))
	}
	for k, r := range rivals {
		if err := a.foresee(r.t, k, candidates, guesses); err != nil {
			return nil, err
		}
	}
	for i, c := range candidates {
		c.Bits = information(rivals, guesses[i])
		if c.Bits < leastBits {
			continue
		}
		c.Outcomes = outcomes(rivals, guesses[i])
		if c.Undo {
			hard = append(hard, c)
		} else {
			easy = append(easy, c)
		}
	}
	for _, list := range [][]Probe{easy, hard} {
		slices.SortStableFunc(list, func(x, y Probe) int { return cmp.Compare(y.Bits/y.Effort, x.Bits/x.Effort) })
	}
	if len(easy) == 0 {
		easy = hard
	}
	return easy[:min(len(easy), mostProbes)], nil
}

// candidates lists what can be measured in a state: each terminal against the
// black probe's home, each part's two ends, and the supply's current with one
// breaker open.
func (a *Answer) candidates(state airframe.State) []Probe {
	var out []Probe
	d := a.p.c.Design
	add := func(red, black string, moves int) {
		reach := []design.Reach{d.Terminal(red).Reach, design.Easy}
		if t := d.Terminal(black); t != nil {
			reach[1] = t.Reach
		}
		if slices.Contains(reach, design.NotAtAll) {
			return
		}
		p := Probe{Red: red, Black: black, Moves: moves, Effort: effortMove * float64(moves), Unit: "V", Of: airframe.Between(red, black), In: state}
		for _, r := range reach {
			if r == design.Undo {
				p.Undo = true
				p.Effort += effortUndo
			}
		}
		p.Say = fmt.Sprintf("Red probe on %s, black on %s.", a.place(red), a.place(black))
		out = append(out, p)
	}
	if a.hasVoltage() {
		for _, t := range a.p.terms {
			if t != a.p.home {
				add(t, a.p.home, 1)
			}
		}
		for _, p := range a.p.model.Parts() {
			if p.From != "" && p.To != "" && p.Kind != airframe.Clip {
				add(p.From, p.To, 2)
			}
		}
		for _, k := range d.Circuits {
			if k.Load != nil {
				add(k.Name+".load+", k.Name+".load-", 2)
			}
		}
	}
	if len(state.Sources) > 0 && a.hasCurrent() {
		out = append(out, Probe{Say: "Read the supply's current.", Effort: 0.5, Unit: "A", Of: airframe.OutOf(state.Sources[0]), In: state})
		for _, k := range d.Circuits {
			if k.Protector() != nil && state.Closed[k.Name] {
				s := state.Clone()
				s.Closed[k.Name] = false
				out = append(out, Probe{
					Open: k.Name, Effort: effortOpen, Unit: "A", Of: airframe.OutOf(state.Sources[0]), In: s,
					Say: fmt.Sprintf("Open the breaker of %s, read the supply's current, and close it again.", k.Called()),
				})
			}
		}
	}
	return out
}

func (a *Answer) place(t string) string {
	if t == "" {
		return "the airframe"
	}
	if say := a.p.c.Design.Terminal(t).Say; say != "" {
		return fmt.Sprintf("%s (%s)", t, say)
	}
	return t
}

func (a *Answer) hasVoltage() bool {
	return slices.ContainsFunc(a.p.c.Readings, func(r Reading) bool { return r.Of.From != "" })
}

func (a *Answer) hasCurrent() bool {
	return slices.ContainsFunc(a.p.c.Readings, func(r Reading) bool { return r.Of.Source != "" })
}

// like is a reading as the case's instruments would give it.
func (a *Answer) like(p Probe) Reading {
	for i := len(a.p.c.Readings) - 1; i >= 0; i-- {
		if r := a.p.c.Readings[i]; (r.Of.From != "") == (p.Of.From != "") {
			return Reading{Of: p.Of, In: p.In, U: r.U, Gain: r.Gain, Instrument: r.Instrument, Range: r.Range}
		}
	}
	return Reading{Of: p.Of, In: p.In, U: 1e-3}
}

// foresee fills in what one theory predicts of each candidate, given all
// readings.
func (a *Answer) foresee(t *theory, column int, candidates []Probe, guesses [][]guess) error {
	l := t.solved
	if err := l.ready(); err != nil {
		return err
	}
	w := make([][]float64, len(t.causes))
	for i, c := range t.causes {
		if !c.fixed {
			w[i] = l.f.whiten(c.at.direction(l))
		}
	}
	var last *airframe.State
	for i := range candidates {
		p := &candidates[i]
		if last == nil || len(p.Open) > 0 || last != &p.In {
			l.model.Set(p.In)
			last = &p.In
		}
		r := a.like(*p)
		s, err := l.model.Sense(r.Of)
		if err != nil {
			return err
		}
		mean, row := a.p.nuisance(&r, s)
		k := make([]float64, len(l.rows))
		for j := range k {
			k[j] = covariance(row, l.rows[j])
		}
		z := l.f.whiten(k)
		g := guess{mean: mean + dot(z, l.r)}
		variance := sq(r.U) + covariance(row, row) - dot(z, z)
		for n, c := range t.causes {
			if w[n] == nil || t.errs[n] == 0 {
				continue
			}
			slope := a.slope(c, l, s, r) - dot(z, w[n])
			variance += sq(slope * t.errs[n])
		}
		g.sd = math.Sqrt(math.Max(variance, sq(r.U)))
		for n, c := range t.causes {
			for _, tw := range c.twists(t.sizes[n]) {
				if tw.acts(&r, a.p.home) {
					g.mean = g.mean*(1+tw.gain) + tw.zero
				}
			}
		}
		guesses[i][column] = g
	}
	return nil
}

// slope is how a measurement moves with a cause's size.
func (a *Answer) slope(c *cause, l *linear, s *airframe.Sense, r Reading) float64 {
	switch {
	case c.at.part >= 0:
		return s.Parts[c.at.part]
	case c.at.terminal != "":
		v, err := l.model.Volts(c.at.terminal, "")
		if err != nil {
			return 0
		}
		return -s.Forced(c.at.terminal) * v
	case c.at.load >= 0:
		return s.Loads[c.at.load]
	case c.at.source >= 0 && c.at.inside:
		amperes, err := l.model.Value(airframe.OutOf(l.p.feeds[c.at.source].Source.Name))
		if err != nil {
			return 0
		}
		return -s.Sources[c.at.source] * amperes
	case c.at.source >= 0:
		return -s.Sources[c.at.source]
	case c.at.gain && c.at.instrument == r.Instrument:
		return s.Value
	case c.at.zero && c.at.instrument == r.Instrument:
		return 1
	}
	return 0
}

// Nodes and weights of the Gauss-Hermite rule of 9 points for the standard normal
// distribution; Abramowitz and Stegun table 25.10, scaled (from memory; the test
// integrates moments with them).
var hermite = [9][2]float64{
	{-4.512745863399783, 2.234584400774658e-05},
	{-3.205429002856470, 0.002789141321231769},
	{-2.076847978677830, 0.04991640676521787},
	{-1.023255663789133, 0.2440975028949394},
	{0, 0.4063492063492063},
	{1.023255663789133, 0.2440975028949394},
	{2.076847978677830, 0.04991640676521787},
	{3.205429002856470, 0.002789141321231769},
	{4.512745863399783, 2.234584400774658e-05},
}

// information is what a measurement is expected to tell, in bits: the entropy of
// the mixture of predictions less the mean of theirs.
func information(rivals []rival, guesses []guess) float64 {
	sum := 0.0
	for i, r := range rivals {
		for _, node := range hermite {
			x := guesses[i].mean + guesses[i].sd*node[0]
			mix := 0.0
			for j, o := range rivals {
				z := (x - guesses[j].mean) / guesses[j].sd
				mix += o.weight * math.Exp(-z*z/2) / guesses[j].sd
			}
			own := math.Exp(-node[0]*node[0]/2) / guesses[i].sd
			sum += r.weight * node[1] * math.Log(own/mix)
		}
	}
	return math.Max(0, sum/math.Ln2)
}

// outcomes puts rivals whose predictions overlap into one.
func outcomes(rivals []rival, guesses []guess) []Outcome {
	order := make([]int, len(rivals))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(x, y int) int { return cmp.Compare(guesses[x].mean, guesses[y].mean) })
	var out []Outcome
	for _, i := range order {
		g := guesses[i]
		lo, hi := g.mean-1.96*g.sd, g.mean+1.96*g.sd
		if n := len(out); n > 0 && lo < out[n-1].High {
			o := &out[n-1]
			o.Low, o.High = math.Min(o.Low, lo), math.Max(o.High, hi)
			o.Probability += rivals[i].weight
			o.Means = append(o.Means, rivals[i].says)
			continue
		}
		out = append(out, Outcome{lo, hi, rivals[i].weight, []string{rivals[i].says}})
	}
	return out
}

// Range is an outcome's span in words.
func (o Outcome) Range(unit string) string {
	return fmt.Sprintf("%s to %s", units.Format(o.Low, unit), units.Format(o.High, unit))
}

// Sample is how a person types what a measurement has shown.
func (p Probe) Sample() string {
	switch {
	case p.Red != "":
		return fmt.Sprintf("%s %s = 12.3 mV", p.Red, p.Black)
	case p.Open != "":
		return fmt.Sprintf("open %s = 1.23 A", p.Open)
	}
	return "current = 1.23 A"
}

// Typed makes a measurement of what a person writes: "RED BLACK" for a voltage in
// the state that Next asks for, "current" for the supply's current, "open CIRCUIT"
// for that current with one breaker open.
func (a *Answer) Typed(text string) (Probe, error) {
	state, ok := a.where()
	if !ok {
		return Probe{}, fmt.Errorf("faultfind: nothing feeds the aircraft in these readings")
	}
	words := strings.Fields(text)
	if len(words) == 1 && words[0] == "current" {
		return Probe{Unit: "A", Say: "Supply's current.", Of: airframe.OutOf(state.Sources[0]), In: state}, nil
	}
	if len(words) != 2 {
		return Probe{}, fmt.Errorf("%q is no measurement; write two points like \"strobe.load- battery-\", or current, or open CIRCUIT", text)
	}
	if words[0] == "open" {
		if a.p.c.Design.Circuit(words[1]) == nil {
			return Probe{}, fmt.Errorf("there is no circuit %q", words[1])
		}
		s := state.Clone()
		s.Closed[words[1]] = false
		return Probe{Open: words[1], Unit: "A", Say: text, Of: airframe.OutOf(state.Sources[0]), In: s}, nil
	}
	for _, t := range words {
		if !a.p.model.Powered(t) {
			return Probe{}, fmt.Errorf("there is no point %q that has voltage in the design", t)
		}
	}
	p := Probe{Red: words[0], Black: words[1], Moves: 2, Unit: "V", Say: text, Of: airframe.Between(words[0], words[1]), In: state}
	if p.Black == a.p.home {
		p.Moves = 1
	}
	return p, nil
}

// With is the case with one more reading, as a measurement gave it.
func (a *Answer) With(p Probe, value float64) *Case {
	c := *a.p.c
	r := a.like(p)
	r.ID, r.Value = fmt.Sprintf("probe %d", len(c.Readings)+1), value
	c.Readings = append(slices.Clone(c.Readings), r)
	c.Looks = append(slices.Clone(c.Looks), Look{r.ID, p.Say, len(c.Readings) - 1, -1})
	return &c
}
