package groundrun

import (
	"fmt"
	"math"

	"loomproof/checks/fit"
	"loomproof/checks/recording"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/checks/wire"
)

// series is a channel as means over bins of time.
type series struct {
	from, width float64
	sum         []float64
	n           []int
}

// binned reads [from, to) of a track in bins of a width in seconds. Bins without
// samples stay empty.
func (a *analysis) binned(t *track, from, to, width float64) (series, error) {
	s := series{from: from, width: width, sum: make([]float64, max(0, int(math.Ceil((to-from)/width)))), n: make([]int, max(0, int(math.Ceil((to-from)/width))))}
	for b, err := range a.r.Blocks(t.index, from, to) {
		if err != nil {
			return s, err
		}
		first := 0
		if b.Step > 0 && b.Start < from {
			first = min(len(b.Codes), int((from-b.Start)/b.Step))
		}
		for i := first; i < len(b.Codes); i++ {
			k := int(math.Floor((b.At(i) - from) / width))
			if k >= len(s.sum) {
				break
			}
			if k >= 0 {
				s.sum[k] += t.ch.Value(b.Codes[i])
				s.n[k]++
			}
		}
	}
	return s, nil
}

// at is the mean of a bin, NaN without samples.
func (s series) at(i int) float64 {
	if s.n[i] == 0 {
		return math.NaN()
	}
	return s.sum[i] / float64(s.n[i])
}

func (s series) time(i int) float64 { return s.from + (float64(i)+0.5)*s.width }

// crankBin is what a crank's voltage and current are averaged over: short against
// a compression stroke, long against the noise.
const crankBin = 0.005 // seconds

// checkCranks judges each crank: how far the voltage falls, what the battery's
// resistance is, what was in it before.
func (a *analysis) checkCranks() error {
	if err := a.checkRest(); err != nil {
		return err
	}
	number := 0
	for i := range a.rep.Parts {
		p := &a.rep.Parts[i]
		if p.Kind != Cranking {
			continue
		}
		number++
		if err := a.checkCrank(p); err != nil {
			return err
		}
	}
	if number == 0 {
		a.untold("Battery under the starter: no crank was recorded. Begin the recording before the start.")
	}
	return nil
}

func (a *analysis) checkCrank(p *Part) error {
	t := a.first(recording.BatteryVolts, recording.BusVolts, recording.AlternatorVolts)
	width := math.Max(crankBin, 1/t.rate)
	if a.battery != nil {
		width = math.Max(width, 1/a.battery.rate)
	}
	from := p.From - 1
	v, err := a.binned(t, from, p.To, width)
	if err != nil {
		return err
	}
	least := math.Inf(1)
	for i := range v.sum {
		if x := v.at(i); x < least {
			least = x
		}
	}
	if math.IsInf(least, 1) {
		a.untold("The crank at %.1f s: its samples of %s are missing.", p.From, t.ch.Name)
		return nil
	}
	low, cite := wire.CrankingVoltage(a.rep.Nominal)
	c := a.check(Check{Part: p.ID, What: leastOfCrank, Channel: t.ch.Name, Unit: "V", Reading: least, Note: fmt.Sprintf("means over %s; the crank took %.1f s", units.Format(width, "s"), p.To-p.From)},
		t.ch.Uncertainty(least), verdict.Limit{Low: verdict.AtLeast(low, cite)})
	if c.Verdict == verdict.Fail {
		a.find(Finding{Fault: Start, What: "The voltage falls too far while the starter turns.", Try: "Charge the battery, then measure the drops over battery posts, contactors and earths while cranking."}, c)
	}
	if a.battery == nil {
		a.untold("The battery's internal resistance: needs the battery's current, through a shunt, beside the voltage.")
		return nil
	}
	current, err := a.binned(a.battery, from, p.To, width)
	if err != nil {
		return err
	}
	a.checkResistance(p, t, v, current)
	return nil
}

