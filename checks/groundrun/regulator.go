package groundrun

import (
	"fmt"
	"math"

	"loomproof/checks/fit"
	"loomproof/checks/recording"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
)

const (
	windowSeconds = 2.0   // of the means that the regulator is judged by
	atRest        = 0.008 // V/s at 14 V: what changes faster is not the regulator, but a battery that fills
)

// A held is the mean over two seconds with the regulator at work.
type held struct{ at, volts, amperes, battery, celsius float64 }

// holding are the stretches in which the regulator holds the voltage: the
// alternator delivers, the speed is steady, the battery is not discharged, and
// the voltage has come to rest.
func (a *analysis) holding() []held {
	var out []held
	for _, p := range a.rep.Parts {
		if !p.Kind.steady() {
			continue
		}
		for t := p.From; t+windowSeconds <= p.To; t += windowSeconds {
			if h, ok := a.hold(t); ok {
				out = append(out, h)
			}
		}
	}
	return out
}

// hold is the window that begins at a time, if the regulator is at work in it.
func (a *analysis) hold(t float64) (held, bool) {
	s := a.volts.over(t, t+windowSeconds)
	first, last := a.volts.over(t, t+windowSeconds/2), a.volts.over(t+windowSeconds/2, t+windowSeconds)
	if first.frames == 0 || last.frames == 0 || a.loadBetween(t-1, t+windowSeconds) {
		return held{}, false
	}
	still := atRest*a.scale*windowSeconds/2 + 2*math.Hypot(first.spread, last.spread)/math.Sqrt(float64(first.frames))
	if math.Abs(last.mean-first.mean) > still {
		return held{}, false
	}
	h := held{at: t, volts: s.mean, amperes: math.NaN(), battery: math.NaN(), celsius: math.NaN()}
	if a.battery != nil {
		s := a.battery.over(t, t+windowSeconds)
		if h.battery = s.mean; s.frames == 0 || s.mean < -0.5/a.scale {
			return held{}, false
		}
	}
	if s := a.alternator.over(t, t+windowSeconds); s.frames > 0 {
		h.amperes = s.mean
	}
	if s := a.by[recording.RegulatorCelsius].over(t, t+windowSeconds); s.frames > 0 {
		h.celsius = s.mean
	}
	return h, true
}

func (a *analysis) loadBetween(from, to float64) bool {
	for _, l := range a.rep.Loads {
		if l.At > from && l.At < to {
			return true
		}
	}
	return false
}

// checkRegulator judges the set-point and how it moves.
func (a *analysis) checkRegulator() error {
	w := a.holding()
	if len(w) < 2 {
		a.untold("The regulator's set-point: the voltage never came to rest with the alternator delivering. Hold a speed for a minute once the battery has taken back what the start took.")
		return nil
	}
	var volts, amperes []float64
	for _, h := range w {
		volts, amperes = append(volts, h.volts), append(amperes, h.battery)
	}
	mean := median(volts)
	_, spread := meanAndSpread(volts)
	if mean < a.regulation().Low.At && median(finite(amperes)) < 1/a.scale {
		a.untold("The regulator's set-point: the alternator is at its limit, with nothing left for the battery. Switch loads off.")
		return nil
	}
	u := math.Hypot(a.volts.ch.Uncertainty(mean), 1.25*spread/math.Sqrt(float64(len(w))))
	limit := a.regulation()
	c := a.check(Check{What: "regulator set-point", Channel: a.volts.ch.Name, Unit: "V", Reading: mean, Note: fmt.Sprintf("%d stretches of 2 s, from %.2f V to %.2f V", len(w), quantile(volts, 0), quantile(volts, 1))}, u, limit)
	if c.Verdict == verdict.Fail {
		what := "The regulator holds the bus too low: the battery is never filled."
		if mean > limit.High.At {
			what = "The regulator holds the bus too high: it boils the battery and shortens the life of lamps and radios."
		}
		a.find(Finding{Fault: SetPoint, What: what, Try: "Measure at the regulator's own sense terminal and ground: a bad joint there makes it wrong. Then adjust or replace it by its manual."}, c)
	}
	a.characterise(w, c)
	a.checkSlope(w)
	return nil
}

