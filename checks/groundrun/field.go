package groundrun

import (
	"fmt"
	"math"

	"loomproof/checks/recording"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
)

const (
	fieldSettles = 1.0 // seconds that the field's current may take to die away
	handSlip     = 0.5 // seconds by which a marker of a hand may be late
	leastOpening = 2.5 // seconds that the field has to be open to be judged
)

// An opening is a stretch in which the field is open while the engine runs.
type opening struct {
	from, to float64
	by       string
}

// openings are told by markers, else by the field's voltage.
func (a *analysis) openings() (out []opening) {
	from := math.NaN()
	off := func(t float64, by string) {
		if i := a.volts.at(t - 2*a.width); i >= 0 && i < a.count && a.gives[i] {
			from = t
			out = append(out, opening{t, a.rep.To, by})
		}
	}
	on := func(t float64) {
		if !math.IsNaN(from) {
			out[len(out)-1].to, from = t, math.NaN()
		}
	}
	for _, m := range a.r.Markers() {
		switch m.Kind {
		case recording.FieldOff:
			on(m.At) // opened twice: the first ends here
			off(m.At, "marker")
		case recording.FieldOn, recording.Shutdown:
			on(m.At)
		}
	}
	field := a.by[recording.FieldVolts]
	if len(out) > 0 || field == nil {
		return out
	}
	closed := false
	for i := range a.count {
		if !field.whole(i) {
			continue
		}
		switch v := field.mean(i); {
		case v > 1*a.scale && !closed:
			closed = true
			on(field.time(i))
		case v < 0.3*a.scale && closed:
			closed = false
			off(field.time(i), "the field's voltage")
		}
	}
	return out
}

// checkField judges what happens when the field is opened with the engine
// running: the alternator gives nothing any more, and the bus falls to what the
// battery holds.
func (a *analysis) checkField() error {
	judged := false
	for _, o := range a.openings() {
		judged = a.checkOpening(o) || judged
	}
	if !judged {
		a.untold("Whether the alternator lets go when its field is opened: at a steady speed open its switch or breaker for five seconds, with a marker, and record the alternator's current.")
	}
	return nil
}

// checkOpening says whether there was enough to judge.
func (a *analysis) checkOpening(o opening) bool {
	from, to := o.from+fieldSettles, o.to-handSlip
	if o.to-o.from < leastOpening {
		return false
	}
	a.tellFall(o)
	s := a.alternator.over(from, to)
	if s.frames == 0 {
		return false
	}
	note := fmt.Sprintf("opened at %.1f s, by %s", o.from, o.by)
	c := a.check(Check{ID: fmt.Sprintf("alternator-current-with-its-field-open/%.0f", o.from), What: "alternator current with its field open", Channel: a.alternator.ch.Name, Unit: "A", Reading: s.mean, Note: note},
		a.alternator.u(s.mean, s.spread, s.frames), verdict.Limit{High: verdict.AtMost(1/a.scale, letsGo)})
	if c.Verdict == verdict.Fail {
		a.find(Finding{
			Fault: FieldStays, What: fmt.Sprintf("The alternator still gives %s with its field opened: in an over-voltage it could not be switched off.", units.Format(s.mean, "A")),
			Try: "Look for another way to the field: a regulator fed past its switch, a wire on the wrong side of the breaker, a switch that sticks. Where the alternator has no field to open, find out what its relay cuts.",
		}, c)
	}
	return true
}

// tellFall tells how far and how fast the bus falls.
func (a *analysis) tellFall(o opening) {
	last := a.volts.over(math.Max(o.from, o.to-handSlip-1), o.to-handSlip)
	if last.frames == 0 {
		return
	}
	a.tell(Check{
		ID: fmt.Sprintf("bus-with-the-field-open/%.0f", o.from), What: "bus voltage with the field open", Channel: a.volts.ch.Name, Unit: "V", Reading: last.mean,
		Note: fmt.Sprintf("%.1f s after it was opened", o.to-handSlip-0.5-o.from),
	}, a.volts.u(last.mean, last.spread, last.frames))
	low := 13 * a.scale
	for i := max(0, a.volts.at(o.from)); i < a.count && a.volts.time(i) < o.to; i++ {
		if a.volts.whole(i) && a.volts.mean(i) < low {
			a.tell(Check{
				ID: fmt.Sprintf("warning-after-the-field-opened/%.0f", o.from), What: fmt.Sprintf("bus falls below %g V after the field is opened in", low), Channel: a.volts.ch.Name, Unit: "s", Reading: a.volts.time(i) - o.from,
				Note: "from there on a low-bus warning shows it",
			}, a.width/2+0.1)
			return
		}
	}
	a.untold("When a low-bus warning shows that the alternator is off: the bus stayed above %g V for the %.1f s that the field was open.", low, o.to-o.from)
}

// chargedBelow is the charging current, in parts of the capacity an hour, from
// which a battery held at the set-point counts as charged.
const chargedBelow = 0.02

// checkCharged judges what the regulator does with a battery that is charged.
func (a *analysis) checkCharged() error {
	last := -1
	for i, p := range a.rep.Parts {
		if p.Kind.steady() && p.To-p.From >= 5 {
			last = i
		}
	}
	if a.battery == nil || last < 0 {
		return nil
	}
	p := &a.rep.Parts[last]
	current, volts := a.battery.over(p.To-5, p.To), a.volts.over(p.To-5, p.To)
	if current.frames == 0 || volts.frames == 0 {
		return nil
	}
	if a.o.BatteryAmpereHours <= 0 {
		a.untold("Whether the battery was charged in the end, and what the regulator does then: needs its capacity, from the design.")
		return nil
	}
	part := current.mean / a.o.BatteryAmpereHours
	if u := a.battery.ch.Uncertainty(current.mean) / a.o.BatteryAmpereHours; part+2*u >= chargedBelow || part < -2*u {
		a.untold("What the regulator does with a charged battery: in the end the battery's current was %s, %.1f %% of its capacity an hour. Run on until it takes less than %.0f %% (common practice).", units.Format(current.mean, "A"), 100*part, 100*chargedBelow)
		return nil
	}
	c := a.check(Check{Part: p.ID, What: "voltage with the battery charged", Channel: a.volts.ch.Name, Unit: "V", Reading: volts.mean, Note: fmt.Sprintf("it takes %s, %.1f %% of its capacity an hour", units.Format(current.mean, "A"), 100*part)},
		a.volts.u(volts.mean, volts.spread, volts.frames), verdict.Limit{High: a.regulation().High})
	if c.Verdict == verdict.Fail {
		a.find(Finding{Fault: SetPoint, What: "With the battery charged the bus stands too high: it gasses, and loses its water.", Try: "Measure at the regulator's own sense terminal and ground: a bad joint there makes it wrong. Then adjust or replace it by its manual."}, c)
	}
	return nil
}
