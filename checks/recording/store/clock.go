package store

import (
	"math"

	"loomproof/checks/recording"
)

// A clock ties the ticks of one era to seconds of the host since the start. It
// is fitted by sums, so that it costs the same however long it runs: those of
// Welford's method, which do not lose their digits.
type clock struct {
	Offset float64 `json:"offset_s"` // host's time less the device's at the first tie
	N      int     `json:"n"`        // ties: one for each second
	MeanT  float64 `json:"mean_t"`   // device's time, in seconds
	MeanE  float64 `json:"mean_e"`   // host's time less the device's
	TT     float64 `json:"tt"`       // sums of squares and products about the means
	TE     float64 `json:"te"`
	EE     float64 `json:"ee"`
}

// tieEvery is how much device time one tie stands for, in seconds.
const tieEvery = 1.0

// fewestTies is how many seconds are needed before a drift is believed.
const fewestTies = 3

// A tying clock takes arrivals and lets the earliest of each second count.
type tying struct {
	clock
	begun       bool
	from        float64 // of the second
	t, earliest float64 // its best
}

// arrive says that at a host's time a sample of a device's time was there.
func (c *tying) arrive(t, host float64) {
	e := host - t
	switch {
	case !c.begun:
		c.begun, c.Offset, c.from, c.t, c.earliest = true, e, t, t, e
	case t-c.from >= tieEvery:
		c.add(c.t, c.earliest)
		c.from, c.t, c.earliest = t, t, e
	case e < c.earliest:
		c.t, c.earliest = t, e
	}
	if c.N == 0 {
		c.Offset = min(c.Offset, e)
	}
}

func (c *clock) add(t, e float64) {
	c.N++
	n := float64(c.N)
	dt, de := t-c.MeanT, e-c.MeanE
	c.MeanT += dt / n
	c.MeanE += de / n
	c.TT += dt * (t - c.MeanT)
	c.TE += dt * (e - c.MeanE)
	c.EE += de * (e - c.MeanE)
}

// slope is how much the host's time gains on the device's for each second of it.
func (c clock) slope() float64 {
	if c.N < fewestTies || c.TT <= 0 {
		return 0
	}
	return c.TE / c.TT
}

// host is the host's time of a device's time, both in seconds.
func (c clock) host(t float64) float64 {
	if c.N == 0 {
		return t + c.Offset
	}
	return t + c.MeanE + c.slope()*(t-c.MeanT)
}

// device is the way back.
func (c clock) device(host float64) float64 {
	if c.N == 0 {
		return host - c.Offset
	}
	b := c.slope()
	return (host - c.MeanE + b*c.MeanT) / (1 + b)
}

// told is what a recording says about it.
func (c clock) told(device string) recording.Clock {
	out := recording.Clock{Device: device}
	if c.N < fewestTies || c.TT <= 0 {
		return out
	}
	b := c.slope()
	out.Drift = -b / (1 + b)
	out.Residual = math.Sqrt(max(0, c.EE-c.TE*b) / float64(c.N-2))
	out.DriftU = out.Residual / math.Sqrt(c.TT)
	return out
}
