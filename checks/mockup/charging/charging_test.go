package charging

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/recording"
)

// The ideal six-pulse bridge: no inductance, no threshold, into a resistance.
// Mean, amplitudes 2/(n²−1) and the shares of an open diode and an open phase are
// exact results of Fourier analysis (derived; each textbook on rectifiers has the
// first).
func TestIdealBridgeAgainstClosedForms(t *testing.T) {
	run := func(change func(*bridge)) []float64 {
		b := newBridge(Alternator{PhaseOhms: 1e-3, DiodeOhms: 1e-3}, false)
		change(&b)
		volts := make([]float64, 7200)
		for i := range volts {
			var emf [3]float64
			for k := range emf {
				emf[k] = math.Sin(2*math.Pi*float64(i)/7200 - 2*math.Pi/3*float64(k))
			}
			volts[i] = 1000 * b.solve(emf, 0, 1000, 1)
		}
		return volts
	}
	amplitudes := func(volts []float64) (mean float64, of map[float64]float64) {
		mean, _ = meanAndSwing(volts)
		of = map[float64]float64{}
		for n := 1.0; n <= 12; n++ {
			of[n] = line(volts, n, 1.0/7200) / mean
		}
		return mean, of
	}
	mean, of := amplitudes(run(func(*bridge) {}))
	assert.InDelta(t, 3*math.Sqrt(3)/math.Pi, mean, 1e-5)
	assert.InDelta(t, 2.0/35, of[6], 1e-5)
	assert.InDelta(t, 2.0/143, of[12], 1e-5)
	assert.InDelta(t, 0, of[1]+of[2]+of[3]+of[4], 1e-6)

	diode, of := amplitudes(run(func(b *bridge) { b.upper[1] = math.Inf(1) }))
	assert.InDelta(t, mean*5/6, diode, 1e-4)
	assert.InDelta(t, math.Pi/5/math.Sqrt(3), of[1], 1e-4)
	assert.InDelta(t, 4.0/15, of[2], 1e-4)
	assert.InDelta(t, 3.0/20, of[3], 1e-4)
	assert.InDelta(t, 2.0/35, of[6], 1e-4)

	phase, of := amplitudes(run(func(b *bridge) { b.phase[1] = math.Inf(1) }))
	assert.InDelta(t, mean*2/3, phase, 1e-4)
	assert.InDelta(t, 2.0/3, of[2], 1e-4)
	assert.InDelta(t, 0, of[1], 1e-6)
}

// Kirchhoff's current law holds at the bus after every step, also while the
// starter turns.
func TestCurrentsAddUp(t *testing.T) {
	for _, c := range []Config{MarshHen(), TwentyEight(), PermanentMagnet()} {
		c.Step = 200e-6
		m := New(c, Fault{Kind: BadEarth, Size: 0.01})
		script := GroundRun()
		for m.Now().Time < 20 {
			for len(script) > 0 && m.Now().Time >= script[0].At {
				require.NoError(t, m.Do(script[0]))
				script = script[1:]
			}
			m.Step()
			n := m.Now()
			left := n.AlternatorAmpere - n.LoadAmperes - n.BatteryAmperes - n.StarterAmperes
			require.InDelta(t, 0, left, 1e-6, "at %g s: %+v", n.Time, n)
			require.InDelta(t, 0, n.Phases[0]+n.Phases[1]+n.Phases[2], 1e-6)
		}
	}
}

// after gives means: at 40 s and at 2 s of this run the engine drives all loads and is cranked; in
// steps that are coarse, but fine enough for what is looked for.
func after(c Config, seconds float64, faults ...Fault) (mean Now) {
	c.Step = 100e-6
	m := New(c, faults...)
	script := []Action{
		{At: 1, Do: recording.Crank},
		{At: 2, Do: recording.Started, Hz: 42},
		{At: 3, Do: recording.FieldOn},
		{At: 3, Do: recording.LoadIn, Load: "avionics"},
		{At: 3, Do: recording.LoadIn, Load: "landing-light"},
	}
	count := 0.0
	for m.Now().Time < seconds {
		for len(script) > 0 && m.Now().Time >= script[0].At {
			if err := m.Do(script[0]); err != nil {
				panic(err)
			}
			script = script[1:]
		}
		m.Step()
		if n := m.Now(); n.Time > seconds-0.5 {
			count++
			mean.Bus += n.Bus
			mean.BatteryAmperes += n.BatteryAmperes
			mean.AlternatorAmpere += n.AlternatorAmpere
			mean.ElectricalHz += n.ElectricalHz
			mean.GroundVolts += n.GroundVolts
			mean.StarterAmperes += n.StarterAmperes
		}
	}
	for _, x := range []*float64{&mean.Bus, &mean.BatteryAmperes, &mean.AlternatorAmpere, &mean.ElectricalHz, &mean.GroundVolts, &mean.StarterAmperes} {
		*x /= count
	}
	return mean
}

