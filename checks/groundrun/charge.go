package groundrun

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"loomproof/checks/fit"
	"loomproof/checks/recording"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/checks/wire"
)

// checkCharge judges whether the alternator charges, and carries the loads from
// which speed on.
func (a *analysis) checkCharge() error {
	ran, charged := a.times()
	if ran+charged == 0 {
		return nil
	}
	if charged == 0 {
		a.neverCharged()
		return nil
	}
	a.cutIn()
	a.balances()
	a.decay()
	a.outside()
	return nil
}

// times are how long the engine ran without charge, and with.
func (a *analysis) times() (without, with float64) {
	for _, p := range a.rep.Parts {
		switch p.Kind {
		case Running:
			without += p.To - p.From
		case Idle, Steady, Charging, SpeedChange:
			with += p.To - p.From
		}
	}
	// After a crank with nothing else to go by, the engine may run unseen.
	if with == 0 && without == 0 && len(a.cranks) > 0 {
		without = a.rep.To - a.cranks[len(a.cranks)-1].to
	}
	return without, with
}

// neverCharged is a run in which the alternator gave nothing.
func (a *analysis) neverCharged() {
	from := a.rep.From
	if len(a.cranks) > 0 {
		from = a.cranks[len(a.cranks)-1].to + 2
	}
	s := a.volts.over(from, a.rep.To)
	if s.frames == 0 {
		return
	}
	at := 13.0 * a.scale
	c := a.check(Check{What: "bus voltage after the start", Channel: a.volts.ch.Name, Unit: "V", Reading: s.mean}, a.volts.u(s.mean, s.spread, s.frames), verdict.Limit{Low: verdict.AtLeast(at, lowBus)})
	if c.Verdict != verdict.Pass {
		a.find(Finding{Fault: NotCharging, What: "The alternator gives nothing after the start.", Try: "Check that its switch and field breaker are closed and that the field has voltage; then the belt, the output lead and its fuse, and the brushes."}, c)
	}
}

// cutIn tells when and at which speed the alternator begins to deliver.
func (a *analysis) cutIn() {
	for i := 1; i < a.count; i++ {
		if !a.gives[i] || a.gives[i-1] {
			continue
		}
		t := a.volts.time(i)
		a.tell(Check{What: "alternator begins to deliver", Channel: a.first(recording.AlternatorCurrent, a.volts.ch.Role).ch.Name, Unit: "s", Reading: t}, a.width/2)
		if v := a.speedAt(i); !math.IsNaN(v) {
			a.tell(Check{What: "speed at cut-in", Channel: a.speed.ch.Name, Unit: "rpm", Reading: 60 * v, Note: "or the speed at which its switch was closed"}, 60*a.speed.ch.Uncertainty(v))
		}
		return
	}
}

// balances judges each steady part: is the battery charged, is the bus above the
// warning. At idle both are told only: many a sound alternator carries the loads
// from a higher speed on.
func (a *analysis) balances() {
	slowest, below := math.Inf(1), 0.0
	var evidence []*Check
	var where []string
	deepest := 0.0
	for i := range a.rep.Parts {
		p := &a.rep.Parts[i]
		if p.Kind == Running {
			if s := a.volts.over(p.From, p.To); s.frames > 0 {
				note := "the battery carries the loads"
				if a.battery == nil && s.mean > 13.0*a.scale {
					note = "the alternator may give a little: the battery's current would tell"
				}
				a.tell(Check{Part: p.ID, What: "bus voltage", Channel: a.volts.ch.Name, Unit: "V", Reading: s.mean, Note: note}, a.volts.u(s.mean, s.spread, s.frames))
			}
		}
		if !p.Kind.steady() {
			continue
		}
		bad := false
		for _, of := range []struct {
			t     *track
			what  string
			limit *verdict.Bound
		}{{a.volts, "bus voltage", verdict.AtLeast(13*a.scale, lowBus)}, {a.battery, "battery current", verdict.AtLeast(0, noneOut)}} {
			s := of.t.over(p.From, p.To)
			if s.frames == 0 {
				continue
			}
			limit := verdict.Limit{Low: of.limit}
			if p.Kind == Idle {
				limit = verdict.Limit{}
			}
			u := of.t.u(s.mean, s.spread, s.frames)
			c := a.check(Check{Part: p.ID, What: of.what, Channel: of.t.ch.Name, Unit: of.t.ch.Quantity.Unit(), Reading: s.mean}, u, limit)
			if c.Verdict == verdict.Fail {
				copied := *c
				evidence, bad = append(evidence, &copied), true
			}
			if of.t != a.battery || p.pace() == 0 {
				continue
			}
			if s.mean < 0 {
				deepest, below = math.Min(deepest, s.mean), math.Max(below, p.pace())
			} else {
				slowest = math.Min(slowest, p.pace())
			}
		}
		if bad {
			where = append(where, p.Name)
		}
	}
	if len(evidence) > 0 {
		what := "The alternator does not carry the loads in: " + strings.Join(where, "; ") + "."
		if deepest < 0 {
			what += fmt.Sprintf(" The battery gives up to %s.", units.Format(-deepest, "A"))
		}
		a.find(Finding{Fault: ShortOutput, What: what, Try: "Look at the belt, the field's voltage, diodes and output lead; hold the sum of the loads against the alternator's rating."}, evidence...)
	}
	if a.battery == nil {
		a.untold("Whether the alternator carries the load, and from which speed on: needs the battery's current.")
		return
	}
	if !math.IsInf(slowest, 1) {
		unit, by := "Hz", 1.0
		if slices.ContainsFunc(a.rep.Parts, func(p Part) bool { return p.Speed > 0 }) {
			unit, by = "rpm", 60
		}
		note := "the slowest speed that was held; it may do so below, too"
		if below > 0 {
			note = "not at " + units.Format(by*below, unit)
		}
		a.tell(Check{What: "alternator carries the loads from", Channel: a.battery.ch.Name, Unit: unit, Reading: by * slowest, Note: note}, by*0.005*slowest)
	}
}

