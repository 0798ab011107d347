package groundrun

import (
	"fmt"
	"math"
	"slices"

	"loomproof/checks/recording"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
)

// How the electrical frequency is found.
//
// The spectra of a steady part are averaged and their lines listed. The spacing
// is the largest frequency of whose multiples nearly all the lines' power is.
// A sound bridge shows 6f, 12f, ...: the spacing is 6f. With one device bad the
// lines are f, 2f, 3f, ...; with one phase gone 2f, 4f, ... Which of the three it
// is follows from the engine's speed where the alternator's gear and poles are
// known; else from the shape: amplitudes of a sound bridge and of a lost phase
// fall off alike and fast (the second is a quarter or a fifth of the first), those
// of a bad device slowly; and a lost phase shows ten times the ripple of a sound
// bridge.

// family is the lines of the ripple in one steady part.
type family struct {
	hz      float64     // electrical frequency
	spacing float64     // of the lines
	lines   [13]float64 // amplitude at n·hz; NaN where the rate does not reach
	floor   [13]float64 // what noise alone would show there
	shape   shape
	smeared bool // the speed wanders too much for single lines: hz is a median over windows
	certain bool // the sixth line is seen, or the engine's speed tells the frequency
}

// shape says what the lines look like.
type shape int

const (
	sound    shape = iota // the spacing is 6f
	onePhase              // the spacing is 2f
	device                // the spacing is f
)

func (s shape) pulses() float64 { return [...]float64{6, 2, 1}[s] }

// A line of an averaged spectrum.
type line struct{ hz, power float64 }

// average is the mean spectrum of a part.
type average struct {
	power   []float64
	bin     float64
	windows int
	window  float64 // seconds that each sample is the mean of
}

func (a *analysis) averageOf(t *track, p *Part, n int) (average, error) {
	s := newAnalyser(n)
	out := average{power: make([]float64, n/2+1), bin: t.rate / float64(n), window: t.ch.Window}
	hop := max(n, int((p.To-p.From)*t.rate/500)) // 500 windows tell it well enough
	err := a.windows(t, p.From, p.To, n, hop, func(_ float64, x []float64) {
		out.windows++
		for i, v := range s.spectrum(x) {
			out.power[i] += v
		}
	})
	for i := range out.power {
		out.power[i] /= float64(max(1, out.windows))
	}
	return out, err
}

// reach is how many bins on either side belong to a line: the window's main lobe
// and what an engine that is not quite steady smears.
func (v average) reach(hz float64) int { return 2 + int(0.006*hz/v.bin) }

// at is the square of the amplitude of what stands at a frequency above the floor
// around it, and what the floor alone would give. Averaging in the converter is
// undone. Both are NaN beyond the band.
func (v average) at(hz float64) (power, floor float64) {
	r := v.reach(hz)
	middle := int(math.Round(hz / v.bin))
	if middle-r < 1 || middle+r >= len(v.power) || hz > topOfBand*v.bin*2*float64(len(v.power)-1) {
		return math.NaN(), math.NaN()
	}
	around := v.floorAround(middle, r)
	for i := middle - r; i <= middle+r; i++ {
		power += v.power[i] - around
	}
	width := float64(2*r + 1)
	gain := 1.0
	if x := math.Pi * hz * v.window; x > 0 {
		gain = math.Sin(x) / x
	}
	if math.Abs(gain) < 0.2 {
		return math.NaN(), math.NaN()
	}
	return math.Max(0, power) / hannBins / gain / gain, around * width / hannBins / gain / gain / math.Sqrt(width*float64(max(1, v.windows)))
}

func (v average) floorAround(middle, r int) float64 {
	far := r + 24
	around := make([]float64, 0, 2*24)
	for i := max(1, middle-far); i <= min(len(v.power)-1, middle+far); i++ {
		if i < middle-r || i > middle+r {
			around = append(around, v.power[i])
		}
	}
	return median(around)
}