// checkResistance finds the battery's resistance from voltage and current of a
// crank.
func (a *analysis) checkResistance(p *Part, t *track, v, current series) {
	var volts, amperes, soonV, soonI []float64
	most := 0.0
	for i := range v.sum {
		x, y := current.at(i), v.at(i)
		if math.IsNaN(x) || math.IsNaN(y) {
			continue
		}
		volts, amperes = append(volts, y), append(amperes, x)
		if v.time(i) < p.From+0.4 {
			soonV, soonI = append(soonV, y), append(soonI, x)
		}
		most = math.Min(most, x)
	}
	a.tell(Check{Part: p.ID, What: "most current of the crank", Channel: a.battery.ch.Name, Unit: "A", Reading: -most}, a.battery.ch.Uncertainty(most))
	whole, err := fit.Line(amperes, volts, nil)
	if err != nil || most > -40/a.scale {
		a.untold("The battery's internal resistance at %.1f s: voltage and current do not change enough.", p.From)
		return
	}
	ohms := whole.Coefficients[1]
	u := math.Hypot(whole.Uncertainty(1), ohms*a.gainOf(t, a.battery))
	// The battery goes on sinking while it is loaded: how much the resistance
	// depends on where one looks is part of the doubt.
	if soon, err := fit.Line(soonI, soonV, nil); err == nil {
		u = math.Hypot(u, math.Abs(soon.Coefficients[1]-ohms)/2)
	}
	check := Check{Part: p.ID, What: batteryResistance, Channel: t.ch.Name, Unit: "Ω", Reading: ohms, Note: "slope of voltage against current over the crank"}
	if t.ch.Role != recording.BatteryVolts {
		check.Note += "; the leads between battery and " + t.ch.Name + " are in it"
	}
	if a.o.BatteryOhms <= 0 {
		a.tell(check, u)
		return
	}
	c := a.check(check, u, verdict.Limit{High: verdict.AtMost(2*a.o.BatteryOhms, batteryIs)})
	if c.Verdict == verdict.Fail {
		a.find(Finding{Fault: BatteryWeak, What: "The battery's resistance is more than twice what the design states: old, sulphated, cold, or a bad post.", Try: "Clean and tighten the posts, charge it fully, and repeat; then test its capacity. Replace it below 80 % of its rated capacity."}, c)
	}
}

// gainOf is the relative standard uncertainty of a ratio of two channels.
func (a *analysis) gainOf(v, i *track) float64 {
	return math.Hypot(v.ch.Accuracy.OfReading, i.ch.Accuracy.OfReading) / math.Sqrt(3)
}

// rested are the points of an aircraft-battery maker's table for 12 V batteries
// with absorbed electrolyte, at 0, 25, 50, 75 and 100 % of charge.
var (
	rested       = [...]float64{10.50, 11.75, 12.20, 12.55, 12.80}
	restedSource = wire.Citation{Text: "aircraft-battery maker's table of rested voltage, absorbed electrolyte", Status: wire.Verified}
)

// chargeOf is the part of the charge at a rested voltage of a 12 V battery, and
// how fast it changes with it.
func chargeOf(volts float64) (part, perVolt float64) {
	if volts <= rested[0] {
		return 0, 0.25 / (rested[1] - rested[0])
	}
	for i := 1; i < len(rested); i++ {
		if volts <= rested[i] {
			slope := 0.25 / (rested[i] - rested[i-1])
			return 0.25*float64(i-1) + slope*(volts-rested[i-1]), slope
		}
	}
	return 1, 0.25 / (rested[4] - rested[3])
}

// checkRest judges the battery before anything is switched on.
func (a *analysis) checkRest() error {
	t := a.first(recording.BatteryVolts, recording.BusVolts)
	if t == nil || len(a.rep.Parts) == 0 || a.rep.Parts[0].Kind != Off {
		a.untold("The battery's charge before: the recording does not begin at rest.")
		return nil
	}
	var means []float64
	for i := 0; i < a.count && t.time(i) < a.rep.Parts[0].To; i++ {
		if a.battery != nil && !(math.Abs(a.battery.mean(i)) < 0.3/a.scale+2*a.battery.ch.Uncertainty(0)) {
			continue
		}
		if v := t.mean(i); !math.IsNaN(v) && v > 8*a.scale {
			means = append(means, v)
		}
	}
	if float64(len(means))*a.width < 0.5 {
		a.untold("The battery's charge before: it never rested without load. Begin with everything off for a few seconds.")
		return nil
	}
	mean, spread := meanAndSpread(means)
	a.restV = mean
	u := t.u(mean, spread, len(means))
	a.tell(Check{What: "voltage at rest", Channel: t.ch.Name, Unit: "V", Reading: mean}, u)
	charge, slope := chargeOf(mean / a.scale)
	c := a.check(Check{
		What: chargeBefore, Channel: t.ch.Name, Reading: charge,
		Note: "by " + restedSource.String() + "; holds after hours at rest, other types differ",
	}, slope*u/a.scale, verdict.Limit{Low: verdict.AtLeast(0.5, practice("charge a battery that is less than half full before the run"))})
	if c.Verdict == verdict.Fail {
		a.find(Finding{Fault: BatteryWeak, What: "The battery was less than half full before the start.", Try: "Charge it on the bench and find what emptied it. Never fly with a battery that was jump-started flat."}, c)
	}
	return nil
}