// decay tells how the charging current falls.
func (a *analysis) decay() {
	if a.battery == nil {
		return
	}
	var at, amperes []float64
	charge := 0.0
	for _, p := range a.rep.Parts {
		for t := p.From; p.Kind.steady() && t+windowSeconds <= p.To; t += windowSeconds {
			if s := a.battery.over(t, t+windowSeconds); s.frames > 0 {
				at, amperes = append(at, t+windowSeconds/2), append(amperes, s.mean)
			}
		}
	}
	for i := range a.count {
		if x := a.battery.mean(i); !math.IsNaN(x) {
			charge += x * a.width
		}
	}
	a.tell(Check{What: "charge into the battery over the run", Channel: a.battery.ch.Name, Unit: "Ah", Reading: charge / 3600, Note: "below zero: taken out"}, a.battery.ch.Uncertainty(0)*(a.rep.To-a.rep.From)/3600+math.Abs(charge)/3600*a.battery.ch.Accuracy.OfReading/math.Sqrt(3))
	if len(at) < 4 {
		return
	}
	u := a.battery.ch.Uncertainty(amperes[0])
	a.tell(Check{What: "charging current at first", Channel: a.battery.ch.Name, Unit: "A", Reading: amperes[0]}, u)
	a.tell(Check{What: "charging current at last", Channel: a.battery.ch.Name, Unit: "A", Reading: amperes[len(amperes)-1]}, a.battery.ch.Uncertainty(amperes[len(amperes)-1]))
	// The fall by a factor e, from a straight line through the logarithms.
	var x, y []float64
	for i, v := range amperes {
		if v > 3*u {
			x, y = append(x, at[i]), append(y, math.Log(v))
		}
	}
	if f, err := fit.Line(x, y, nil); err == nil && f.Coefficients[1] < -3*f.Uncertainty(1) {
		tau := -1 / f.Coefficients[1]
		a.tell(Check{What: "charging current falls to a third in", Channel: a.battery.ch.Name, Unit: "s", Reading: tau, Note: "by a factor e; one exponential through the whole run"}, tau*tau*f.Uncertainty(1))
	}
}

// outside judges the highest voltage and tells the time outside.
func (a *analysis) outside() {
	low, high := 13*a.scale, a.regulation().High.At
	var under, over, most float64
	for i := range a.count {
		if !a.gives[i] || !a.volts.whole(i) {
			continue
		}
		v := a.volts.mean(i)
		most = math.Max(most, v)
		if v < low {
			under += a.width
		}
		if v > high {
			over += a.width
		}
	}
	c := a.check(Check{What: "highest voltage", Channel: a.volts.ch.Name, Unit: "V", Reading: most, Note: fmt.Sprintf("mean over %.3g s", a.width)}, a.volts.ch.Uncertainty(most), a.overRelay())
	if c.Verdict == verdict.Fail {
		a.find(Finding{Fault: OverVoltage, What: "The bus rose above where an over-voltage relay opens.", Try: "Do not run it again before the regulator, its ground and its sense lead are mended. Check that the over-voltage relay opens."}, c)
	}
	a.tell(Check{What: fmt.Sprintf("time below %g V while charging", low), Channel: a.volts.ch.Name, Unit: "s", Reading: under}, a.width/2)
	a.tell(Check{What: fmt.Sprintf("time above %g V", high), Channel: a.volts.ch.Name, Unit: "s", Reading: over}, a.width/2)
}