// lines lists what stands out, the strongest first.
func (v average) list() []line {
	least := 4.0 + float64(standsOut)/math.Sqrt(float64(max(1, v.windows)))
	var out []line
	taken := make([]bool, len(v.power))
	order := make([]int, 0, len(v.power))
	for i := int(lowestLine / v.bin); i < int(topOfBand*2*float64(len(v.power)-1)); i++ {
		if i > 0 && i+1 < len(v.power) && v.power[i] >= v.power[i-1] && v.power[i] >= v.power[i+1] {
			order = append(order, i)
		}
	}
	slices.SortFunc(order, func(i, k int) int {
		if v.power[i] > v.power[k] {
			return -1
		}
		return 1
	})
	for _, i := range order {
		if len(out) == 24 {
			break
		}
		hz := float64(i) * v.bin
		r := v.reach(hz)
		if taken[i] || v.power[i] < least*v.floorAround(i, r) {
			continue
		}
		var sum, moment float64
		for k := max(1, i-r); k <= min(len(v.power)-1, i+r); k++ {
			taken[k] = true
			sum += v.power[k]
			moment += v.power[k] * float64(k)
		}
		power, _ := v.at(hz)
		if !math.IsNaN(power) {
			out = append(out, line{moment / sum * v.bin, power})
		}
	}
	return out
}

// explains is the part of the lines' power that multiples of the spacing hold
// for the spacing to be taken.
const explains = 0.75

// spacing is the largest frequency whose multiples hold nearly all of the power;
// 0 when there is none.
func spacing(lines []line, bin float64) float64 {
	total := 0.0
	for _, l := range lines {
		total += l.power
	}
	best := 0.0
	for _, l := range lines[:min(6, len(lines))] {
		for n := 1.0; n <= 6; n++ {
			s := l.hz / n
			if s < lowestLine/2 || s <= best {
				continue
			}
			held := 0.0
			for _, k := range lines {
				m := math.Round(k.hz / s)
				if m >= 1 && math.Abs(k.hz-m*s) <= 2*bin+0.008*k.hz {
					held += k.power
				}
			}
			if held >= explains*total {
				best = s
			}
		}
	}
	return best
}

// findFamily finds the lines of a steady part.
func (a *analysis) findFamily(p *Part) error {
	if a.spectra == nil || p.To-p.From < 1 {
		return nil
	}
	t := a.spectra.t
	v, err := a.averageOf(t, p, 2*a.spectra.n)
	if err != nil || v.windows < 3 {
		return err
	}
	lines := v.list()
	s := spacing(lines, v.bin)
	if s == 0 {
		a.smear(p)
		return nil
	}
	p.Line = lines[0].hz
	f := &family{spacing: s}
	var known bool
	f.shape, known = a.shapeOf(p, v, s, t)
	f.measure(v, s/f.shape.pulses())
	f.certain = a.trusts(p, f, known)
	p.family = f
	return nil
}

// trustedRate is the rate from which lines are taken for what they are. A slower
// channel folds the sixth line down on to some other frequency, unless the
// engine's speed says where it stands.
const trustedRate = 6000.0

// trusts says that the lines of a family are not folded down: by the rate, or
// because they stand where the engine's speed has them.
func (a *analysis) trusts(p *Part, f *family, known bool) bool {
	rate := a.spectra.t.rate
	if !known {
		return rate >= trustedRate && f.lines[6] > 3*f.floor[6]
	}
	hz, _ := a.expected(p)
	return 6*hz < topOfBand*rate && math.Abs(math.Log(f.hz/hz)) < 0.3
}

