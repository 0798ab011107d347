package groundrun

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"loomproof/checks/recording"
	"loomproof/checks/units"
)

// deliver finds the frames in which the alternator delivers: by its own current,
// else by a battery that is charged, else, if the battery is not seen to give, by
// a voltage that no resting battery has, or one that a battery keeps for a while
// after charging but with ripple on it or a turning engine under it.
func (a *analysis) deliver() error {
	quiet := a.quiet()
	raw := make([]bool, a.count)
	for i := range raw {
		v := a.volts.mean(i)
		charged := math.NaN() // how far beyond doubt the battery's current is one of charging
		if a.battery.whole(i) {
			charged = math.Abs(a.battery.mean(i)) - 0.5/a.scale - 3*a.battery.ch.Uncertainty(0)
			charged = math.Copysign(math.Max(charged, 0), a.battery.mean(i))
		}
		switch {
		case a.alternator.whole(i):
			raw[i] = a.alternator.mean(i) > 1/a.scale+3*a.alternator.ch.Uncertainty(0)
		case charged > 0:
			raw[i] = true
		case a.volts.whole(i):
			ripples := v > 13.0*a.scale && a.volts.frames[i].scatter > 2*quiet
			raw[i] = ripples || !(charged < 0) && (v > 13.7*a.scale || v > 13.1*a.scale && a.engine(i))
		}
	}
	a.gives = smooth(raw, 2, a.volts.whole)
	return nil
}

// quiet is the scatter of the voltage with nothing on it: that of the quietest
// twentieth of the frames, and no more than what a bus without ripple has, since
// the recording may hold no quiet frame.
func (a *analysis) quiet() float64 {
	var s []float64
	for i := range a.volts.frames {
		if a.volts.whole(i) && a.volts.frames[i].n > 4 {
			s = append(s, a.volts.frames[i].scatter)
		}
	}
	if len(s) == 0 {
		return math.Inf(1)
	}
	step := a.volts.ch.Scale
	return math.Min(math.Max(quantile(s, 0.05), step/3), math.Max(0.02*a.scale, step))
}

// smooth takes each value from the majority of those within reach that are known.
func smooth(x []bool, reach int, known func(i int) bool) []bool {
	out := make([]bool, len(x))
	for i := range x {
		yes, all := 0, 0
		for k := max(0, i-reach); k <= min(len(x)-1, i+reach); k++ {
			switch {
			case !known(k):
				continue
			case x[k]:
				yes++
			}
			all++
		}
		out[i] = 2*yes > all
	}
	return out
}

// A crank is a stretch in which the starter turns.
type crank struct{ from, to float64 }

// findCranks finds where the battery gives a starter's current; without a
// current, where the voltage falls as only a starter makes it.
func (a *analysis) findCranks() error {
	on := make([]bool, a.count)
	var before []float64
	for i := range on {
		v := a.volts.mean(i)
		switch {
		case a.battery != nil && !a.battery.whole(i), a.battery == nil && !a.volts.whole(i):
		case a.battery != nil:
			on[i] = a.battery.mean(i) < -40/a.scale
		default:
			// An alternator that stops giving lets the bus fall as fast, but to the
			// voltage of a charged battery at rest and no lower.
			on[i] = len(before) > 0 && v < min(median(before)-0.8*a.scale, 12.4*a.scale) && !a.gives[i]
		}
		if !on[i] && !math.IsNaN(v) {
			before = append(before, v)
			before = before[max(0, len(before)-30):]
		}
	}
	least := 2
	if a.width > 0.25 {
		least = 1
	}
	for i := 0; i < len(on); i++ {
		if !on[i] {
			continue
		}
		last := i
		for k := i; k < len(on) && k <= last+3; k++ {
			if on[k] {
				last = k
			}
		}
		if last-i+1 >= least {
			a.cranks = append(a.cranks, crank{a.origin + float64(i)*a.width, a.origin + float64(last+1)*a.width})
		}
		i = last
	}
	return nil
}

// kinds labels each frame.
func (a *analysis) kinds() []PartKind {
	out := make([]PartKind, a.count)
	for i := range out {
		out[i] = Off
	}
	from, to := a.runs()
	steady := a.steadyFrames()
	for i := from; i < to; i++ {
		switch {
		case !a.gives[i]:
			out[i] = Running
		case steady == nil:
			out[i] = Charging
		case steady[i]:
			out[i] = Steady
		default:
			out[i] = SpeedChange
		}
	}
	for i := to; from < to && i < min(a.count, to+int(3/a.width)); i++ {
		out[i] = ShutDown
	}
	for _, c := range a.cranks {
		for i := a.volts.at(c.from + a.width/2); i < a.count && a.volts.time(i) < c.to; i++ {
			out[i] = Cranking
		}
	}
	a.holes(func(i int) { out[i] = Missing })
	return out
}