// checkOutput judges what the output lead loses, in the steady part with the most
// current. The post is measured against the alternator's own case, so the way
// back is in it.
func (a *analysis) checkOutput() error {
	post, bus := a.by[recording.AlternatorVolts], a.by[recording.BusVolts]
	if post == nil || bus == nil {
		a.untold("What the alternator's output lead loses: needs both the bus and the alternator's output post.")
		return nil
	}
	var worst *Part
	amperes := math.Inf(-1)
	for i := range a.rep.Parts {
		p := &a.rep.Parts[i]
		if s := a.alternator.over(p.From, p.To); p.Kind.steady() && post.over(p.From, p.To).frames > 0 && bus.over(p.From, p.To).frames > 0 && (s.frames > 0 && s.mean > amperes || worst == nil) {
			worst, amperes = p, s.mean
		}
	}
	if worst == nil {
		return nil
	}
	x, y := post.over(worst.From, worst.To), bus.over(worst.From, worst.To)
	// What both channels' gains have in common drops out where one converter
	// takes both; that is not known, so both count.
	u := math.Hypot(post.u(x.mean, x.spread, x.frames), bus.u(y.mean, y.spread, y.frames))
	allowed, rule := wire.FeederDrop(a.rep.Nominal)
	c := a.check(Check{Part: worst.ID, What: "lost between alternator and bus", Channel: post.ch.Name, Unit: "V", Reading: x.mean - y.mean, Note: "there and back"}, u, verdict.Limit{High: verdict.AtMost(allowed, rule)})
	if c.Verdict == verdict.Fail {
		a.find(Finding{Fault: OutputLead, What: "Too much voltage is lost between the alternator and the bus.", Try: "Under load, measure along the way: output post, lug, breaker or current limiter, shunt, bus; and from the alternator's case to the battery's minus post."}, c)
	}
	return nil
}

// beltSlip is the part of its speed that a belt may lose.
const beltSlip = 0.03

// checkBelt holds the electrical frequency against the engine's speed.
func (a *analysis) checkBelt() error {
	if a.spectra == nil {
		needs := "the alternator's post at 8 kHz or more"
		if a.speed == nil {
			needs = "the engine's speed, and " + needs
		}
		a.untold("Whether the belt slips: needs %s.", needs)
		return nil
	}
	var gears []float64
	var parts []*Part
	for i := range a.rep.Parts {
		if p := &a.rep.Parts[i]; p.family != nil && (p.family.certain || p.family.smeared) && p.Speed > 0 {
			gears, parts = append(gears, p.family.hz/p.Speed), append(parts, p)
		}
	}
	if len(gears) == 0 {
		a.untold("Whether the belt slips: needs the engine's speed, as a channel or in markers with rpm, and the ripple's lines: the alternator's post at 8 kHz or more.")
		return nil
	}
	most := quantile(gears, 1)
	if a.o.PolePairs > 0 && a.o.Ratio > 0 {
		most = a.o.PolePairs * a.o.Ratio
	}
	worst, where := 0.0, parts[0]
	for i, p := range parts {
		// Within the part: the tenth of the windows that lag most.
		lag := 1 - a.lowGear(p)/most
		if lag = math.Max(lag, 1-gears[i]/most); lag > worst {
			worst, where = lag, p
		}
	}
	u := 0.02 // of a speed that a hand set and a marker tells
	if a.speed != nil {
		u = math.Hypot(a.speed.ch.Accuracy.OfReading/math.Sqrt(3), 0.004)
	}
	c := a.check(Check{Part: where.ID, What: "speed lost by the belt", Channel: a.spectra.t.ch.Name, Reading: worst, Note: fmt.Sprintf("electrical frequency over engine speed, against %.2f", most)}, u, verdict.Limit{High: verdict.AtMost(beltSlip, beltHolds)})
	if c.Verdict == verdict.Fail {
		a.find(Finding{Fault: BeltSlips, What: "The alternator falls behind the engine: its belt slips.", Try: "Engine off: check the belt's tension, wear and oil on it, and the pulleys' line."}, c)
	}
	return nil
}

