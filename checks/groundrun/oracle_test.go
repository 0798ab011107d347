package groundrun

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/network/ngspice"
	"loomproof/checks/recording"
	"loomproof/checks/verdict"
	"loomproof/probe"
)

// sampled is a periodic wave as the node records it: 8333 samples a second of a
// 10-bit converter behind a divider by four, 19.5 mV a step, with noise of half a
// step. The wave is repeated for ten seconds.
func sampled(t *testing.T, volts []float64, step float64) *recording.Memory {
	t.Helper()
	const rate, seconds, digit = 8333.0, 10, 20.0 / 1024
	r := rand.New(rand.NewPCG(7, 7))
	codes := make([]int32, rate*seconds)
	for i := range codes {
		at := math.Mod(float64(i)/rate/step, float64(len(volts)))
		k := int(at)
		next := volts[(k+1)%len(volts)]
		v := volts[k] + (next-volts[k])*(at-float64(k))
		codes[i] = int32(math.Floor(v/digit + 0.5*r.NormFloat64()))
	}
	m := recording.NewMemory(time.Unix(0, 0), recording.Channel{
		Name: "alternator post", Role: recording.AlternatorVolts, Quantity: probe.Voltage,
		Scale: digit, Offset: digit / 2, Low: 0, High: 1023, Rate: rate, Accuracy: probe.Accuracy{OfReading: 0.01, Digits: 1},
	})
	require.NoError(t, m.Append(0, recording.Block{Step: 1 / rate, Codes: codes}))
	return m
}

// amplitudes are the lines of a whole number of turns, by their definition.
func amplitudes(wave []float64, turns int) (mean float64, lines [13]float64) {
	for _, v := range wave {
		mean += v / float64(len(wave))
	}
	for n := 1; n <= 12; n++ {
		var sum complex128
		for i, v := range wave {
			sum += complex(v-mean, 0) * cmplx.Exp(complex(0, -2*math.Pi*float64(n*turns)*float64(i)/float64(len(wave))))
		}
		lines[n] = 2 * cmplx.Abs(sum) / float64(len(wave))
	}
	return mean, lines
}

// ngspice's transients of a rectifier, sampled and quantised as the node would,
// then analysed: frequency, lines, ripple and verdict are what the transient
// itself has by the definition of a line.
func TestAnalysesNgspiceTransients(t *testing.T) {
	battery := ngspice.Rectifier{
		Hz: 250, Peak: 19, PhaseOhms: 0.035, PhaseHenry: 180e-6, DiodeVolts: 0.75, DiodeOhms: 0.004,
		BatteryVolts: 13.2, BatteryOhms: 0.015, LoadOhms: 1,
	}
	diode, phase, short := battery, battery, battery
	diode.OpenUpper, phase.OpenPhase = 2, 2
	short.ShortUpper, short.ShortOhms = 2, 0.02
	for _, tt := range []struct {
		name  string
		r     ngspice.Rectifier
		shape shape
		word  verdict.Word
	}{
		{"sound", battery, sound, verdict.Pass},
		{"open diode", diode, device, verdict.Fail},
		{"open phase", phase, onePhase, verdict.Fail},
		{"shorted diode", short, device, verdict.Fail},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			const turns = 4
			w := tt.r.Run(t, 12/tt.r.Hz, turns/tt.r.Hz, 5e-6)
			wave := w.Volts[:int(math.Round(turns/tt.r.Hz/w.Step))]
			_, lines := amplitudes(wave, turns)
			rep, err := Analyse(sampled(t, wave, w.Step), Options{})
			require.NoError(t, err)
			part := steadyPart(t, rep)
			require.NotNil(t, part.family)
			assert.Equal(t, tt.shape, part.family.shape)
			assert.InEpsilon(t, tt.r.Hz, part.family.hz, 0.005)
			for _, n := range []int{1, 2, 3, 4, 6, 12} {
				assert.InDelta(t, lines[n], part.family.lines[n], 0.03*lines[n]+0.002, "line %d", n)
			}
			least, most := math.Inf(1), math.Inf(-1)
			for _, v := range wave {
				least, most = math.Min(least, v), math.Max(most, v)
			}
			swing := check(t, rep, "ripple-peak-to-peak")
			assert.InDelta(t, most-least, swing.Reading, 0.06*(most-least)+4*0.0195, "and what noise adds")
			assert.Equal(t, tt.word, check(t, rep, "lines-below-the-sixth").Verdict)
			assert.Equal(t, tt.word == verdict.Fail, len(rep.Findings) > 0 && rep.Findings[len(rep.Findings)-1].Fault == Rectifier)
		})
	}
}

func steadyPart(t *testing.T, r *Report) Part {
	t.Helper()
	for _, p := range r.Parts {
		if p.Kind.steady() {
			return p
		}
	}
	require.Fail(t, "no steady part", "%+v", r.Parts)
	return Part{}
}

// The ideal six-pulse bridge into a resistance: the lines that are found over the
// mean are 2/(n²−1), the closed form (derived).
func TestIdealSixPulses(t *testing.T) {
	const hz, step, turns = 300.0, 1e-6, 3
	wave := make([]float64, int(math.Round(turns/hz/step)))
	for i := range wave {
		most, least := math.Inf(-1), math.Inf(1)
		for k := range 3 {
			v := 8.5 * math.Sin(2*math.Pi*(hz*float64(i)*step-float64(k)/3))
			most, least = math.Max(most, v), math.Min(least, v)
		}
		wave[i] = most - least
	}
	run := sampled(t, wave, step)
	run.Mark(recording.Marker{Kind: recording.SpeedSet, Text: "1500 rpm"})
	rep, err := Analyse(run, Options{PolePairs: 6, Ratio: 2})
	require.NoError(t, err)
	p := steadyPart(t, rep)
	mean := p.Figures[0].Mean
	assert.InEpsilon(t, 3*math.Sqrt(3)/math.Pi*8.5, mean, 0.002)
	assert.InEpsilon(t, 2.0/35, p.family.lines[6]/mean, 0.02)
	assert.InEpsilon(t, 2.0/143, p.family.lines[12]/mean, 0.04)
	assert.InEpsilon(t, 0.041966, p.Figures[0].Ripple/mean, 0.02, "the ripple factor of the textbooks")
	assert.Equal(t, verdict.Pass, check(t, rep, "lines-below-the-sixth").Verdict)
}

// Harris' windows and Parseval have nothing to say that these exact pairs do not:
// cosines of 2 and 0.5 with a mean of 3, under a Hann window (derived).
func TestSpectrumAgainstExactPairs(t *testing.T) {
	x := make([]float64, 64)
	for i := range x {
		a := 2 * math.Pi * float64(i) / 64
		x[i] = 3 + 2*math.Cos(5*a+0.7) + 0.5*math.Sin(12*a)
	}
	power := newAnalyser(64).spectrum(x)
	for bin, want := range map[int]float64{4: 1, 5: 2, 6: 1, 8: 0, 11: 0.25, 12: 0.5, 13: 0.25} {
		assert.InDelta(t, want, math.Sqrt(power[bin]), 1e-12, "bin %d", bin)
	}
	assert.InDelta(t, 4, near(power, 5), 1e-12, "1 + 4 + 1 over the noise bandwidth of 1.5 bins")
}