// checkSlope finds how the voltage moves with load and temperature: with load from
// the load steps, since between them a battery that fills moves it, too.
func (a *analysis) checkSlope(w []held) {
	a.checkWarmth(w)
	if a.alternator == nil {
		a.untold("How the voltage moves with load: needs the alternator's current.")
		return
	}
	var rows [][]float64
	var shifts []float64
	for _, l := range a.rep.Loads {
		before, after := a.alternator.over(l.At-1.5, l.At-0.2), a.alternator.over(l.At+2, l.At+3.5)
		if before.frames > 0 && after.frames > 0 && l.charging && !l.creeps && math.Abs(after.mean-before.mean) > 2/a.scale {
			rows, shifts = append(rows, []float64{after.mean - before.mean}), append(shifts, l.Shift)
		}
	}
	f, err := fit.Linear(rows, shifts, nil)
	if err != nil {
		a.untold("How the voltage moves with load: needs two large loads or more, switched in and out at a steady speed.")
		return
	}
	slope := f.Coefficients[0]
	u := math.Max(f.Uncertainty(0), 0.0005*a.scale*a.scale)
	if k := a.rep.regulator; k != nil {
		k.Slope, k.SlopeU, k.SlopeBy = slope, 2*u, fmt.Sprintf("%d load steps", len(rows))
	}
	a.tell(Check{What: "slope against load", Channel: a.volts.ch.Name, Unit: "V/A", Reading: slope, Note: fmt.Sprintf("from %d load steps", len(rows))}, u)
	span, hold := slopeSpan/a.scale, 0.25*a.scale
	c := a.check(Check{
		What: "voltage lost to load", Channel: a.volts.ch.Name, Unit: "V", Reading: -slope * span,
		Note: fmt.Sprintf("by the slope, over %s", units.Format(span, "A")),
	}, u*span, verdict.Limit{Low: verdict.AtLeast(-hold, a.at(holds14, holds28)), High: verdict.AtMost(hold, a.at(holds14, holds28))})
	if c.Verdict == verdict.Fail {
		a.find(Finding{
			Fault: EarthBad, What: fmt.Sprintf("The voltage falls by %s for each ampere of the alternator: the regulator sees another voltage than the bus has. Its ground, the engine's earth or its sense lead loses voltage.", units.Format(math.Abs(slope), "V")),
			Try: "Under load, measure from the battery's minus post to the engine block and to the regulator's case, and from the bus to the regulator's sense terminal. Clean and tighten what loses more than 50 mV.",
		}, c)
	}
}

// slopeSpan is the current at 14 V over which the slope is judged: from light
// loads to heavy ones.
const slopeSpan = 25.0

// checkWarmth finds how the set-point moves with temperature.
func (a *analysis) checkWarmth(w []held) {
	var volts, celsius []float64
	for _, h := range w {
		if !math.IsNaN(h.celsius) {
			volts, celsius = append(volts, h.volts), append(celsius, h.celsius)
		}
	}
	if len(celsius) < 3 {
		a.untold("How the set-point moves with temperature: needs a channel of the regulator's temperature.")
		return
	}
	kelvins := quantile(celsius, 1) - quantile(celsius, 0)
	f, err := fit.Line(celsius, volts, nil)
	if err != nil || kelvins < 5 {
		a.untold("How the set-point moves with temperature: it moved by %.1f K only; run longer, or once cold and once hot.", kelvins)
		return
	}
	a.tell(Check{What: "slope against temperature", Channel: a.volts.ch.Name, Unit: "V/K", Reading: f.Coefficients[1], Note: fmt.Sprintf("over %.0f K", kelvins)}, f.Uncertainty(1))
}

// Hunting is looked for between these frequencies.
const (
	slowestHunt = 0.7 // Hz
	fastestHunt = 20.0
	huntRate    = 100.0 // samples a second that it is looked for in
)

