package groundrun

import (
	"bytes"
	"encoding/json"
	"iter"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/mockup/charging"
	"loomproof/checks/recording"
	"loomproof/checks/verdict"
	"loomproof/probe"
)

// full is a ground run with every channel, in steps that spare the gate.
func full(t testing.TB, c charging.Config, script []charging.Action, seconds float64, faults ...charging.Fault) *recording.Memory {
	t.Helper()
	c.Step = 1.0 / 32000
	taps := append(charging.Taps(1000), charging.Fast(8000), charging.Speed(10), charging.Earth(500), charging.Audio(8000))
	r, err := charging.New(c, faults...).Record(script, seconds, taps...)
	require.NoError(t, err)
	return r
}

// sound is the run of a sound aircraft, which many tests look at.
var recordSound = sync.OnceValues(func() (*recording.Memory, error) {
	c := charging.MarshHen()
	c.Step = 1.0 / 32000
	taps := append(charging.Taps(1000), charging.Fast(8000), charging.Speed(10), charging.Earth(500), charging.Audio(8000))
	return charging.New(c).Record(silent(charging.GroundRun()), 96, taps...)
})

func soundRun(t testing.TB) *recording.Memory {
	t.Helper()
	r, err := recordSound()
	require.NoError(t, err)
	return r
}

func analyse(t testing.TB, r recording.Recording) *Report {
	t.Helper()
	rep, err := Analyse(r, Options{BatteryOhms: 0.012})
	require.NoError(t, err)
	return rep
}

// silent takes the markers out of a script.
func silent(script []charging.Action) []charging.Action {
	for i := range script {
		script[i].Silent = true
	}
	return script
}

// only shows the channels of some roles, as if the others had not been recorded.
type only struct {
	recording.Recording
	channels []recording.Channel
}

func with(r recording.Recording, roles ...recording.Role) only {
	o := only{Recording: r}
	for _, c := range r.Channels() {
		keep := false
		for _, role := range roles {
			keep = keep || c.Role == role
		}
		if !keep {
			c.Role = ""
		}
		o.channels = append(o.channels, c)
	}
	return o
}

func (o only) Channels() []recording.Channel { return o.channels }

func check(t testing.TB, r *Report, prefix string) Check {
	t.Helper()
	for _, c := range r.Checks {
		if strings.HasPrefix(c.ID, prefix) {
			return c
		}
	}
	require.Fail(t, "no check", "%s among %d", prefix, len(r.Checks))
	return Check{}
}

func faults(r *Report) (out []Fault) {
	for _, f := range r.Findings {
		out = append(out, f.Fault)
	}
	return out
}

// The parts of a run are found without a marker, by engine speed or by the ripple
// alone, to within the second that a speed takes to settle.
func TestFindsThePartsByItself(t *testing.T) {
	run := soundRun(t)
	want := []struct {
		kind PartKind
		from float64
	}{{Off, 0}, {Cranking, 8}, {Running, 10}, {Idle, 15}, {SpeedChange, 31}, {Steady, 32}, {SpeedChange, 41}, {Steady, 42}, {Running, 73}, {Steady, 77}, {SpeedChange, 82}, {Idle, 84}, {ShutDown, 90}, {Off, 93}}
	for name, r := range map[string]recording.Recording{
		"by engine speed": run,
		"by the ripple":   with(run, recording.BusVolts, recording.BatteryCurrent, recording.AlternatorCurrent, recording.AlternatorVolts),
	} {
		t.Run(name, func(t *testing.T) {
			rep := analyse(t, r)
			parts := rep.Parts
			for i := 1; i < len(parts); i++ {
				assert.Equal(t, parts[i-1].To, parts[i].From, "parts touch")
			}
			k := 0
			for _, w := range want {
				for k < len(parts) && (parts[k].Kind != w.kind || math.Abs(parts[k].From-w.from) > 1.5) {
					assert.Equal(t, SpeedChange, parts[k].Kind, "an unexpected part: %+v", parts[k])
					k++
				}
				require.Less(t, k, len(parts), "%s from %g s", w.kind, w.from)
				k++
			}
			loads := [][2]float64{{24, 6}, {49, 7.2}, {55, 3.6}, {61, -7.2}, {67, -3.6}}
			for _, l := range loads {
				found := false
				for _, s := range rep.Loads {
					found = found || math.Abs(s.At-l[0]) < 0.2 && math.Abs(s.Amperes-l[1]) < 0.6
				}
				assert.True(t, found, "load of %g A at %g s: %+v", l[1], l[0], rep.Loads)
			}
			assert.Empty(t, rep.Findings)
			assert.Equal(t, verdict.Pass, rep.Verdict)
		})
	}
}

