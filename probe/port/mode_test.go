package port

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestParseMode(t *testing.T) {
	for _, c := range []struct {
		text string
		want Mode
	}{
		{"9600", Mode{9600, 8, NoParity, OneStopBit}},
		{" 9600 8N1 ", Mode{9600, 8, NoParity, OneStopBit}},
		{"19200-7e2", Mode{19200, 7, EvenParity, TwoStopBits}},
		{"1000000 8O1", Mode{1000000, 8, OddParity, OneStopBit}},
		{"300 5M1.5", Mode{300, 5, MarkParity, OneAndHalfStopBits}},
		{"2400 6S1", Mode{2400, 6, SpaceParity, OneStopBit}},
	} {
		got, err := ParseMode(c.text)
		require.NoError(t, err, c.text)
		assert.Equal(t, c.want, got, c.text)
	}
}

func TestParseModeSaysWhatIsWrong(t *testing.T) {
	for text, want := range map[string]string{
		"":               `mode "": the speed is not a whole number; write it like 9600 8N1`,
		"fast":           `mode "fast": the speed is not a whole number; write it like 9600 8N1`,
		"49":             `mode "49": speed 49 is outside 50 to 12000000; write it like 9600 8N1`,
		"9600 8N":        `mode "9600 8N": "8N" is not data bits, parity and stop bits; write it like 9600 8N1`,
		"9600 9N1":       `mode "9600 9N1": 9 data bits are outside 5 to 8; write it like 9600 8N1`,
		"9600 8X1":       `mode "9600 8X1": parity "X" is none of N, O, E, M, S; write it like 9600 8N1`,
		"9600 8N3":       `mode "9600 8N3": stop bits "3" are none of 1, 1.5, 2; write it like 9600 8N1`,
		"9600 8N1 extra": `mode "9600 8N1 extra": stop bits "1 EXTRA" are none of 1, 1.5, 2; write it like 9600 8N1`,
	} {
		_, err := ParseMode(text)
		assert.EqualError(t, err, want)
	}
}

func TestModeDefaults(t *testing.T) {
	assert.Equal(t, "9600 8N1", Mode{}.String())
	_, err := Mode{Baud: -1}.MarshalText()
	assert.Error(t, err)
	assert.Contains(t, Mode{StopBits: 7}.String(), "stop bits 7 are unknown")
	assert.Contains(t, Mode{Parity: -1}.String(), "parity -1 is unknown")
}

func FuzzParseMode(f *testing.F) {
	for _, s := range []string{"9600", "9600 8N1", "19200-7E2", "300 5M1.5", "-1", "8N1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		m, err := ParseMode(text)
		if err != nil {
			return
		}
		again, err := ParseMode(m.String())
		require.NoError(t, err)
		assert.Equal(t, m, again)
	})
}
