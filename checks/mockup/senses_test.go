package mockup

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/compass"
	"loomproof/checks/design"
	"loomproof/scripts"
)

func marshHen(t *testing.T, planted string) *Mockup {
	t.Helper()
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	p, ok := Find(planted)
	require.True(t, ok || planted == "", planted)
	m, err := New(d, p.Faults(), 0)
	require.NoError(t, err)
	p.Plant(m)
	return m
}

// Everything that can be planted can be put into the aircraft, has a name of its
// own, words, and a place where it is rightly found.
func TestEverythingCanBePlanted(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range Everything() {
		assert.False(t, seen[p.Name], p.Name)
		seen[p.Name] = true
		m := marshHen(t, p.Name)
		assert.NotEmpty(t, p.String(), p.Name)
		assert.Equal(t, p.String(), m.Faults())
		assert.NotEmpty(t, p.Places, p.Name)
		assert.NotEqual(t, p.Fault.Kind == "", p.Quirk.What == "", "%s is one of the two", p.Name)
	}
	assert.Equal(t, "nothing", marshHen(t, "").Faults())
}

func TestOhmmeterSeesTheLoomsOnlyWithThePowerOff(t *testing.T) {
	m := marshHen(t, "")
	m.Place("radio.breaker", "J2.1")
	ohms, touching := m.MeterOhms()
	assert.True(t, touching)
	assert.InDelta(t, 0.02, ohms, 0.02)
	m.Move("unplug", "")
	m.Place("radio.breaker", "", "gps.breaker", "attitude.breaker")
	_, touching = m.MeterOhms()
	assert.False(t, touching, "apart from airframe and comb")
	m.Move("feed", "battery")
	m.Place("radio.breaker", "J2.1")
	_, touching = m.MeterOhms()
	assert.False(t, touching, "a live wire gives no ohms")
	m.Move("unfeed", "battery")
	m.Lift()
	_, touching = m.MeterOhms()
	assert.False(t, touching)
	_, touching = m.MeterVolts()
	assert.False(t, touching)
}

// The battery under charge stands below what charges it, and takes some amperes.
func TestAlternatorChargesTheBattery(t *testing.T) {
	m := marshHen(t, "")
	m.Move("feed", "battery")
	s, err := airframe.Named(m.design, "essential", "battery")
	require.NoError(t, err)
	m.restore(s)
	rest := m.Volts("main", "battery-")
	assert.Less(t, m.Number("charge current", "battery"), 0.0, "it gives")
	m.Move("feed", "alternator")
	assert.Greater(t, m.Volts("main", "battery-"), rest+1)
	assert.Greater(t, m.Number("charge current", "battery"), 0.0)
	assert.Less(t, m.Number("charge current", "battery"), 20.0)
	m.Move("unfeed", "alternator")
	assert.InDelta(t, rest, m.Volts("main", "battery-"), 1e-9)
}

// What the compass shows, put back into the sums, gives what was put in: the pull
// of a load shows only with the load on.
func TestCompassIsPulledByTheLoad(t *testing.T) {
	m := marshHen(t, "compass-pull")
	m.Move("feed", "battery")
	fitted := func() *compass.Fit {
		var seen []compass.Sighting
		for _, h := range []string{"000", "045", "090", "135", "180", "225", "270", "315"} {
			seen = append(seen, compass.Sighting{Magnetic: m.Number("magnetic heading", h), Compass: m.Number("compass heading", h)})
		}
		f, err := compass.Solve(seen, 0.5)
		require.NoError(t, err)
		return f
	}
	off := fitted()
	assert.InDelta(t, residual.B, off.B, 0.5)
	s, err := airframe.Named(m.design, "all-on", "battery")
	require.NoError(t, err)
	m.restore(s)
	on := fitted()
	assert.InDelta(t, 0.8*9, on.B-off.B, 0.5)
	assert.InDelta(t, 0.6*9, on.C-off.C, 0.5)
}

func TestEyesEarsAndPlates(t *testing.T) {
	m := marshHen(t, "strobe-noise")
	assert.True(t, m.Sound("noise", "strobe"), "nothing is on")
	m.Move("feed", "battery")
	s, err := airframe.Named(m.design, "all-on", "battery")
	require.NoError(t, err)
	m.restore(s)
	assert.False(t, m.Sound("noise", "strobe"))
	assert.InDelta(t, 40e-3, m.Number("noise", "strobe"), 1e-3)

	m = marshHen(t, "locator-battery-past")
	assert.True(t, m.Date("replace by", "locator").Before(time.Now()))
	assert.True(t, m.Date("inspected", "locator").Before(time.Now()))
	assert.True(t, marshHen(t, "").Date("replace by", "locator").After(time.Now()))
	assert.False(t, marshHen(t, "locator-guard-missing").Sound("guard", "locator"))
	m = marshHen(t, "poor-insulation")
	m.Move("unplug", "")
	assert.InDelta(t, 2e6, m.Number("insulation", "landing-light.load+"), 1)
	assert.InDelta(t, 8.3e-3, marshHen(t, "loose-ground").Number("bond", "G5"), 1e-4)
	assert.Equal(t, goodInsulation, m.Number("insulation", "gps.load+"))
	assert.Equal(t, 20.0, m.Number("ambient temperature", "aircraft"))
}