// The figures of a run are those that were put into the model.
func TestFiguresAreTheModels(t *testing.T) {
	rep := analyse(t, soundRun(t))
	for _, tt := range []struct {
		id         string
		want, near float64
	}{
		{"resistance-of-the-battery", 0.013, 0.003}, // 10 mΩ at once, 4 mΩ within a second, 3 mΩ of leads
		{"resistance-of-the-main-earth", 0.001, 0.0002},
		{"charge-before-the-start", 0.93, 0.03},
		{"most-current-of-the-crank", 285, 25},
		{"regulator-set-point", 14.1, 0.06},
		{"slope-against-load", -0.0067, 0.002},                 // 2 mV/A of its own, and its band of 0.3 V over some 65 A
		{"lost-between-alternator-and-bus", 0.0035 * 45, 0.05}, // 2.5 mΩ of lead and 1 mΩ of earth
		{"alternator-begins-to-deliver", 15, 0.2},
		{"speed-at-cut-in", 1200, 18}, // rpm
	} {
		c := check(t, rep, tt.id)
		assert.InDelta(t, tt.want, c.Reading, tt.near+c.Uncertainty, tt.id)
	}
	for _, p := range rep.Parts {
		if p.family != nil {
			assert.InEpsilon(t, p.Speed*2.2*6, p.family.hz, 0.01, p.Name)
		}
	}
}

// A regulator whose temperature is recorded has its slope against it told.
func TestSlopeAgainstTemperature(t *testing.T) {
	c := charging.MarshHen()
	c.Step, c.Regulator.Warming, c.Battery.Charge = 100e-6, 60, 0.99
	script := []charging.Action{{At: 1, Do: recording.Started, Hz: 42}, {At: 2, Do: recording.FieldOn}}
	r, err := charging.New(c).Record(script, 120, append(charging.Taps(200), charging.Temperature(1))...)
	require.NoError(t, err)
	got := check(t, analyse(t, r), "slope-against-temperature")
	assert.InDelta(t, -0.006, got.Reading, 0.0015)
}

func TestOtherSystems(t *testing.T) {
	for name, c := range map[string]charging.Config{"28 V": charging.TwentyEight(), "permanent magnet": charging.PermanentMagnet()} {
		t.Run(name, func(t *testing.T) {
			rep := analyse(t, full(t, c, charging.GroundRun(), 96))
			assert.Equal(t, c.Nominal, rep.Nominal)
			assert.NotContains(t, faults(rep), Rectifier)
			assert.NotContains(t, faults(rep), SetPoint)
			check(t, rep, "regulator-set-point")
		})
	}
}

// What is missing is told, and no frame nor spectrum reaches over it.
func TestMissingSamplesAreTold(t *testing.T) {
	run := soundRun(t)
	holed := recording.NewMemory(run.Start(), run.Channels()...)
	for channel := range run.Channels() {
		for b, err := range run.Blocks(channel, math.Inf(-1), math.Inf(1)) {
			require.NoError(t, err)
			if cut := 1000; channel == 0 && b.Start > 50 && b.Start < 60 && len(b.Codes) > 2*cut {
				first := b
				first.Codes = b.Codes[:cut]
				require.NoError(t, holed.Append(channel, first))
				b.Start, b.Codes = b.At(2*cut), b.Codes[2*cut:]
			}
			require.NoError(t, holed.Append(channel, b))
		}
	}
	rep := analyse(t, holed)
	assert.Equal(t, int64(1000), rep.Channels[0].Lost)
	assert.InDelta(t, 1, rep.Channels[0].Missing, 1e-6)
	assert.Contains(t, strings.Join(rep.Untold, "\n"), "Channel bus: 1000 samples (1 s) are missing")
	assert.Empty(t, rep.Findings, "a gap is no fault of the aircraft")
	track, err := reduce(holed, 0, 0, 0.1, 960)
	require.NoError(t, err)
	broken := 0
	for i := range track.frames {
		if !track.whole(i) {
			broken++
		}
	}
	assert.InDelta(t, 11, broken, 1)
}

func TestCodesAtTheConvertersEndsAreTold(t *testing.T) {
	m := recording.NewMemory(time.Unix(0, 0), recording.Channel{Name: "bus", Role: recording.BusVolts, Quantity: probe.Voltage, Scale: 0.02, Low: 0, High: 700, Rate: 100})
	codes := make([]int32, 1000)
	for i := range codes {
		codes[i] = 640
	}
	codes[500] = 700
	require.NoError(t, m.Append(0, recording.Block{Step: 0.01, Codes: codes}))
	rep := analyse(t, m)
	assert.Equal(t, int64(1), rep.Channels[0].AtEnds)
	assert.Contains(t, strings.Join(rep.Untold, "\n"), "end of the converter's range")
	assert.Equal(t, verdict.Pass, verdict.Worst(verdict.Pass))
}

