package charging

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"loomproof/checks/recording"
	"loomproof/probe"
)

// An Action is what a hand in the cockpit does.
type Action struct {
	At     float64 // seconds
	Do     recording.Kind
	Hz     float64 // Started, SpeedSet: engine speed
	Load   string  // LoadIn, LoadOut
	Silent bool    // no marker is set
}

// GroundRun is a short ground run of 96 s: off, crank, idle, alternator on,
// three speeds, loads in and out, the field opened for a moment, shutdown.
func GroundRun() []Action {
	return []Action{
		{At: 3, Do: recording.LoadIn, Load: "standing"},
		{At: 5, Do: recording.LoadIn, Load: "fuel-pump"},
		{At: 8, Do: recording.Crank},
		{At: 10, Do: recording.Started, Hz: 20},
		{At: 15, Do: recording.FieldOn},
		{At: 24, Do: recording.LoadIn, Load: "avionics"},
		{At: 31, Do: recording.SpeedSet, Hz: 30},
		{At: 41, Do: recording.SpeedSet, Hz: 42},
		{At: 49, Do: recording.LoadIn, Load: "landing-light"},
		{At: 55, Do: recording.LoadIn, Load: "position-lights"},
		{At: 61, Do: recording.LoadOut, Load: "landing-light"},
		{At: 67, Do: recording.LoadOut, Load: "position-lights"},
		{At: 73, Do: recording.FieldOff},
		{At: 77, Do: recording.FieldOn},
		{At: 82, Do: recording.SpeedSet, Hz: 20},
		{At: 90, Do: recording.Shutdown},
	}
}

// Do performs an action now.
func (m *Model) Do(a Action) error {
	switch a.Do {
	case recording.Crank:
		m.Crank()
	case recording.Started, recording.SpeedSet:
		m.Run(a.Hz)
	case recording.Shutdown:
		m.Run(0)
	case recording.FieldOff, recording.FieldOn:
		m.Field(a.Do == recording.FieldOn)
	case recording.LoadIn, recording.LoadOut:
		if !m.Switch(a.Load, a.Do == recording.LoadIn) {
			return fmt.Errorf("there is no load %q", a.Load)
		}
	default:
		return fmt.Errorf("nothing is known of %q", a.Do)
	}
	return nil
}

func (a Action) text() string {
	switch {
	case a.Load != "":
		return fmt.Sprintf("%s: %s", a.Do, a.Load)
	case a.Hz > 0:
		return fmt.Sprintf("%s: %.0f rpm", a.Do, a.Hz*60)
	}
	return string(a.Do)
}

// A Tap is a converter's input: what it is joined to, and what it makes of it.
type Tap struct {
	recording.Channel
	Of    func(Now) float64
	Noise float64 // standard deviation of one sample, in the channel's unit

	sums  float64
	count int
	codes []int32
	due   float64
}

// tap is a channel as a 12-bit converter with dividers makes it: each sample the
// mean of the conversions since the one before. Steps and noises are common
// practice.
func tap(name string, role recording.Role, rate, scale, noise float64, of func(Now) float64) Tap {
	return Tap{Of: of, Noise: noise, Channel: recording.Channel{
		Name: name, Role: role, Where: "emulated", Quantity: role.Quantity(), Scale: scale, Rate: rate, Window: 1 / rate,
		Accuracy: probe.Accuracy{OfReading: 0.002, Digits: 1},
	}}
}

const (
	voltStep, voltNoise     = 0.00488, 0.004
	ampereStep, ampereNoise = 0.05, 0.06
)

// Taps are what a node with two shunts records at a rate in hertz: the bus, the
// current into the battery, the current of the alternator.
func Taps(rate float64) []Tap {
	return []Tap{
		tap("bus", recording.BusVolts, rate, voltStep, voltNoise, func(n Now) float64 { return n.Bus }),
		tap("battery current", recording.BatteryCurrent, rate, ampereStep, ampereNoise, func(n Now) float64 { return n.BatteryAmperes }),
		tap("alternator current", recording.AlternatorCurrent, rate, ampereStep, ampereNoise, func(n Now) float64 { return n.AlternatorAmpere }),
	}
}