// smear takes the strongest line of the single windows where the average shows
// none, as when a belt slips.
func (a *analysis) smear(p *Part) {
	var peaks []float64
	all := 0
	for i, t := range a.spectra.times {
		if t > p.From && t < p.To {
			all++
			if x := a.spectra.peaks[i]; !math.IsNaN(x) {
				peaks = append(peaks, x)
			}
		}
	}
	m := median(peaks)
	if 2*len(peaks) < all || quantile(peaks, 0.9) > 1.3*quantile(peaks, 0.1) {
		return
	}
	f := &family{spacing: m, smeared: true}
	hz, known := a.expected(p)
	if known {
		f.shape = nearest(m, hz)
	}
	f.hz = m / f.shape.pulses()
	if known {
		f.certain = a.trusts(p, f, known)
	}
	if known != f.certain || !known && a.spectra.t.rate < trustedRate {
		return // folded down: it is no line of the ripple
	}
	for n := range f.lines {
		f.lines[n], f.floor[n] = math.NaN(), math.NaN()
	}
	p.Line, p.family = m, f
}

// expected is the electrical frequency by the engine's speed, where the
// alternator's gear and poles are known.
func (a *analysis) expected(p *Part) (hz float64, ok bool) {
	if a.o.PolePairs <= 0 || a.o.Ratio <= 0 {
		return 0, false
	}
	a.speedOf(p)
	return p.Speed * a.o.PolePairs * a.o.Ratio, p.Speed > 0
}

// measure takes the lines at the multiples of the electrical frequency.
func (f *family) measure(v average, hz float64) {
	f.hz = hz
	for n := 1; n <= 12; n++ {
		power, floor := v.at(float64(n) * hz)
		f.lines[n], f.floor[n] = math.Sqrt(power), math.Sqrt(floor)
	}
}

// most is how large the second to sixth line may be beside the first for a sound
// bridge or a lost phase. Ideal: a sound bridge 0.245, 0.108, 0.061, 0.039, 0.027,
// a lost phase 0.2, 0.086, 0.048, 0.030, 0.021; an open diode 0.73, 0.41, 0.15, 0,
// 0.16 into a resistance, and 0.41, 0.17, 0.05 with windings and battery (ngspice; see
// the tests).
var most = [7]float64{2: 0.33, 3: 0.15, 4: 0.10, 5: 0.08, 6: 0.08}

// phaseDepth is the first line over the mean current from which it is a lost
// phase's: ideal 0.057 for a sound bridge, 0.67 for a lost phase.
const phaseDepth = 0.25

// shapeOf tells the shape of lines a spacing apart; sure says that the engine's
// speed told it.
func (a *analysis) shapeOf(p *Part, v average, s float64, t *track) (what shape, sure bool) {
	if hz, ok := a.expected(p); ok {
		return nearest(s, hz), true
	}
	var of [7]float64
	slow := false
	for n := 1; n <= 6; n++ {
		power, floor := v.at(float64(n) * s)
		if of[n] = math.Sqrt(power); n > 1 && of[n] > most[n]*of[1] && power > 9*floor {
			slow = true
		}
	}
	switch {
	case slow && of[2] < most[2]*of[1] && of[3] > 1.5*math.Max(of[4], of[5]) && of[6] < 0.4*of[3]:
		return onePhase, false // the sixth line of a sound bridge beside what a weak phase adds
	case slow:
		return device, false
	}
	mean := t.over(p.From, p.To).mean
	switch {
	case t.ch.Quantity == "current":
		if of[1] > phaseDepth*math.Abs(mean) {
			return onePhase, false
		}
	case of[1] > 0.2*a.scale:
		return onePhase, false
	}
	return sound, false
}

// nearest is the shape whose electrical frequency is nearest to the expected one.
func nearest(spacing, expected float64) shape {
	best, off := sound, math.Inf(1)
	for _, s := range []shape{sound, onePhase, device} {
		if d := math.Abs(math.Log(spacing / s.pulses() / expected)); d < off {
			best, off = s, d
		}
	}
	return best
}