// longHole is how long samples must be missing for nobody to know what the engine
// did meanwhile, in seconds; common practice.
const longHole = 10.0

// holes tells of each frame in which the voltage is missing for long.
func (a *analysis) holes(in func(frame int)) {
	for i := 0; i < a.count; i++ {
		k := i
		for k < a.count && a.volts.frames[k].n == 0 {
			k++
		}
		if float64(k-i)*a.width > math.Max(longHole, 5/a.volts.rate) {
			for ; i < k; i++ {
				in(i)
			}
		}
		i = max(i, k)
	}
}

// dropShort clears stretches of fewer than least.
func dropShort(on []bool, least int) {
	for i := 0; i < len(on); {
		k := i
		for k < len(on) && on[k] == on[i] {
			k++
		}
		if on[i] && k-i < least {
			clear(on[i:k])
		}
		i = k
	}
}

// runs are the frames between which the engine runs.
func (a *analysis) runs() (from, to int) {
	first, last := -1, -1
	for i := range a.count {
		if a.gives[i] || a.engine(i) {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	marked := func(k recording.Kind) (int, bool) {
		for _, m := range a.r.Markers() {
			if m.Kind == k {
				return a.volts.at(m.At), true
			}
		}
		return 0, false
	}
	if i, ok := marked(recording.Started); ok && (first < 0 || i < first) {
		first = i
		last = max(last, i)
	}
	if first < 0 {
		return 0, 0
	}
	for _, c := range a.cranks {
		if k := a.volts.at(c.to + a.width/2); k < first && float64(first-k)*a.width < 600 {
			first = k // the engine runs from the last crank before it charges
		}
	}
	if len(a.cranks) > 0 {
		for _, c := range a.cranks {
			if k := a.volts.at(c.to + a.width/2); k > first && k < last && !a.anyGives(first, k) {
				first = k // a start that did not take came before
			}
		}
	}
	to = last + 1
	if i, ok := marked(recording.Shutdown); ok && i > first {
		to = i
	}
	return max(0, first), min(a.count, to)
}

func (a *analysis) anyGives(from, to int) bool {
	return slices.Contains(a.gives[from:to], true)
}

// engine says that a speed channel shows the engine turning by itself.
func (a *analysis) engine(i int) bool {
	return a.speed != nil && a.speedAt(i) > 8 // 480 rpm: above any starter
}

// speedAt is the engine's speed in a frame, where need be of a slow channel's
// last sample within a second and a half.
func (a *analysis) speedAt(i int) float64 {
	if a.speed == nil {
		return math.NaN()
	}
	for k := i; k >= 0 && float64(i-k)*a.width <= 1.5; k-- {
		if a.speed.whole(k) {
			return a.speed.mean(k)
		}
	}
	return math.NaN()
}

// findSpeed fills turning with what the speed goes by: the speed channel, else
// the strongest line of the ripple.
func (a *analysis) findSpeed() error {
	if err := a.findSpectra(); err != nil {
		return err
	}
	a.turning = make([]float64, a.count)
	for i := range a.turning {
		a.turning[i] = a.speedAt(i)
	}
	if a.speed != nil || a.spectra == nil {
		return nil
	}
	for k, t := range a.spectra.times {
		// Each frame that the window reaches into.
		half := a.spectra.seconds() / 2
		for i := max(0, a.volts.at(t-half)); i <= a.volts.at(t+half) && i < a.count; i++ {
			a.turning[i] = a.spectra.peaks[k]
		}
	}
	return nil
}

// The band and the least time of a steady speed. A hand holds a throttle to
// about a percent.
const (
	steadyBand = 0.025
	steadyTime = 2.5 // seconds
)

// steadyFrames says where the speed holds; nil where it is not known at all.
func (a *analysis) steadyFrames() []bool {
	if len(finite(a.turning)) < 10 {
		return a.steadyByMarkers()
	}
	reach := max(1, int(0.5/a.width))
	calm := make([]float64, a.count) // medians, against single windows gone astray
	for i := range calm {
		calm[i] = median(finite(a.turning[max(0, i-reach):min(a.count, i+reach+1)]))
	}
	out := make([]bool, a.count)
	for i := range out {
		out[i] = a.steadyAt(calm, i)
	}
	a.byRipple = true
	dropShort(out, int(steadyTime/a.width))
	held, gives := 0, 0
	for i := range out {
		if a.gives[i] {
			gives++
			if out[i] {
				held++
			}
		}
	}
	if held < gives/3 {
		a.byRipple = false
		return a.steadyByMarkers() // what it goes by wanders, as when a belt slips
	}
	return out
}

// steadyAt says that the speed keeps within the band for a second and a half
// about a frame.
func (a *analysis) steadyAt(speed []float64, i int) bool {
	reach := max(1, int(0.75/a.width))
	least, most := math.Inf(1), math.Inf(-1)
	for _, v := range speed[max(0, i-reach):min(a.count, i+reach+1)] {
		if !math.IsNaN(v) {
			least, most = math.Min(least, v), math.Max(most, v)
		}
	}
	return !math.IsNaN(speed[i]) && most <= least*(1+steadyBand)
}

// steadyByMarkers takes the speeds as held from a while after each marker.
func (a *analysis) steadyByMarkers() []bool {
	var out []bool
	for _, m := range a.r.Markers() {
		switch m.Kind {
		case recording.Started, recording.SpeedSet:
			if out == nil {
				out = make([]bool, a.count)
				for i := range out {
					out[i] = true
				}
			}
			for i := max(0, a.volts.at(m.At)); i < a.count && a.volts.time(i) < m.At+steadyTime; i++ {
				out[i] = false
			}
		}
	}
	return out
}

// shortest is how long a part must be; what is shorter joins the part before.
const shortest = 0.5 // seconds

// findParts turns the frames' kinds into parts and names them.
func (a *analysis) findParts() error {
	kinds := a.kinds()
	for i := 0; i < len(kinds); {
		k := i
		for k < len(kinds) && kinds[k] == kinds[i] {
			k++
		}
		from, to := a.origin+float64(i)*a.width, math.Min(a.origin+float64(k)*a.width, a.rep.To)
		n := len(a.rep.Parts)
		if n > 0 && (to-from < shortest && kinds[i] != Cranking || a.rep.Parts[n-1].Kind == kinds[i]) {
			a.rep.Parts[n-1].To = to
		} else {
			a.rep.Parts = append(a.rep.Parts, Part{Kind: kinds[i], From: from, To: to})
		}
		i = k
	}
	for i := range a.rep.Parts {
		if p := &a.rep.Parts[i]; p.Kind.steady() {
			if err := a.findFamily(p); err != nil {
				return err
			}
			a.speedOf(p)
		}
	}
	a.agree()
	a.nameParts()
	return nil
}

var rpm = regexp.MustCompile(`(\d{3,5}(?:\.\d+)?)\s*(?i:rpm|/min|1/min)`)

// speedOf gives a steady part its engine speed, where anything tells it.
func (a *analysis) speedOf(p *Part) {
	if a.speed != nil {
		if s := a.speed.over(p.From, p.To); s.frames > 0 {
			p.Speed = s.mean
			return
		}
	}
	for _, m := range a.r.Markers() {
		if m.Kind != recording.Started && m.Kind != recording.SpeedSet || m.At > p.From+shortest {
			continue
		}
		p.Speed = 0
		if found := rpm.FindStringSubmatch(m.Text); found != nil {
			if v, err := strconv.ParseFloat(found[1], 64); err == nil {
				p.Speed = v / 60
			}
		}
	}
	if p.Speed == 0 && p.family != nil && a.o.PolePairs > 0 && a.o.Ratio > 0 {
		p.Speed = p.family.hz / a.o.PolePairs / a.o.Ratio
	}
}

// pace is what orders parts by speed: the engine's, else the electrical frequency
// where that is certain; 0 without either. A line alone does not order them: from
// samples that are too slow it comes folded, and lower for a higher speed.
func (p *Part) pace() float64 {
	switch {
	case p.Speed > 0:
		return p.Speed
	case p.family != nil && p.family.certain:
		return p.family.hz
	}
	return 0
}

// fastestIdle is a speed that no engine idles at, in turns a second: 2000 rpm
// (common practice).
const fastestIdle = 2000.0 / 60

// slowestHeld is the slowest speed of a running engine, of those that a speed
// channel shows for more than a moment; 0 without one.
func (a *analysis) slowestHeld() float64 {
	var turning []float64
	for i := range a.count {
		if a.engine(i) {
			turning = append(turning, a.speedAt(i))
		}
	}
	if len(turning) == 0 {
		return 0
	}
	return quantile(turning, 0.05)
}

// findIdle gives the steady parts at idle their kind: by the order of their speeds
// where all are known, else by the markers, else it is the first after the start,
// and what sounds like it.
func (a *analysis) findIdle() {
	slowest, fastest := math.Inf(1), 0.0
	var steady []*Part
	for i := range a.rep.Parts {
		if p := &a.rep.Parts[i]; p.Kind == Steady {
			steady = append(steady, p)
			slowest, fastest = math.Min(slowest, p.pace()), math.Max(fastest, p.pace())
		}
	}
	if len(steady) == 0 {
		return
	}
	if held := a.slowestHeld(); held > 0 {
		slowest = held // the alternator may not have given anything there
	}
	marked := slices.ContainsFunc(a.r.Markers(), func(m recording.Marker) bool { return m.Kind == recording.SpeedSet })
	first := *steady[0]
	for _, p := range steady {
		idle := false
		switch {
		case slowest > 0:
			idle = p.pace() < 1.1*slowest && p.Speed < fastestIdle && (fastest > 1.2*slowest || p.Speed > 0 && p.Speed < 28)
		case marked:
			idle = a.markedIdle(p)
		default:
			idle = p.From == first.From || first.Line > 0 && math.Abs(math.Log(p.Line/first.Line)) < 0.05
		}
		if idle {
			p.Kind = Idle
		}
	}
}

// markedIdle says that the last marker of a speed before a part is of idle, or
// that there is none since the start.
func (a *analysis) markedIdle(p *Part) bool {
	idle := true
	for _, m := range a.r.Markers() {
		if m.At > p.From+shortest {
			break
		}
		switch m.Kind {
		case recording.Started:
			idle = true
		case recording.SpeedSet:
			idle = strings.HasPrefix(strings.ToLower(strings.TrimSpace(m.Text)), "idle")
		}
	}
	return idle
}

// nameParts finds the idle and gives each part its name and id.
func (a *analysis) nameParts() {
	a.findIdle()
	for i := range a.rep.Parts {
		p := &a.rep.Parts[i]
		p.ID, p.Name, p.By = fmt.Sprintf("p%d", i+1), string(p.Kind), a.toldBy(p.Kind)
		switch {
		case p.Speed > 0:
			p.Name = fmt.Sprintf("%s, %.0f rpm", p.Kind, p.Speed*60)
		case p.family != nil && p.family.certain:
			p.Name = fmt.Sprintf("%s, electrical frequency %.0f Hz", p.Kind, p.family.hz)
		case p.Line > 0:
			p.Name = fmt.Sprintf("%s, ripple line %.0f Hz", p.Kind, p.Line)
		}
	}
}

func (a *analysis) toldBy(k PartKind) string {
	switch {
	case k == Missing:
		return "the gap"
	case k == Cranking && a.battery != nil:
		return "battery current"
	case k == Cranking:
		return "dip of the voltage"
	case k == Steady || k == Idle || k == SpeedChange:
		switch {
		case a.speed != nil:
			return "engine speed"
		case a.byRipple:
			return "ripple frequency"
		}
		return "markers"
	case a.alternator != nil:
		return "alternator current"
	case a.battery != nil:
		return "battery current and voltage"
	}
	return "voltage"
}

// describe gives each part the figures of its voltages and currents.
func (a *analysis) describe() error {
	for i := range a.rep.Parts {
		p := &a.rep.Parts[i]
		for _, t := range a.tracks {
			unit := t.ch.Quantity.Unit()
			s := t.over(p.From, p.To)
			if s.frames == 0 {
				continue
			}
			by := 1.0
			if t == a.speed {
				unit, by = "rpm", 60
			}
			p.Figures = append(p.Figures, Figure{
				Channel: t.ch.Name, Role: t.ch.Role, Unit: unit, Mean: by * s.mean, U: by * 2 * t.u(s.mean, s.spread, s.frames),
				Noise: by * s.noise, Ripple: by * s.ripple, Swing: by * s.swing, Band: t.band(), Least: by * s.least, Most: by * s.most,
			})
		}
	}
	if !slices.ContainsFunc(a.rep.Parts, func(p Part) bool { return p.Kind != Off }) {
		a.untold("The engine was never seen to run: no crank, no charge. Record from before the start until after the shutdown.")
	}
	return nil
}

// band is what the ripple is taken over: from one turn in a frame to half the
// rate, or to what the averaging of the samples lets through.
func (t *track) band() string {
	top := t.rate / 2
	if t.ch.Window > 0 {
		top = math.Min(top, 0.44/t.ch.Window) // −3 dB of a mean over the window
	}
	if top < 1/t.width {
		return "none: too few samples"
	}
	return units.Format(1/t.width, "Hz") + " to " + units.Format(math.Round(top), "Hz")
}