// Fast is the alternator's post without averaging, which shows the rectifier's
// ripple.
func Fast(rate float64) Tap {
	t := tap("alternator post", recording.AlternatorVolts, rate, voltStep, voltNoise, func(n Now) float64 { return n.AlternatorVolts })
	t.Window = 0
	return t
}

// Speed is the engine's speed, as a tachometer gives it a few times a second.
func Speed(rate float64) Tap {
	return tap("engine speed", recording.EngineSpeed, rate, 1.0/60, 0.02, func(n Now) float64 { return n.EngineHz })
}

// Earth is the engine block against the battery's minus post.
func Earth(rate float64) Tap {
	return tap("engine block", recording.GroundVolts, rate, 0.0002, 0.0003, func(n Now) float64 { return n.GroundVolts })
}

// Temperature is that of the regulator.
func Temperature(rate float64) Tap {
	return tap("regulator", recording.RegulatorCelsius, rate, 0.1, 0.1, func(n Now) float64 { return n.RegulatorCelsius })
}

// Audio is the supply of radio and intercom, without averaging.
func Audio(rate float64) Tap {
	t := tap("audio supply", recording.AudioVolts, rate, voltStep, voltNoise, func(n Now) float64 { return n.AudioVolts })
	t.Window = 0
	return t
}

// Record runs a script and records it. The model begins where it stands.
func (m *Model) Record(script []Action, seconds float64, taps ...Tap) (*recording.Memory, error) {
	const chunk = 8192
	channels := make([]recording.Channel, len(taps))
	for i := range taps {
		channels[i] = taps[i].Channel
		if taps[i].Rate <= 0 || taps[i].Rate*m.dt > 1 {
			return nil, fmt.Errorf("channel %s: %g samples a second of a model with steps of %g s", taps[i].Name, taps[i].Rate, m.dt)
		}
		taps[i].due = 1 / taps[i].Rate
	}
	out := recording.NewMemory(time.Date(2026, 5, 2, 9, 0, 0, 0, time.UTC), channels...)
	r := rand.New(rand.NewPCG(m.c.Seed, 0x5a3))
	script = slices.Clone(script)
	for m.now.Time < seconds {
		for len(script) > 0 && m.now.Time >= script[0].At {
			if err := m.Do(script[0]); err != nil {
				return nil, err
			}
			if !script[0].Silent {
				out.Mark(recording.Marker{At: m.now.Time, Kind: script[0].Do, Text: script[0].text(), By: "emulated pilot"})
			}
			script = script[1:]
		}
		m.Step()
		for i := range taps {
			if err := taps[i].take(m.now, m.dt/2, out, i, r, chunk); err != nil {
				return nil, err
			}
		}
	}
	for i := range taps {
		if err := taps[i].flush(out, i); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// take averages over the window and, when a sample is due, converts it.
func (t *Tap) take(n Now, early float64, out *recording.Memory, channel int, r *rand.Rand, chunk int) error {
	due := n.Time >= t.due-early // to the nearest step, so that a rate that fits the step has no jitter
	if t.Window > 0 || due {
		t.sums += t.Of(n)
		t.count++
	}
	if !due {
		return nil
	}
	value := t.sums/float64(t.count) + t.Noise*r.NormFloat64()
	code := math.Round((value - t.Offset) / t.Scale)
	t.codes = append(t.codes, int32(code))
	t.sums, t.count = 0, 0
	t.due += 1 / t.Rate
	if len(t.codes) == chunk {
		return t.flush(out, channel)
	}
	return nil
}

// flush hands the samples over. A sample's time is the end of its window less
// half of it.
func (t *Tap) flush(out *recording.Memory, channel int) error {
	if len(t.codes) == 0 {
		return nil
	}
	step := 1 / t.Rate
	start := t.due - float64(len(t.codes))*step - t.Window/2
	b := recording.Block{Start: start, Step: step, Codes: t.codes}
	t.codes = nil
	return out.Append(channel, b)
}
