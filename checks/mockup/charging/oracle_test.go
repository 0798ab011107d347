package charging

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"loomproof/checks/network/ngspice"
)

// ours runs the bridge as the model does, into the same battery and load.
func ours(r ngspice.Rectifier, settle, seconds, step float64) ngspice.Wave {
	b := newBridge(Alternator{PhaseOhms: r.PhaseOhms, PhaseHenry: r.PhaseHenry, DiodeVolts: r.DiodeVolts, DiodeOhms: r.DiodeOhms}, false)
	if r.OpenUpper > 0 {
		b.upper[r.OpenUpper-1] = math.Inf(1)
	}
	if r.OpenPhase > 0 {
		b.phase[r.OpenPhase-1] = math.Inf(1)
	}
	if r.ShortUpper > 0 {
		b.shortUpper[r.ShortUpper-1], b.upper[r.ShortUpper-1] = true, r.ShortOhms
	}
	ohms := 1 / (1/r.BatteryOhms + 1/r.LoadOhms)
	at := r.BatteryVolts / r.BatteryOhms * ohms
	w := ngspice.Wave{Step: step}
	for i := 1; float64(i)*step < settle+seconds; i++ {
		var emf [3]float64
		for k := range emf {
			emf[k] = r.Peak * math.Sin(2*math.Pi*(r.Hz*float64(i)*step-float64(k)/3))
		}
		direct := b.solve(emf, at, ohms, step)
		if float64(i)*step >= settle {
			w.Direct = append(w.Direct, direct)
			w.Volts = append(w.Volts, at+ohms*direct)
		}
	}
	return w
}

func meanAndSwing(x []float64) (mean, swing float64) {
	least, most := math.Inf(1), math.Inf(-1)
	for _, v := range x {
		mean += v / float64(len(x))
		least, most = math.Min(least, v), math.Max(most, v)
	}
	return mean, most - least
}

// line is the amplitude at a frequency, by its definition.
func line(x []float64, hz, step float64) float64 {
	mean, _ := meanAndSwing(x)
	var re, im float64
	for i, v := range x {
		s, c := math.Sincos(2 * math.Pi * hz * float64(i) * step)
		re += (v - mean) * c
		im += (v - mean) * s
	}
	return 2 * math.Hypot(re, im) / float64(len(x))
}

// The rectifier with a battery, sound and with each of its faults, here and by
// ngspice. The steps are the model's own, so that what is compared is what the
// emulation does.
func TestRectifierAgainstNgspice(t *testing.T) {
	sound := ngspice.Rectifier{
		Hz: 250, Peak: 19, PhaseOhms: 0.035, PhaseHenry: 180e-6, DiodeVolts: 0.75, DiodeOhms: 0.004,
		BatteryVolts: 13.2, BatteryOhms: 0.02, LoadOhms: 1,
	}
	fast := sound
	fast.Hz, fast.Peak = 550, 30
	low := sound
	low.Hz, low.Peak = 100, 9.5 // barely at the battery's voltage: the current comes in pieces
	diode, phase, short := sound, sound, sound
	diode.OpenUpper = 2
	phase.OpenPhase = 2
	short.ShortUpper, short.ShortOhms = 2, 0.02
	for _, tt := range []struct {
		name string
		r    ngspice.Rectifier
	}{{"sound", sound}, {"fast", fast}, {"low", low}, {"open diode", diode}, {"open phase", phase}, {"shorted diode", short}} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			const step = 20e-6
			settle, seconds := 10/tt.r.Hz, 5/tt.r.Hz
			want := tt.r.Run(t, settle, seconds, 5e-6)
			got := ours(tt.r, settle, seconds, step)
			meanWant, swingWant := meanAndSwing(want.Direct)
			meanGot, swingGot := meanAndSwing(got.Direct)
			t.Logf("direct current: %.3f A, swing %.3f A by ngspice; %.3f A, %.3f A here", meanWant, swingWant, meanGot, swingGot)
			assert.InEpsilon(t, meanWant, meanGot, 0.025, "backward Euler damps: steps of 20 µs take a percent or two off")
			assert.InDelta(t, swingWant, swingGot, 0.05*swingWant+0.02*meanWant)
			for _, n := range []float64{1, 2, 3, 4, 6, 12} {
				a, b := line(want.Direct, n*tt.r.Hz, want.Step), line(got.Direct, n*tt.r.Hz, step)
				t.Logf("harmonic %2.0f: %.3f A by ngspice, %.3f A here", n, a, b)
				assert.InDelta(t, a, b, 0.03*a+0.012*meanWant+0.002, "harmonic %g", n)
			}
		})
	}
}
