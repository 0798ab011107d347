package airframe_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/scripts"
)

func marshHen(t testing.TB) *design.Design {
	t.Helper()
	text, ok := scripts.Design("marsh-hen")
	require.True(t, ok)
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	return d
}

var bareLooms = airframe.State{Unplugged: true}

// A way is the sum of its parts, worked out here by hand.
func TestOhmsOfAWayIsTheSumOfItsParts(t *testing.T) {
	m := airframe.New(marshHen(t))
	sum := m.Part(airframe.WireRun, "radio/1").Ohms.Usual + m.Part(airframe.Contact, "J2.1").Ohms.Usual + m.Part(airframe.WireRun, "radio/2").Ohms.Usual
	got, err := m.Ohms(bareLooms, "radio.breaker", "radio.load+")
	require.NoError(t, err)
	assert.InDelta(t, sum, got, 1e-9)
	most, err := m.MostOhms(bareLooms, "radio.breaker", "radio.load+")
	require.NoError(t, err)
	assert.Greater(t, most, got)

	// Two grounds: their bonds in series. The bench supply is not clipped on.
	got, err = m.Ohms(bareLooms, "G3", "G5")
	require.NoError(t, err)
	assert.InDelta(t, 0.6e-3, got, 1e-9)
}

func TestOhmsKnowsWhatStandsOpen(t *testing.T) {
	m := airframe.New(marshHen(t))
	ohms := func(s airframe.State, red, black string, joined ...string) float64 {
		t.Helper()
		r, err := m.Ohms(s, red, black, joined...)
		require.NoError(t, err)
		return r
	}
	assert.True(t, math.IsInf(ohms(bareLooms, "main", "radio.breaker"), 1), "breakers and switches open")
	assert.True(t, math.IsInf(ohms(bareLooms, "radio.load+", "radio.load-"), 1), "no unit on the plug")
	assert.True(t, math.IsInf(ohms(bareLooms, "radio.breaker", ""), 1))
	plugged := ohms(airframe.State{}, "trim.switch.out", "G6")
	assert.InDelta(t, 14/2.2, plugged, 0.1, "through the load, which is 2.2 A at 14 V")
	closed := airframe.State{Unplugged: true, Closed: map[string]bool{"gps": true, "attitude": true}}
	assert.Less(t, ohms(closed, "gps.load+", "attitude.load+"), 1.0, "over two closed breakers")
	_, err := m.Ohms(bareLooms, "nowhere", "main")
	assert.ErrorContains(t, err, "nowhere")
}

func TestOhmsWithFaults(t *testing.T) {
	fault := func(f airframe.Fault) *airframe.Model {
		m := airframe.New(marshHen(t))
		require.NoError(t, m.Break(f))
		return m
	}
	ohms := func(m *airframe.Model, red, black string, joined ...string) float64 {
		r, err := m.Ohms(bareLooms, red, black, joined...)
		require.NoError(t, err)
		return r
	}
	swapped := fault(airframe.Fault{Kind: airframe.SwappedPins, At: "J2.1", Other: "J2.2"})
	assert.True(t, math.IsInf(ohms(swapped, "radio.breaker", "radio.load+"), 1))
	assert.Less(t, ohms(swapped, "radio.breaker", "transponder.load+"), 0.1)

	bridged := fault(airframe.Fault{Kind: airframe.Bridge, At: "gps.load+", Other: "attitude.load+", Size: 0.05})
	assert.InDelta(t, 0.05, ohms(bridged, "gps.load+", "radio.load+", "attitude.load+"), 0.002, "against others tied together")
	assert.True(t, math.IsInf(ohms(bridged, "gps.load+", "radio.load+"), 1))

	leaky := fault(airframe.Fault{Kind: airframe.ShortToAirframe, At: "strobe.load+", Size: 20e3})
	assert.InDelta(t, 20e3, ohms(leaky, "strobe.switch.out", ""), 1)

	stuck := fault(airframe.Fault{Kind: airframe.StuckClosed, At: "strobe"})
	assert.Less(t, ohms(stuck, "strobe.switch.in", "strobe.switch.out"), 0.1)

	dead := fault(airframe.Fault{Kind: airframe.StuckOpen, At: "strobe"})
	r, err := dead.Ohms(airframe.State{On: map[string]bool{"strobe": true}}, "strobe.switch.in", "strobe.switch.out")
	require.NoError(t, err)
	assert.True(t, math.IsInf(r, 1))

	lead := fault(airframe.Fault{Kind: airframe.OpenCircuit, At: "vhf-antenna.centre"})
	assert.InDelta(t, 1e9, ohms(lead, "vhf-antenna.centre", "vhf-antenna.far-centre"), 1e7)
	shorted := fault(airframe.Fault{Kind: airframe.Bridge, At: "vhf-antenna.centre", Other: "vhf-antenna.shield", Size: 0.1})
	assert.InDelta(t, 0.1, ohms(shorted, "vhf-antenna.centre", "vhf-antenna.shield"), 1e-9)
	loose := fault(airframe.Fault{Kind: airframe.BadGround, At: "vhf-antenna.base", Size: 0.5})
	assert.InDelta(t, 0.5, ohms(loose, "vhf-antenna.base", ""), 0.001)
	sender := fault(airframe.Fault{Kind: airframe.WrongSender, At: "oil-temperature", Size: 0.5})
	assert.InDelta(t, 6244, ohms(sender, "oil-temperature.signal", "G2"), 60, "half of 12490 Ω at 20 °C")
}

func TestFaultsOfSourcesAndLoads(t *testing.T) {
	d := marshHen(t)
	on := airframe.AllOn(d, "battery")
	volts := func(faults ...airframe.Fault) float64 {
		m := airframe.New(d)
		for _, f := range faults {
			require.NoError(t, m.Break(f))
		}
		m.Set(on)
		v, err := m.Volts("main", "battery-")
		require.NoError(t, err)
		return v
	}
	sound := volts()
	assert.Less(t, volts(airframe.Fault{Kind: airframe.WeakBattery, At: "battery", Size: 0.02}), sound-0.3)
	assert.InDelta(t, sound-0.5, volts(airframe.Fault{Kind: airframe.WrongVoltage, At: "battery", Size: -0.5}), 0.05)
	assert.Less(t, volts(airframe.Fault{Kind: airframe.WrongDraw, At: "landing-light", Size: 2}), sound)
	for _, f := range []airframe.Fault{
		{Kind: airframe.WeakBattery, At: "nowhere"},
		{Kind: airframe.WrongDraw, At: "master"},
		{Kind: airframe.Bridge, At: "main", Other: "nowhere"},
		{Kind: airframe.StuckOpen, At: "gps"},
		{Kind: airframe.WrongSender, At: "gps"},
		{Kind: airframe.SwappedPins, At: "J2.1", Other: "J2.12"},
	} {
		assert.Error(t, airframe.New(d).Break(f), "%v", f)
	}
}
