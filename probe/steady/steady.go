// Package steady decides when a stream of readings has come to rest, so that a
// reading can be taken by itself while both hands hold probes.
//
//	d := steady.New(rule)
//	for r := range readings {
//		if s := d.Add(r); s.Phase == steady.Steady {
//			use(s.Mean, s.Deviation, s.Count)
//		}
//	}
//
// # The test
//
// The last readings, five at least, are steady when a window of them shows, with
// 95 % confidence, that they drift by less than the rule's Drift from the first
// to the last. The confidence is that of one window; each further reading is
// another try, so a drift somewhat above Drift is captured now and then, and the
// drift that the window leaves open belongs into the uncertainty of what was read.
//
// A straight line is fitted, and the size of its rise plus Student's
// t times the standard error of that rise must stay below Drift. Noise widens
// the error, so a noisy source needs more readings, up to fifty, before it is
// believed. It is a test for steadiness, not the mere failure to see a drift:
// few noisy readings never pass it. A spike spoils the line until it has left
// the window.
//
// # A slow meter
//
// With an emulated handheld meter of 3 readings a second (probe/lcdframe, 12 to
// 14 V, steps of 0.01 V, Drift 0.03 V), a hand that goes from point to point with
// a second or two between them: the mean time from the touch to the capture, the
// share of captures that are off by more than Drift from what stands there then or
// are of another point, and the share given up after 20 s. Made by TestSlowMeter.
//
//	                                       time     wrong      none in 20 s
//	at rest, no noise                     2.2 s       0.0 %       0.0 %
//	at rest, noise of half a digit        2.3 s       0.0 %       0.0 %
//	at rest, noise of one digit           2.9 s       0.0 %       0.0 %
//	at rest, noise of two digits          6.6 s       0.1 %       1.5 %
//	settles with 0.3 s from 1 V off       3.2 s       0.0 %       0.0 %
//	settles with 1 s from 1 V off         5.7 s       0.0 %       0.0 %
//	one reading in ten a spike of 20 %    3.3 s       0.0 %       0.0 %
//	one reading in ten without touch      3.3 s       0.0 %       0.0 %
//	drifts by Drift in five readings      6.4 s       0.2 %       4.3 %
//	drifts by twice Drift                     -       0.0 %     100.0 %
//
// A line that drifts is captured sooner or later, since each reading is another
// try; the drift that was left open is in the Summary and belongs into the
// uncertainty.
//
// # The probe
//
// With Touch above zero, readings whose size is below it mean that the probe
// is lifted, and readings above it that it touches. With MustLift nothing is
// steady until the probe has been seen lifted, so that the point before is
// never taken for the point asked for.
package steady

import (
	"cmp"
	"math"

	"loomproof/probe"
)

// A Rule says what to call steady.
type Rule struct {
	Drift    float64 // largest change over the window, in the unit of the readings; 0 for what each reading leaves open anyway
	Touch    float64 // size below which the probe is lifted; 0 when any value may be real
	MustLift bool    // wait until the probe was seen lifted
}

// A Phase is how far a capture has come.
type Phase string

// The phases of a capture.
const (
	WaitLift Phase = "wait for the probe to be lifted"
	Lifted   Phase = "probe lifted"
	Settling Phase = "settling"
	Steady   Phase = "steady"
)

// A Summary is what is known after a reading.
type Summary struct {
	Phase     Phase
	Mean      float64
	Deviation float64 // standard deviation of the single reading
	Count     int     // readings in the window
	Drift     float64 // what the drift over the window stays below, as proven
	Last      probe.Reading
}

// How many readings a window holds.
const (
	fewest = 5
	most   = 50
)

// A Detector watches one capture. It is not for several goroutines.
type Detector struct {
	rule   Rule
	lifted bool
	window []float64
}

// New begins a capture.
func New(rule Rule) *Detector {
	return &Detector{rule: rule, lifted: !rule.MustLift}
}

// Refused takes what came in place of a reading. What stood before it is
// forgotten, so that no capture spans it: the probe may have been lifted and put
// down elsewhere. An overload is a lifted probe where Touch cannot tell one:
// open leads on ohms. So is a value that is too unsteady to be read, but stays
// below Touch: open leads on volts.
func (d *Detector) Refused(r *probe.Refusal) Summary {
	d.window = d.window[:0]
	switch {
	case r.Reason == probe.Overload, r.Below > 0 && r.Below < d.rule.Touch:
		d.lifted = true
		return Summary{Phase: Lifted}
	case !d.lifted:
		return Summary{Phase: WaitLift}
	}
	return Summary{Phase: Settling}
}

// Add takes the next reading.
func (d *Detector) Add(r probe.Reading) Summary {
	s := Summary{Last: r}
	switch touching := d.rule.Touch == 0 || math.Abs(r.Value) >= d.rule.Touch; {
	case !touching:
		d.lifted = true
		d.window = d.window[:0]
		s.Phase = Lifted
		return s
	case !d.lifted:
		s.Phase = WaitLift
		return s
	}
	if len(d.window) == most {
		d.window = append(d.window[:0], d.window[1:]...)
	}
	d.window = append(d.window, r.Value)
	s.Phase = Settling
	limit := cmp.Or(d.rule.Drift, openAnyway(r))
	// The newest readings decide: try the shortest window first, so that what
	// was seen while the probe still slid does not delay the rest.
	for n := fewest; n <= len(d.window); n++ {
		w := d.window[len(d.window)-n:]
		mean, deviation, rise, errRise := line(w)
		s.Mean, s.Deviation, s.Count = mean, deviation, n
		if s.Drift = math.Abs(rise) + student(n-2)*errRise; s.Drift < limit {
			s.Phase = Steady
			return s
		}
	}
	return s
}

// openAnyway is the drift to allow a source: what its digits and range leave open
// anyway, and at least two steps of its last place, which follow the range it is
// on. The gain error is left out, since the difference of two readings knows nothing of it.
func openAnyway(r probe.Reading) float64 {
	return math.Max(2*r.Digit, r.Accuracy.HalfWidth(0, r.Digit, r.FullScale))
}

// line fits a straight line to equally spaced values: their mean, standard
// deviation, the rise from the first to the last, and its standard error.
func line(w []float64) (mean, deviation, rise, errRise float64) {
	n := float64(len(w))
	for _, v := range w {
		mean += v / n
	}
	middle := (n - 1) / 2
	var sxx, sxy, syy float64
	for i, v := range w {
		x, y := float64(i)-middle, v-mean
		sxx += x * x
		sxy += x * y
		syy += y * y
	}
	slope := sxy / sxx
	residual := math.Max(0, syy-slope*sxy)
	return mean, math.Sqrt(syy / (n - 1)), slope * (n - 1), math.Sqrt(residual/(n-2)/sxx) * (n - 1)
}

// quantiles of Student's t for 95 % on one side, by degrees of freedom from 3:
// NIST TN 1297 table B.1, the column for 90 % on two sides.
var quantiles = []float64{2.35, 2.13, 2.02, 1.94, 1.89, 1.86, 1.83, 1.81, 1.80, 1.78, 1.77, 1.76, 1.75, 1.75, 1.74, 1.73, 1.73, 1.72}

func student(freedom int) float64 {
	if i := freedom - 3; i < len(quantiles) {
		return quantiles[max(0, i)]
	}
	return quantiles[len(quantiles)-1]
}