func TestSoundSystemsRegulate(t *testing.T) {
	for name, c := range map[string]Config{"14 V": MarshHen(), "28 V": TwentyEight(), "permanent magnet": PermanentMagnet()} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			n := after(c, 40)
			assert.InDelta(t, c.Regulator.Set, n.Bus, 0.02*c.Nominal, "%+v", n)
			assert.Greater(t, n.BatteryAmperes, 0.0)
		})
	}
	for seed := range uint64(4) {
		t.Run(fmt.Sprint("varied ", seed), func(t *testing.T) {
			t.Parallel()
			c := MarshHen().Vary(seed)
			assert.InDelta(t, c.Regulator.Set, after(c, 40).Bus, 0.3)
		})
	}
}

// Each fault does what its name says.
func TestFaultsDoWhatTheySay(t *testing.T) {
	sound, cranked := after(MarshHen(), 40), after(MarshHen(), 2)
	with := func(seconds float64, k FaultKind, size float64) Now {
		return after(MarshHen(), seconds, Fault{Kind: k, Size: size})
	}
	for _, tt := range []struct {
		name string
		ok   func() bool
	}{
		{"high set-point", func() bool { return with(40, HighSetPoint, 1).Bus > sound.Bus+0.8 }},
		{"low set-point", func() bool { return with(40, LowSetPoint, 1).Bus < sound.Bus-0.6 }},
		{"slipping belt", func() bool { return with(40, SlippingBelt, 0.2).ElectricalHz < 0.9*sound.ElectricalHz }},
		{"bad main earth", func() bool { return with(40, BadEarth, 0.02).GroundVolts < sound.GroundVolts-0.2 }},
		{"bad main earth, cranking", func() bool { return with(2, BadEarth, 0.02).StarterAmperes < cranked.StarterAmperes-10 }},
		{"sulphated battery", func() bool { return with(2, Sulphated, 4).Bus < cranked.Bus-1.5 }},
		{"no charge", func() bool { return with(40, NoCharge, 0).BatteryAmperes < -10 }},
		{"flat battery", func() bool { return with(1, FlatBattery, 0.3).Bus < 12 }},
		{"bad output joint", func() bool { return with(40, BadOutputJoint, 0.02).AlternatorAmpere < sound.AlternatorAmpere+5 }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			assert.True(t, tt.ok())
		})
	}
	assert.Panics(t, func() { New(MarshHen(), Fault{Kind: "gremlins"}) })
}

func TestRecordingIsTheSameAgain(t *testing.T) {
	run := func(seed uint64) *recording.Memory {
		c := MarshHen()
		c.Seed, c.Step = seed, 100e-6
		r, err := New(c).Record(GroundRun()[2:], 11, append(Taps(500), Fast(5000))...)
		require.NoError(t, err)
		return r
	}
	a, b, c := run(1), run(1), run(2)
	same := func(x, y *recording.Memory) bool {
		for channel := range x.Channels() {
			var codes [2][]int32
			for i, r := range []*recording.Memory{x, y} {
				for block, err := range r.Blocks(channel, 0, 100) {
					require.NoError(t, err)
					codes[i] = append(codes[i], block.Codes...)
				}
			}
			if !assert.ObjectsAreEqual(codes[0], codes[1]) {
				return false
			}
		}
		return true
	}
	assert.True(t, same(a, b))
	assert.False(t, same(a, c))
	gaps, err := recording.Gaps(a, 3, 0, 100)
	require.NoError(t, err)
	assert.Empty(t, gaps)
	assert.Len(t, a.Markers(), 2)
	_, err = New(MarshHen()).Record(nil, 1, Fast(1e6))
	assert.ErrorContains(t, err, "a model with steps of")
	_, err = New(MarshHen()).Record([]Action{{Do: recording.LoadIn, Load: "sauna"}}, 1)
	assert.ErrorContains(t, err, "sauna")
}

// A sample's time is the middle of what it is the mean of.
func TestRecordedTimeIsTheModelsTime(t *testing.T) {
	script := []Action{{At: 0.5, Do: recording.LoadIn, Load: "landing-light"}}
	r, err := New(MarshHen()).Record(script, 1, append(Taps(1000), Fast(5000))...)
	require.NoError(t, err)
	for _, channel := range []int{0, 3} {
		c := r.Channels()[channel]
		for b, err := range r.Blocks(channel, 0, 1) {
			require.NoError(t, err)
			for i, code := range b.Codes {
				if c.Value(code) < 12.5 {
					assert.InDelta(t, 0.5, b.At(i), 1/c.Rate, c.Name)
					break
				}
			}
		}
	}
}

func BenchmarkStep(b *testing.B) {
	m := New(MarshHen())
	m.Field(true)
	m.Run(30)
	for range 100_000 {
		m.Step()
	}
	b.ReportAllocs()
	for b.Loop() {
		m.Step()
	}
}