// checkHunting looks for a voltage that swings at a steady speed.
func (a *analysis) checkHunting() error {
	if a.volts.rate < 4*slowestHunt*2 {
		a.untold("Hunting of the regulator: needs the voltage at 50 samples a second or more; it has %.3g.", a.volts.rate)
		return nil
	}
	limit := verdict.Limit{High: verdict.AtMost(0.25*a.scale, a.at(holds14, holds28))}
	var bad []*Check
	for i := range a.rep.Parts {
		p := &a.rep.Parts[i]
		if !p.Kind.steady() || p.To-p.From < 3 {
			continue
		}
		hz, depth, load, err := a.swings(p)
		if err != nil {
			return err
		}
		note := "nothing stands out"
		if hz > 0 {
			note = fmt.Sprintf("at %.2g Hz", hz)
		}
		if load {
			a.tell(Check{Part: p.ID, What: "slow swing of the voltage", Channel: a.volts.ch.Name, Unit: "V", Reading: depth, Note: note + ", with a load that pulses at the same pace"}, 0.03*depth+a.volts.ch.Scale/4)
			continue
		}
		c := a.check(Check{Part: p.ID, What: "slow swing of the voltage", Channel: a.volts.ch.Name, Unit: "V", Reading: depth, Note: note}, 0.03*depth+a.volts.ch.Scale/4, limit)
		if c.Verdict == verdict.Fail {
			copied := *c
			bad = append(bad, &copied)
		}
	}
	if len(bad) > 0 {
		a.find(Finding{Fault: Hunts, What: fmt.Sprintf("The voltage swings by %s %s at a steady speed: the regulator hunts.", units.Format(bad[0].Reading, "V"), bad[0].Note), Try: "Look for a loose sense lead, brushes that bounce, or a bad joint in the field circuit; then replace the regulator."}, bad...)
	}
	return nil
}

// swings gives the strongest slow line of the voltage in a part, peak to peak,
// and whether the loads' own current has it too.
func (a *analysis) swings(p *Part) (hz, depth float64, load bool, err error) {
	n := 128
	for n < 1024 && float64(2*n)/huntRate < (p.To-p.From)/2 {
		n *= 2
	}
	voltage, bin, err := a.slowSpectrum(a.volts, p, n)
	if err != nil || voltage == nil {
		return 0, 0, false, err
	}
	hz = strongest(voltage, bin, slowestHunt, math.Min(fastestHunt, 0.4*bin*float64(n)))
	if math.IsNaN(hz) {
		return 0, 0, false, nil
	}
	amplitude := math.Sqrt(near(voltage, hz/bin))
	battery, _, err1 := a.slowSpectrum(a.battery, p, n)
	alternator, _, err2 := a.slowSpectrum(a.alternator, p, n)
	if battery == nil || alternator == nil {
		return hz, 2 * amplitude, false, firstOf(err1, err2)
	}
	// What a regulator does moves the alternator; a load that pulses moves the
	// battery more, since the regulator works against it.
	return hz, 2 * amplitude, near(battery, hz/bin) > 1.2*near(alternator, hz/bin), nil
}

func firstOf(errs ...error) error {
	for _, e := range errs {
		if e != nil {
			return e
		}
	}
	return nil
}

// near is the square of a line's amplitude, from the bins about it.
func near(power []float64, bin float64) (sum float64) {
	k := int(math.Round(bin))
	for i := max(1, k-2); i <= min(len(power)-1, k+2); i++ {
		sum += power[i]
	}
	return sum / hannBins
}

// slowSpectrum is the mean spectrum of a track in a part, by means over a
// hundredth of a second; nil without a whole window.
func (a *analysis) slowSpectrum(t *track, p *Part, n int) (power []float64, bin float64, err error) {
	if t == nil {
		return nil, 0, nil
	}
	group := max(1, int(math.Round(t.rate/huntRate)))
	rate := t.rate / float64(group)
	s, means, windows := newAnalyser(n), make([]float64, n), 0
	power = make([]float64, n/2+1)
	err = a.windows(t, p.From, p.To, n*group, n*group/2, func(_ float64, x []float64) {
		for i := range means {
			sum := 0.0
			for _, v := range x[i*group : (i+1)*group] {
				sum += v
			}
			means[i] = sum / float64(group)
		}
		straighten(means)
		windows++
		for i, v := range s.spectrum(means) {
			power[i] += v
		}
	})
	if windows == 0 {
		return nil, 0, err
	}
	for i := range power {
		power[i] /= float64(windows)
	}
	return power, rate / float64(n), err
}

// straighten takes a straight line off.
func straighten(x []float64) {
	n := float64(len(x))
	var mean, moment float64
	for i, v := range x {
		mean += v / n
		moment += v * (float64(i) - (n-1)/2)
	}
	slope := moment / (n * (n*n - 1) / 12)
	for i := range x {
		x[i] -= mean + slope*(float64(i)-(n-1)/2)
	}
}
