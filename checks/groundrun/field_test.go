package groundrun

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/mockup/charging"
	"loomproof/checks/recording"
	"loomproof/checks/verdict"
	"loomproof/probe"
)

// level is a channel of 20 samples a second whose value depends on the time.
type level struct {
	name  string
	role  recording.Role
	value func(t float64) float64
}

func drawn(t *testing.T, seconds float64, levels ...level) *recording.Memory {
	var channels []recording.Channel
	for _, l := range levels {
		channels = append(channels, recording.Channel{Name: l.name, Role: l.role, Quantity: l.role.Quantity(), Scale: 0.001, Rate: 20, Accuracy: probe.Accuracy{OfReading: 0.002}})
	}
	r := recording.NewMemory(time.Unix(0, 0), channels...)
	for i, l := range levels {
		b := recording.Block{Step: 0.05, Codes: make([]int32, int(seconds*20))}
		for k := range b.Codes {
			b.Codes[k] = int32(1000 * l.value(b.At(k)))
		}
		require.NoError(t, r.Append(i, b))
	}
	return r
}

// between is inside from 20 s to 30 s, when the field is open, and outside before
// and after.
func between(outside, inside float64) func(float64) float64 {
	return func(t float64) float64 {
		if t >= 20 && t < 30 {
			return inside
		}
		return outside
	}
}

func TestTheFieldIsOpened(t *testing.T) {
	for name, of := range map[string]struct {
		still   float64 // that the alternator gives
		marker  bool
		verdict verdict.Word
	}{
		"it lets go":                    {0, true, verdict.Pass},
		"told by the field's voltage":   {0, false, verdict.Pass},
		"it goes on":                    {12, true, verdict.Fail},
		"it goes on, by the field's":    {12, false, verdict.Fail},
		"a little, within what is sure": {0.999, true, verdict.Undecided},
	} {
		t.Run(name, func(t *testing.T) {
			r := drawn(t, 40,
				level{"bus", recording.BusVolts, between(14.1, 12.6)},
				level{"battery", recording.BatteryCurrent, between(6, -9+of.still)},
				level{"alternator", recording.AlternatorCurrent, between(15, of.still)},
				level{"field", recording.FieldVolts, between(6, 0)})
			if of.marker {
				r.Mark(recording.Marker{At: 20, Kind: recording.FieldOff})
				r.Mark(recording.Marker{At: 30, Kind: recording.FieldOn})
			}
			rep, err := Analyse(r, Options{})
			require.NoError(t, err)
			c := rep.told("alternator current with its field open")
			require.NotNil(t, c)
			assert.Equal(t, of.verdict, c.Verdict, "%+v", c)
			assert.InDelta(t, of.still, c.Reading, 0.01)
			assert.InDelta(t, 12.6, rep.told("bus voltage with the field open").Reading, 0.01)
			assert.InDelta(t, 0.1, rep.told("bus falls below 13 V after the field is opened in").Reading, 0.11)
			found := 0
			for _, f := range rep.Findings {
				if f.Fault == FieldStays {
					found++
				}
			}
			assert.Equal(t, of.verdict == verdict.Fail, found == 1)
		})
	}
}

// The emulated alternator lets go; without an opening, or with one too short, it
// is said what would tell it.
func TestTheEmulatedField(t *testing.T) {
	c := charging.MarshHen()
	c.Step = 100e-6
	r, err := charging.New(c).Record([]charging.Action{
		{At: 1, Do: recording.LoadIn, Load: "standing"},
		{At: 2, Do: recording.Crank},
		{At: 3, Do: recording.Started, Hz: 30},
		{At: 5, Do: recording.FieldOn},
		{At: 15, Do: recording.FieldOff},
		{At: 19, Do: recording.FieldOn},
	}, 22, charging.Taps(200)...)
	require.NoError(t, err)
	rep := analyse(t, r)
	got := rep.told("alternator current with its field open")
	require.NotNil(t, got)
	assert.Equal(t, verdict.Pass, got.Verdict)
	assert.Contains(t, strings.Join(rep.Untold, "\n"), "the bus stayed above 13 V for the 4.0 s")

	r = drawn(t, 40, level{"bus", recording.BusVolts, between(14.1, 14.1)}, level{"alternator", recording.AlternatorCurrent, between(15, 15)})
	r.Mark(recording.Marker{At: 20, Kind: recording.FieldOff})
	r.Mark(recording.Marker{At: 21, Kind: recording.FieldOn})
	rep, err = Analyse(r, Options{})
	require.NoError(t, err)
	assert.Nil(t, rep.told("alternator current with its field open"))
	assert.Contains(t, strings.Join(rep.Untold, "\n"), "Whether the alternator lets go")
}

func TestAChargedBattery(t *testing.T) {
	for name, of := range map[string]struct {
		volts, amperes, capacity float64
		verdict                  verdict.Word
		untold                   string
	}{
		"charged and held":    {14.1, 0.2, 18, verdict.Pass, ""},
		"charged and boiled":  {14.9, 0.2, 18, verdict.Fail, ""},
		"not charged":         {14.1, 6, 18, "", "33.3 % of its capacity"},
		"capacity not known":  {14.1, 0.2, 0, "", "needs its capacity"},
		"discharged, instead": {14.1, -3, 18, "", "Run on"},
	} {
		t.Run(name, func(t *testing.T) {
			r := drawn(t, 40,
				level{"bus", recording.BusVolts, between(of.volts, of.volts)},
				level{"battery", recording.BatteryCurrent, between(of.amperes, of.amperes)},
				level{"alternator", recording.AlternatorCurrent, between(15, 15)})
			rep, err := Analyse(r, Options{BatteryAmpereHours: of.capacity})
			require.NoError(t, err)
			c := rep.told("voltage with the battery charged")
			if of.verdict == "" {
				assert.Nil(t, c)
				assert.Contains(t, strings.Join(rep.Untold, "\n"), of.untold)
				return
			}
			require.NotNil(t, c)
			assert.Equal(t, of.verdict, c.Verdict)
		})
	}
}