// A slow log of the bus alone gets an answer, and is told what it lacks.
func TestLittleIsSaidOfLittle(t *testing.T) {
	run := soundRun(t)
	rep := analyse(t, with(run, recording.BusVolts))
	said := strings.Join(rep.Untold, "\n")
	for _, want := range []string{"needs the battery's current", "Diodes and phases", "main earth", "Loads in and out"} {
		assert.Contains(t, said, want)
	}
	assert.Empty(t, rep.Findings)
	_, err := Analyse(with(run, recording.BatteryCurrent), Options{})
	assert.ErrorIs(t, err, ErrNothing)
	_, err = Analyse(with(run), Options{})
	assert.ErrorContains(t, err, `give at least one the role "bus voltage"`)
	_, err = Analyse(run, Options{Nominal: 24})
	assert.ErrorContains(t, err, "14 V and 28 V")
}

// A charged battery holds the bus up when the alternator stops giving: the bus
// falls as fast as for a starter, and still that is no crank.
func TestAStoppedAlternatorIsNoCrank(t *testing.T) {
	rep := analyse(t, bus(t, 60, func(t float64) float64 {
		switch {
		case t < 5:
			return 12.6
		case t < 8:
			return 10.4
		case t < 45:
			return 14.1
		}
		return 12.9
	}))
	cranks := 0
	for _, p := range rep.Parts {
		if p.Kind == Cranking {
			cranks++
			assert.InDelta(t, 5, p.From, 1)
		}
	}
	assert.Equal(t, 1, cranks, "%+v", rep.Parts)
}

// failing fails while it is read.
type failing struct{ recording.Recording }

func (f failing) Blocks(int, float64, float64) iter.Seq2[recording.Block, error] {
	return func(yield func(recording.Block, error) bool) { yield(recording.Block{}, assert.AnError) }
}

func TestAnErrorOfTheStoreIsPassedOn(t *testing.T) {
	_, err := Analyse(failing{full(t, charging.MarshHen(), nil, 1)}, Options{})
	assert.ErrorIs(t, err, assert.AnError)
}

// Lines of 80 columns at most, one JSON object, and no NaN in it.
func TestReportPrints(t *testing.T) {
	rep := analyse(t, full(t, charging.MarshHen(), charging.GroundRun(), 96, charging.Fault{Kind: charging.OpenDiode, Size: math.Inf(1)}))
	var text, object bytes.Buffer
	require.NoError(t, rep.Text(&text))
	for _, line := range strings.Split(text.String(), "\n") {
		assert.LessOrEqual(t, utf8.RuneCountInString(line), 80, line)
	}
	assert.Contains(t, strings.Join(strings.Fields(text.String()), " "), "one of its six diodes is open, shorted or badly joined")
	assert.Contains(t, text.String(), "Verdict: FAIL")
	require.NoError(t, rep.JSON(&object))
	var back map[string]any
	require.NoError(t, json.Unmarshal(object.Bytes(), &back))
	assert.Equal(t, "fail", back["verdict"])
}

func TestWrapKeepsColumns(t *testing.T) {
	long := "p1    " + strings.Repeat("word ", 30)
	for _, line := range strings.Split(wrap(long, "  ", "      "), "\n") {
		assert.LessOrEqual(t, len(line), 80)
	}
	assert.True(t, strings.HasPrefix(wrap(long, "  ", ""), "  p1    word"))
}

// The published points, and what lies between them.
func TestChargeOfRestedVoltage(t *testing.T) {
	for volts, want := range map[float64]float64{9: 0, 10.5: 0, 11.75: 0.25, 12.2: 0.5, 12.55: 0.75, 12.8: 1, 13.4: 1, 12.675: 0.875} {
		got, slope := chargeOf(volts)
		assert.InDelta(t, want, got, 1e-9, "%g V", volts)
		assert.Positive(t, slope)
	}
}

func TestEnvelopes(t *testing.T) {
	assert.Equal(t, 50.0, upperEnvelope.at(0.01))
	assert.InDelta(t, 39.5, upperEnvelope.at(0.0475), 1e-9)
	assert.Equal(t, 29.0, upperEnvelope.at(1))
	assert.Equal(t, 9.0, lowerEnvelope.by(0.5).at(0))
	assert.Equal(t, 11.0, lowerEnvelope.by(0.5).at(0.2))
}

