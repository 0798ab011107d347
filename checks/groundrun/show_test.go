package groundrun

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/recording"
	"loomproof/probe"
)

// tones is a recording at 8 kHz in µV with noise and the sines that are asked for.
func tones(t *testing.T, seconds, noise float64, amplitude map[float64]float64) (*recording.Memory, []float64) {
	r := recording.NewMemory(time.Unix(0, 0), recording.Channel{Name: "post", Role: recording.AlternatorVolts, Quantity: probe.Voltage, Scale: 1e-6, Rate: 8000})
	dice := rand.New(rand.NewPCG(3, 4))
	codes, values := make([]int32, int(8000*seconds)), make([]float64, int(8000*seconds))
	for i := range codes {
		v := 14 + noise*dice.NormFloat64()
		for hz, a := range amplitude {
			v += a * math.Sin(2*math.Pi*hz*float64(i)/8000)
		}
		codes[i] = int32(math.Round(v * 1e6))
		values[i] = v
	}
	require.NoError(t, r.Append(0, recording.Block{Step: 1.0 / 8000, Codes: codes}))
	return r, values
}

// A sine in the middle of a bin shows with its own amplitude; one midway between
// two with 1.42 dB less, the Hann window's scalloping loss (F. J. Harris, Proc.
// IEEE 66(1), 1978, table 1).
func TestTheAmplitudeOfATone(t *testing.T) {
	bin := 8000.0 / 2048
	for _, of := range []struct{ bins, lost float64 }{{100, 0}, {417, 0}, {250.5, 1.42}} {
		r, _ := tones(t, 3, 0, map[float64]float64{of.bins * bin: 0.030})
		s, err := SpectrumOf(r, 0, 0, 3)
		require.NoError(t, err)
		require.InDelta(t, bin, s.Bin, 1e-9)
		got := s.Amplitude[int(of.bins)]
		assert.InDelta(t, 0.030*math.Pow(10, -of.lost/20), got, 0.030*0.002)
	}
}

// Parseval's theorem: the power of all lines, less what the window doubles, is the
// variance of the samples.
func TestPowerIsKept(t *testing.T) {
	r, values := tones(t, 20, 0.004, map[float64]float64{351: 0.01, 1407.3: 0.02})
	s, err := SpectrumOf(r, 0, 0, 20)
	require.NoError(t, err)
	power := 0.0
	for _, a := range s.Amplitude {
		power += a * a / 2 / hannBins
	}
	_, sd := meanAndSpread(values)
	assert.InEpsilon(t, sd*sd, power, 0.02)
}

// A short stretch gets a shorter window; one without room for any is told.
func TestSpectraOfShortStretches(t *testing.T) {
	r, _ := tones(t, 1, 0.001, nil)
	s, err := SpectrumOf(r, 0, 0.1, 0.12)
	require.NoError(t, err)
	assert.Equal(t, 1, s.Windows)
	assert.InDelta(t, 128.0/8000, s.Seconds, 1e-12)
	_, err = SpectrumOf(r, 0, 0.1, 0.104)
	require.ErrorIs(t, err, ErrNothing)
	_, err = SpectrumOf(r, 0, 5, 6)
	require.ErrorIs(t, err, ErrNothing)
}

// The electrical frequency that is followed is the engine's speed times the gear,
// at every moment, also while the speed changes.
func TestTheFrequencyIsFollowed(t *testing.T) {
	r := soundRun(t)
	rep := analyse(t, r)
	speed := map[int]float64{}
	channel := -1
	for i, c := range r.Channels() {
		if c.Role == recording.EngineSpeed {
			channel = i
		}
	}
	for b := range r.Blocks(channel, 0, 96) {
		for i, code := range b.Codes {
			speed[int(b.At(i)*10)] = r.Channels()[channel].Value(code)
		}
	}
	require.Greater(t, len(rep.Follow()), 400)
	off := 0
	for _, f := range rep.Follow() {
		v := speed[int(f.At*10)]
		if math.Abs(f.Hz/(v*13.2)-1) > 0.06 { // six pole pairs, ratio 2.2
			off++
		}
	}
	assert.Less(t, float64(off), 0.02*float64(len(rep.Follow())), "of %d", len(rep.Follow()))
}

// The characteristic says what the checks say.
func TestTheCharacteristic(t *testing.T) {
	rep := analyse(t, soundRun(t))
	k := rep.Regulator()
	require.NotNil(t, k)
	for _, c := range rep.Checks {
		switch c.What {
		case "regulator set-point":
			assert.Equal(t, c.Reading, k.SetPoint)
			assert.Equal(t, c.Uncertainty, k.SetPointU)
			assert.Equal(t, *c.Low, k.Low)
		case "slope against load":
			assert.Equal(t, c.Reading, k.Slope)
			assert.Equal(t, c.Uncertainty, k.SlopeU)
		}
	}
	assert.Len(t, k.Holds, 16)
}
