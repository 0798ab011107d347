package probe

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// JCGM 100:2008 (GUM) H.3: the correction of a thermometer by a line, with its
// covariance. At 30 °C the GUM gives b = -0.1494 °C, u = 0.0041 °C. The line there
// is for the correction at t - 20; here true = t + y1 + y2 (t - 20).
func TestACalibrationAsTheGUMHasIt(t *testing.T) {
	const y1, y2, u1, u2, r = -0.171203790, 0.00218269774, 0.002877598, 0.000667938773, -0.930429603
	// The offset at t = 0 is y1 - 20 y2; its variance and covariance with the gain
	// follow (GUM, 5.2.2).
	u0 := math.Sqrt(u1*u1 + 400*u2*u2 - 2*20*r*u1*u2)
	c := Calibration{
		Channel: "temperature", Gain: 1 + y2, Offset: y1 - 20*y2, GainU: u2, OffsetU: u0,
		Correlation: (r*u1*u2 - 20*u2*u2) / (u0 * u2), Low: 21, High: 31,
	}
	got := c.Apply(Reading{Value: 30, Channel: "temperature", Accuracy: Accuracy{OfReading: 0.01}})
	assert.InDelta(t, 30-0.149376813, got.Value, 1e-8)
	assert.InDelta(t, 0.004138596, got.Correction.Uncertainty, 1e-8)
	assert.InDelta(t, 0.004138596, got.Uncertainty(), 1e-8, "no drift was stated")
	assert.Equal(t, 30.0, got.Correction.Raw)
}

func TestWhereACalibrationHolds(t *testing.T) {
	c := Calibration{Channel: "voltage", Gain: 2, Low: 0, High: 20, FullScale: 20, GainU: 0.001, Residual: 0.01, Drift: Accuracy{OfReading: 0.002, Digits: 1}}
	r := Reading{Value: 10, Channel: "voltage", FullScale: 20, Digit: 0.001, Accuracy: Accuracy{OfReading: 0.01}}
	got := c.Apply(r)
	assert.Equal(t, 20.0, got.Value)
	assert.Equal(t, c.Drift, got.Accuracy)
	assert.InDelta(t, math.Sqrt(0.01*0.01+0.01*0.01), got.Correction.Uncertainty, 1e-12)

	r.Accuracy = Accuracy{OfReading: 0.0001}
	assert.Equal(t, r.Accuracy, c.Apply(r).Accuracy, "a better line than the drift stays")
	for name, other := range map[string]Reading{
		"another channel": {Value: 10, Channel: "current", FullScale: 20},
		"another range":   {Value: 10, Channel: "voltage", FullScale: 200},
		"far above":       {Value: 21.1, Channel: "voltage", FullScale: 20},
		"far below":       {Value: -1.1, Channel: "voltage", FullScale: 20},
	} {
		assert.Equal(t, other, c.Apply(other), name)
	}
	noise := c.Apply(Reading{Value: -0.01, Channel: "voltage", FullScale: 20})
	assert.NotNil(t, noise.Correction, "noise about zero")
}