// bus is a recording of a bus alone at 1000 samples a second, with the engine
// running: a voltage as a function of time and a little ripple.
func bus(t *testing.T, seconds float64, volts func(t float64) float64) *recording.Memory {
	t.Helper()
	m := recording.NewMemory(time.Unix(0, 0), recording.Channel{Name: "bus", Role: recording.BusVolts, Quantity: probe.Voltage, Scale: 0.001, Rate: 1000, Accuracy: probe.Accuracy{OfReading: 0.001}})
	codes := make([]int32, int(seconds*1000))
	for i := range codes {
		x := float64(i) / 1000
		codes[i] = int32(math.Round(1000 * (volts(x) + 0.02*math.Sin(2*math.Pi*150*x))))
	}
	require.NoError(t, m.Append(0, recording.Block{Step: 0.001, Codes: codes}))
	return m
}

// A surge within the envelope passes; as high and longer, it does not.
func TestSurgesAreHeldAgainstTheEnvelope(t *testing.T) {
	surge := func(volts, seconds float64) Check {
		return check(t, analyse(t, bus(t, 20, func(t float64) float64 {
			if t > 10 && t < 10+seconds {
				return volts
			}
			return 14.1
		})), "room-left-under-the-upper-envelope")
	}
	assert.Equal(t, verdict.Pass, surge(22, 0.010).Verdict, "22 V for 10 ms: half of 44 V")
	assert.Equal(t, verdict.Fail, surge(22, 0.060).Verdict, "at 60 ms no more than half of 36 V is allowed")
	assert.Equal(t, verdict.Pass, surge(16, 0.050).Verdict)
	long := surge(16, 0.5)
	assert.Equal(t, verdict.Fail, long.Verdict)
	assert.InDelta(t, -1.5, long.Reading, 0.05)
	assert.Contains(t, long.Rule, "memory", "a limit that was not read says so")
}

// A swing of the set-point is found with its frequency and depth; a strobe, which
// takes its current from the battery, is not called hunting.
func TestHuntingAndStrobes(t *testing.T) {
	rep := analyse(t, bus(t, 30, func(t float64) float64 { return 14.1 + 0.3*math.Sin(2*math.Pi*2.5*t) }))
	c := check(t, rep, "slow-swing")
	assert.InDelta(t, 0.6, c.Reading, 0.03)
	assert.Contains(t, c.Note, "2.5 Hz")
	assert.Contains(t, faults(rep), Hunts)

	script := append(charging.GroundRun(), charging.Action{})
	copy(script[7:], script[6:])
	script[6] = charging.Action{At: 24.5, Do: recording.LoadIn, Load: "strobe"}
	assert.NotContains(t, faults(analyse(t, full(t, charging.MarshHen(), script, 96))), Hunts)
}

// At 4000 samples a second the ripple of a fast alternator comes folded, and lower
// for a higher speed: idle goes by the markers then, else it is the first speed
// after the start; and no frequency is given out as the alternator's.
func TestAFoldedRippleOrdersNothing(t *testing.T) {
	folded := func(words ...string) *recording.Memory {
		m := recording.NewMemory(time.Unix(0, 0), recording.Channel{Name: "bus", Role: recording.BusVolts, Quantity: probe.Voltage, Scale: 0.001, Rate: 4000, Accuracy: probe.Accuracy{OfReading: 0.001}})
		hz, phase := []float64{1580, 2200, 3328}, 0.0 // at idle, half way, in flight
		codes := make([]int32, 60*4000)
		for i := range codes {
			phase += 2 * math.Pi * hz[i/(20*4000)] / 4000
			codes[i] = int32(math.Round(1000 * (14.1 + 0.05*math.Sin(phase))))
		}
		require.NoError(t, m.Append(0, recording.Block{Step: 1.0 / 4000, Codes: codes}))
		for i, w := range words {
			m.Mark(recording.Marker{At: 20 * float64(i), Kind: recording.SpeedSet, Text: w})
		}
		return m
	}
	for _, words := range [][]string{nil, {"idle", "half way between idle and flight", "flight"}} {
		rep := analyse(t, folded(words...))
		var kinds []PartKind
		for _, p := range rep.Parts {
			if p.Kind.steady() {
				kinds = append(kinds, p.Kind)
			}
		}
		assert.Equal(t, []PartKind{Idle, Steady, Steady}, kinds, "%v", words)
		assert.Empty(t, rep.Follow())
	}
}

// Noise alone brings no line, no part and no fault.
func TestNoiseIsNothing(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	rep := analyse(t, bus(t, 60, func(float64) float64 { return 12.6 + 0.05*r.NormFloat64() }))
	assert.Empty(t, rep.Findings)
	for _, p := range rep.Parts {
		assert.Nil(t, p.family, "%+v", p)
	}
}
