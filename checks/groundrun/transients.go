package groundrun

import (
	"fmt"
	"math"

	"loomproof/checks/recording"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
)

// An envelope is what a bus may do for a while after it left its steady span:
// at most (or, of the lower one, at least) peak volts until hold seconds, then
// along a straight line to the steady limit at end seconds. For 28 V; a 14 V bus
// may do half of it.
type envelope struct{ peak, hold, end, steady float64 }

// Normal transients of MIL-STD-704F, from memory.
var (
	upperEnvelope = envelope{peak: 50, hold: 0.0125, end: 0.0825, steady: 29}
	lowerEnvelope = envelope{peak: 18, hold: 0.015, end: 0.1, steady: 22}
)

// at is the envelope's voltage t seconds after the bus left its steady span.
func (e envelope) at(t float64) float64 {
	switch {
	case t <= e.hold:
		return e.peak
	case t >= e.end:
		return e.steady
	}
	return e.peak + (e.steady-e.peak)*(t-e.hold)/(e.end-e.hold)
}

func (e envelope) by(part float64) envelope {
	return envelope{e.peak * part, e.hold, e.end, e.steady * part}
}

// checkTransients holds every excursion of the bus against the envelopes. Single
// samples are read only about frames that leave the steady span.
func (a *analysis) checkTransients() error {
	cite := a.at(envelope14, envelope704)
	for _, side := range []struct {
		what  string
		e     envelope
		sign  float64
		fault Fault
		words string
	}{
		{"room left under the upper envelope of transients", upperEnvelope.by(a.rep.Nominal / 28), 1, OverVoltage, "The bus stays high for longer than the envelope of normal transients allows."},
		{"room left over the lower envelope of transients", lowerEnvelope.by(a.rep.Nominal / 28), -1, UnderVoltage, "The bus stays low for longer than the envelope of normal transients allows."},
	} {
		worst, at, count, err := a.excursions(side.e, side.sign)
		if err != nil {
			return err
		}
		if math.IsInf(worst, -1) {
			continue
		}
		note := "it never left the steady span"
		if count > 0 {
			note = fmt.Sprintf("%d excursions; the worst at %.3f s", count, at)
		}
		c := a.check(Check{What: side.what, Channel: a.volts.ch.Name, Unit: "V", Reading: -worst, Note: note}, a.volts.ch.Uncertainty(side.e.steady), verdict.Limit{Low: verdict.AtLeast(0, cite)})
		if c.Verdict == verdict.Fail {
			a.find(Finding{Fault: side.fault, What: side.words, Try: "Look at the run there: a load that goes in or out, a breaker, the regulator."}, c)
		}
	}
	if a.volts.rate < 990 {
		a.untold("Transients shorter than %s: the voltage has %.4g samples a second; 1000 or more would show what radios feel.", units.Format(1/a.volts.rate, "s"), a.volts.rate)
	}
	return nil
}

// excursions gives the farthest that the voltage went beyond the envelope: below
// 0 when it stayed inside.
func (a *analysis) excursions(e envelope, sign float64) (worst, at float64, count int, err error) {
	worst = math.Inf(-1)
	from, to := math.NaN(), math.NaN()
	look := func() error {
		if math.IsNaN(from) {
			return nil
		}
		w, t, n, err := a.excursion(e, sign, from, to)
		if w > worst {
			worst, at = w, t
		}
		count += n
		from = math.NaN()
		return err
	}
	for i := range a.count {
		if !a.powered(i) {
			continue
		}
		f := a.volts.frames[i]
		extreme := f.most
		if sign < 0 {
			extreme = f.least
		}
		beyond := sign * (extreme - e.steady)
		if beyond <= 0 {
			if beyond > worst {
				worst, at = beyond, a.volts.time(i)
			}
			continue
		}
		t := a.volts.time(i)
		if math.IsNaN(from) || t-to > 2*a.width {
			if err := look(); err != nil {
				return worst, at, count, err
			}
			from = t - a.width
		}
		to = t + a.width
	}
	return worst, at, count, look()
}

// powered says that the bus of a frame is one that the envelopes hold for: the
// alternator delivers, and no starter turns.
func (a *analysis) powered(i int) bool {
	if !a.volts.whole(i) || !a.gives[i] {
		return false
	}
	t := a.volts.time(i)
	for _, c := range a.cranks {
		if t > c.from-1 && t < c.to+2 {
			return false
		}
	}
	return true
}

// excursion follows single samples through a stretch.
func (a *analysis) excursion(e envelope, sign, from, to float64) (worst, at float64, count int, err error) {
	worst = math.Inf(-1)
	since := math.NaN()
	var before recording.Block
	for b, err := range a.r.Blocks(a.volts.index, from, to) {
		if err != nil {
			return worst, at, count, err
		}
		if _, gap := recording.Between(before, b); gap {
			since = math.NaN()
		}
		before = recording.Block{Start: b.Start, Step: b.Step, Codes: b.Codes}
		for i, code := range b.Codes {
			t := b.At(i)
			if t < from || t >= to {
				continue
			}
			v := a.volts.ch.Value(code)
			if sign*(v-e.steady) <= 0 {
				since = math.NaN()
				continue
			}
			if math.IsNaN(since) {
				since, count = t, count+1
			}
			if w := sign * (v - e.at(t-since)); w > worst {
				worst, at = w, t
			}
		}
	}
	return worst, at, count, nil
}
