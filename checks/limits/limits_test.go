package limits_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/design"
	"loomproof/checks/limits"
	"loomproof/scripts"
)

func marshHen(t *testing.T) *design.Design {
	t.Helper()
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	return d
}

func TestTheTighterLimitIsNamed(t *testing.T) {
	d := marshHen(t)
	l := limits.New(d)
	on := airframe.AllOn(d, "supply")

	drop, err := l.Drop(on, "transponder.breaker", "J2.2")
	require.NoError(t, err)
	assert.Equal(t, "sound wire, joints and loads of this design", drop.Limit.High.Rule.String(), "far tighter than half a volt")
	assert.Nil(t, drop.Limit.Low)

	feeder, err := l.FeederDrop(on, "battery+", "main")
	require.NoError(t, err)
	assert.Less(t, feeder.Design, feeder.Limit.High.At)

	// The whole way from the battery to the avionics bus may lose 2 % of 14 V.
	whole, err := l.FeederDrop(on, "battery+", "avionics")
	require.NoError(t, err)
	assert.InDelta(t, 0.28, whole.Limit.High.At, 0.08)

	// A design that draws more than its breaker: the rating is the limit.
	d.Circuit("gps").Breaker.Rating = 0.5
	before := on.Clone()
	before.Closed["gps"] = false
	current, err := limits.New(d).StepCurrent(before, on, "supply", "gps")
	require.NoError(t, err)
	assert.Equal(t, "AC 43.13-1B 11-48: protector rating", current.Limit.High.Rule.String())
	assert.InDelta(t, 0.5, current.Limit.High.At, 0.02, "less what the others give up")
}

func TestCeilingIsAboveSoundLoads(t *testing.T) {
	d := marshHen(t)
	l := limits.New(d)
	on := airframe.AllOn(d, "supply")
	total, err := l.Total(on, "supply")
	require.NoError(t, err)
	ceiling, err := l.Ceiling(on, "supply")
	require.NoError(t, err)
	assert.Greater(t, ceiling, total.Limit.High.At)
}

func TestUnknownNamesAreErrors(t *testing.T) {
	l := limits.New(marshHen(t))
	_, err := l.LoadVolts(airframe.State{}, "radar", "battery-")
	assert.ErrorContains(t, err, "radar")
	_, err = l.ProtectorDrop(airframe.State{}, "master")
	assert.ErrorContains(t, err, "master")
}

func TestLimitsWithThePowerOff(t *testing.T) {
	l := limits.New(marshHen(t))
	bare := airframe.State{Unplugged: true}
	through, err := l.Continuity(bare, "radio.breaker", "radio.load+")
	require.NoError(t, err)
	assert.Greater(t, through.Limit.High.At, through.Design+0.2)
	assert.Less(t, through.Limit.High.At, 0.3)
	apart, err := l.Apart(bare, "radio.breaker", "battery-")
	require.NoError(t, err)
	assert.Equal(t, 100e3, apart.Limit.Low.At)
	assert.Equal(t, limits.Open, apart.Design)
	coil, err := l.Apart(airframe.State{}, "trim.switch.out", "battery-")
	require.NoError(t, err)
	assert.InDelta(t, coil.Design/2, coil.Limit.Low.At, 1e-9, "the design has a way there")
	_, err = l.Continuity(bare, "radar", "main")
	assert.ErrorContains(t, err, "radar")
}

func TestSenderLimits(t *testing.T) {
	d := marshHen(t)
	oil := d.Senders[0]
	e := limits.Sender(oil, 20, 2)
	assert.InEpsilon(t, 12490, e.Design, 0.01, "a second maker's 10 kΩ sensor has 12 490 Ω at 20 °C")
	assert.InEpsilon(t, oil.At(22)*0.95, e.Limit.Low.At, 1e-9)
	assert.InEpsilon(t, oil.At(18)*1.05, e.Limit.High.At, 1e-9)
}