// lowGear is the electrical frequency over the engine's speed that a tenth of a
// part's windows stay below.
func (a *analysis) lowGear(p *Part) float64 {
	var gears []float64
	for i, t := range a.spectra.times {
		v := p.Speed
		if a.speed != nil {
			v = a.speedAt(a.volts.at(t))
		}
		// Windows whose strongest line is another than the part's say nothing.
		if t < p.From || t > p.To || math.IsNaN(v) || !(math.Abs(math.Log(a.spectra.peaks[i]/p.Line)) < 0.3) {
			continue
		}
		gears = append(gears, a.spectra.peaks[i]/p.Line*p.family.hz/v)
	}
	return quantile(gears, 0.1)
}

// checkEarth finds the resistance between engine block and battery.
func (a *analysis) checkEarth() error {
	t := a.by[recording.GroundVolts]
	if t == nil {
		a.untold("The main earth: needs a channel from the battery's minus post to the engine block.")
		return nil
	}
	var x, y []float64
	for i := range a.count {
		if !t.whole(i) || !a.battery.whole(i) {
			continue
		}
		back := math.NaN() // current from the block to the battery
		switch {
		case a.battery.mean(i) < -40/a.scale:
			back = -a.battery.mean(i)
		case a.alternator.whole(i):
			back = -a.alternator.mean(i)
		}
		if !math.IsNaN(back) {
			x, y = append(x, back), append(y, t.mean(i))
		}
	}
	f, err := fit.Line(x, y, nil)
	if err != nil || quantile(x, 1)-quantile(x, 0) < 10 {
		a.untold("The main earth: needs the currents of battery and alternator, and a crank or some load.")
		return nil
	}
	ohms := f.Coefficients[1]
	u := math.Hypot(f.Uncertainty(1), math.Abs(ohms)*a.gainOf(t, a.battery))
	// The loads' share of the battery's current does not return by the block.
	u = math.Hypot(u, 0.05*math.Abs(ohms))
	c := a.check(Check{What: earthResistance, Channel: t.ch.Name, Unit: "Ω", Reading: ohms}, u, verdict.Limit{High: verdict.AtMost(0.005, earthOhms)})
	if c.Verdict == verdict.Fail {
		a.find(Finding{Fault: EarthBad, What: "The way from the engine block to the battery has too much resistance.", Try: "Undo the engine's earth strap and the battery's earth, clean to bright metal, tighten, and run again."}, c)
	}
	return nil
}

// checkAudio tells what of the ripple reaches the audio supply.
func (a *analysis) checkAudio() error {
	t := a.by[recording.AudioVolts]
	if t == nil || t.rate < 2000 {
		a.untold("Whine in the audio supply: needs the radio's or intercom's supply pins at 8 kHz or more.")
		return nil
	}
	for i := range a.rep.Parts {
		p := &a.rep.Parts[i]
		if p.family == nil {
			continue
		}
		v, err := a.averageOf(t, p, 2*a.spectra.n)
		if err != nil {
			return err
		}
		sum, floor := 0.0, 0.0
		for n := 1.0; n <= 12; n++ {
			if hz := n * p.family.hz; hz > 100 && hz < 4000 {
				if power, f := v.at(hz); !math.IsNaN(power) {
					sum += power / 2
					floor += f / 2
				}
			}
		}
		a.tell(Check{
			Part: p.ID, What: "whine on the audio supply", Channel: t.ch.Name, Unit: "V", Reading: math.Sqrt(sum),
			Note: "RMS of the alternator's lines from 100 Hz to 4 kHz" + a.ofSource(v, sum, p) + "; no limit is published for what is heard, so this is told and not judged: listen",
		}, math.Sqrt(sum+floor)-math.Sqrt(sum)+0.02*math.Sqrt(sum))
	}
	return nil
}

// ofSource says which part of the ripple at its source reaches a channel.
func (a *analysis) ofSource(v average, power float64, p *Part) string {
	at, source := 0.0, a.spectra.t
	if source.ch.Quantity.Unit() != "V" {
		return ""
	}
	for n := 1; n <= 12; n++ {
		hz, line := float64(n)*p.family.hz, p.family.lines[n]
		if reached, _ := v.at(hz); hz > 100 && hz < 4000 && !math.IsNaN(line) && !math.IsNaN(reached) {
			at += line * line / 2
		}
	}
	if at == 0 {
		return ""
	}
	return fmt.Sprintf(", %.2g %% of what %s has", 100*math.Sqrt(power/at), source.ch.Name)
}
