package spectrum_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/recording"
	"loomproof/checks/recording/spectrum"
	"loomproof/probe"
)

const rate = 1000.0

// sine is seconds of 14 V with a ripple of an effective value at a frequency,
// beginning at a time.
func sine(start, seconds, hz, effective float64) recording.Block {
	codes := make([]int32, int(seconds*rate))
	for i := range codes {
		codes[i] = int32(math.Round(14000 + 1000*math.Sqrt2*effective*math.Sin(2*math.Pi*hz*float64(i)/rate)))
	}
	return recording.Block{Start: start, Step: 1 / rate, Codes: codes}
}

func of(t *testing.T, blocks ...recording.Block) *recording.Memory {
	t.Helper()
	m := recording.NewMemory(time.Unix(0, 0), recording.Channel{Name: "bus", Quantity: probe.Voltage, Scale: 0.001, Rate: rate})
	for _, b := range blocks {
		require.NoError(t, m.Append(0, b))
	}
	return m
}

func TestALineShowsItsEffectiveValue(t *testing.T) {
	s, err := spectrum.Of(of(t, sine(0, 10, 360, 0.12)), 0, 0, math.Inf(1))
	require.NoError(t, err)
	assert.InDelta(t, 0.1, s.Step, 1e-9)
	assert.InDelta(t, 0.12, s.RMS[3600], 0.0005)
	assert.Less(t, s.RMS[3500], 0.0005, "nothing elsewhere")
	assert.Less(t, s.RMS[0], 0.0005, "the mean is taken off")
}

// Between two lines, the window's scalloping loss.
func TestBetweenTwoLines(t *testing.T) {
	s, err := spectrum.Of(of(t, sine(0, 10, 360.05, 0.12)), 0, 0, math.Inf(1))
	require.NoError(t, err)
	assert.InDelta(t, 0.12*math.Pow(10, -1.42/20), math.Max(s.RMS[3600], s.RMS[3601]), 0.001)
}

// The noise of a spectrum's lines adds up to the signal's (Parseval), with the
// window's noise bandwidth of 1.5 lines.
func TestPower(t *testing.T) {
	s, err := spectrum.Of(of(t, sine(0, 4, 100, 0.2)), 0, 0, math.Inf(1))
	require.NoError(t, err)
	sum := 0.0
	for _, r := range s.RMS {
		sum += r * r / 1.5
	}
	assert.InEpsilon(t, 0.04, sum, 0.01)
}

func TestAGapIsNotFilledIn(t *testing.T) {
	r := of(t, sine(0, 1, 100, 0.1), sine(1.5, 3, 200, 0.1), sine(4.5, 0.5, 200, 0.1))
	s, err := spectrum.Of(r, 0, 0, math.Inf(1))
	require.NoError(t, err)
	assert.InDelta(t, 1.5, s.From, 1e-9)
	assert.InDelta(t, 5, s.To, 1e-9, "blocks that follow each other are one run")
	assert.InDelta(t, 0.1, s.RMS[int(math.Round(200/s.Step))], 0.001)

	s, err = spectrum.Of(r, 0, 0.25, 1.25)
	require.NoError(t, err)
	assert.InDelta(t, 0.25, s.From, 0.0011)
	assert.InDelta(t, 1, s.To, 0.0011)
}

func TestALongRunIsCutToItsMiddle(t *testing.T) {
	s, err := spectrum.Of(of(t, sine(0, 200, 100, 0.1)), 0, 0, math.Inf(1))
	require.NoError(t, err)
	assert.Len(t, s.RMS, spectrum.Most/2+1)
	assert.InDelta(t, 100, (s.From+s.To)/2, 0.01)
}

func TestTooFew(t *testing.T) {
	_, err := spectrum.Of(of(t, sine(0, 1, 100, 0.1)), 0, 0.5, 0.55)
	require.ErrorIs(t, err, spectrum.ErrFew)
}