// agree settles parts whose shape contradicts that of the others: the electrical
// frequency is the same multiple of the engine's speed in all of them.
func (a *analysis) agree() {
	var gears []float64
	for _, p := range a.rep.Parts {
		if p.family != nil && p.family.certain && p.Speed > 0 {
			gears = append(gears, p.family.hz/p.Speed)
		}
	}
	if len(gears) < 3 {
		return
	}
	gear := median(gears)
	for i := range a.rep.Parts {
		p := &a.rep.Parts[i]
		if p.family == nil || p.family.smeared || p.Speed == 0 || math.Abs(math.Log(p.family.hz/p.Speed/gear)) < 0.35 {
			continue
		}
		s := nearest(p.family.spacing, gear*p.Speed)
		if math.Abs(math.Log(p.family.spacing/s.pulses()/p.Speed/gear)) > 0.35 {
			p.family = nil // no shape fits: not the rectifier's lines
			continue
		}
		p.family.shape = s
		if v, err := a.averageOf(a.spectra.t, p, 2*a.spectra.n); err == nil {
			p.family.measure(v, p.family.spacing/s.pulses())
		}
	}
}

// below is the ratio of all lines below the sixth to the sixth, with its standard
// uncertainty; NaN when the sixth is beyond the rate or lost in noise.
func (f *family) below() (ratio, u float64) {
	sixth := f.lines[6]
	if !f.certain || math.IsNaN(sixth) || sixth < 3*f.floor[6] {
		return math.NaN(), math.NaN()
	}
	var power, floor float64
	for n := 1; n <= 5; n++ {
		if !math.IsNaN(f.lines[n]) {
			power += f.lines[n] * f.lines[n]
			floor += f.floor[n] * f.floor[n]
		}
	}
	ratio = math.Sqrt(power) / sixth
	spread := (math.Sqrt(power+floor) - math.Sqrt(power)) / sixth
	return ratio, math.Hypot(math.Hypot(spread, ratio*f.floor[6]/sixth), 0.05*ratio)
}

// rectifierLimit is the most that the lines below the sixth may amount to.
const rectifierLimit = 0.5

// checkRipple judges the ripple of each steady part: how much, and of which lines.
func (a *analysis) checkRipple() error {
	t := a.first(recording.AlternatorVolts, recording.BusVolts, recording.BatteryVolts)
	limit := verdict.Limit{High: verdict.AtMost(0.5*a.scale, a.at(rippleSwing14, rippleSwing28))}
	var loud []*Check
	for i := range a.rep.Parts {
		p := &a.rep.Parts[i]
		if !p.Kind.steady() {
			continue
		}
		s := t.over(p.From, p.To)
		if s.frames == 0 || t.rate*a.width < 8 {
			continue
		}
		// Noise widens the swing; what it adds counts as doubt.
		u := math.Hypot(s.swingU, math.Hypot(t.ch.Scale/math.Sqrt(6), 0.02*s.swing))
		c := a.check(Check{Part: p.ID, What: "ripple peak to peak", Channel: t.ch.Name, Unit: "V", Reading: s.swing, Note: "band " + t.band()}, u, limit)
		if c.Verdict == verdict.Fail {
			copied := *c
			loud = append(loud, &copied)
		}
	}
	bad, judged := a.checkLines()
	switch {
	case len(bad) > 0 && 2*len(bad) >= judged:
		a.findRectifier(bad, loud)
	case len(loud) > 0:
		a.find(Finding{
			Fault: Ripples, What: "The ripple is more than a sound alternator and battery show: a diode or a phase, the battery, or the output lead." + a.suspect(),
			Try: "Record the alternator's output post at 8 kHz or more to tell which; measure battery resistance and the drop of the output lead.",
		}, loud...)
	}
	a.askForRate(judged)
	return nil
}

// suspect adds what lines say that no ratio could be taken of.
func (a *analysis) suspect() string {
	for _, p := range a.rep.Parts {
		if p.family != nil && p.family.certain && p.family.shape != sound {
			return fmt.Sprintf(" Its lines are %.0f Hz apart, as those of a bad diode or phase are.", p.family.spacing)
		}
	}
	return ""
}

// checkLines judges the lines of each steady part.
func (a *analysis) checkLines() (bad []*Check, judged int) {
	for i := range a.rep.Parts {
		p := &a.rep.Parts[i]
		if p.family == nil || !p.family.certain {
			continue
		}
		t := a.spectra.t
		a.tell(Check{Part: p.ID, What: "electrical frequency", Channel: t.ch.Name, Unit: "Hz", Reading: p.family.hz, Note: p.family.words(t.ch.Quantity.Unit())}, math.Max(0.25*t.rate/float64(a.spectra.n), 0.002*p.family.hz))
		ratio, u := p.family.below()
		if math.IsNaN(ratio) {
			continue
		}
		judged++
		c := a.check(Check{Part: p.ID, What: "lines below the sixth over the sixth", Channel: t.ch.Name, Reading: ratio}, u, verdict.Limit{High: verdict.AtMost(rectifierLimit, sixPulse)})
		if c.Verdict == verdict.Undecided {
			c.Decide = "a longer steady part, more load, or a faster channel at the alternator's post"
		}
		if c.Verdict == verdict.Fail {
			copied := *c
			bad = append(bad, &copied)
		}
	}
	return bad, judged
}

// words tells the lines in the terms of the trade.
func (f *family) words(unit string) string {
	s := ""
	for _, n := range []int{1, 2, 3, 4, 6, 12} {
		if !math.IsNaN(f.lines[n]) {
			s += fmt.Sprintf("%s%d: %s", map[bool]string{true: "lines ", false: ", "}[s == ""], n, units.Format(f.lines[n], unit))
		}
	}
	return s
}

// findRectifier says which kind of fault the lines show.
func (a *analysis) findRectifier(bad, loud []*Check) {
	var odd, even float64
	for _, p := range a.rep.Parts {
		if p.family == nil {
			continue
		}
		for n := 1; n <= 5; n++ {
			x := p.family.lines[n]
			switch {
			case math.IsNaN(x):
			case n%2 == 1:
				odd += x * x
			default:
				even += x * x
			}
		}
	}
	f := Finding{Fault: Rectifier, Try: "Engine off, battery off the system: measure each diode both ways and the windings between each two phases; look at the joints and plugs between them."}
	if odd > 0.05*even {
		f.What = "The ripple has the electrical frequency itself in it, which a sound six-pulse rectifier has not: one of its six diodes is open, shorted or badly joined."
		if a.o.PolePairs <= 0 || a.o.Ratio <= 0 {
			f.What += " Or, if what is taken for that frequency is twice it, a phase is badly joined; the engine's speed with the alternator's pole pairs and ratio would tell which."
		}
	} else {
		f.What = "The ripple has twice the electrical frequency in it and not the frequency itself: one phase gives nothing or little: a winding, its lead or its plug."
	}
	a.find(f, append(bad, loud...)...)
}

// askForRate says which rate the rectifier's check would need.
func (a *analysis) askForRate(judged int) {
	steady, fastest := 0, 0.0
	for _, p := range a.rep.Parts {
		if p.Kind.steady() {
			steady++
			if p.family != nil && p.family.certain {
				fastest = math.Max(fastest, p.family.hz)
			}
		}
	}
	switch {
	case steady > 0 && judged == steady:
	case a.spectra == nil:
		a.untold("Diodes and phases of the alternator: no channel is fast enough. Record the alternator's output post at 8 kHz or more (six pole pairs at 6000 rpm ripple at 3.6 kHz).")
	case steady == 0:
		a.untold("Diodes and phases of the alternator: no steady speed was found with the alternator delivering. Hold each speed for ten seconds.")
	case fastest > 0 && 6*fastest > topOfBand*a.spectra.t.rate:
		a.untold("Diodes and phases of the alternator at full speed: channel %s takes %.0f samples a second; the six-pulse ripple at %.0f Hz needs %.0f.", a.spectra.t.ch.Name, a.spectra.t.rate, 6*fastest, math.Ceil(6*fastest/topOfBand/100)*100)
	case judged < steady:
		a.untold("Diodes and phases of the alternator in %d of %d steady parts: channel %s (%.0f samples a second) shows no six-pulse ripple there. Record the alternator's output post at 8 kHz or more, with some load.", steady-judged, steady, a.spectra.t.ch.Name, a.spectra.t.rate)
	}
}
