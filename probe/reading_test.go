package probe

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The check value of a published uncertainty-budget test file: reading 10,
// 0.02 % of reading, 0.005 % of a range of 20, 2 digits of 0.001: half-width
// 0.005, standard uncertainty 0.0028867513.
func TestAccuracyLineToStandardUncertainty(t *testing.T) {
	a, err := ParseAccuracy("0.02 % of reading + 2 digits + 0.005 % of range")
	require.NoError(t, err)
	r := Reading{Value: 10, Accuracy: a, Digit: 0.001, FullScale: 20}
	assert.InDelta(t, 0.0028867513, r.Uncertainty(), 1e-10)
}

func TestAccuracyLinesAsManualsPrintThem(t *testing.T) {
	for text, want := range map[string]Accuracy{
		"0.5% + 3 digits":    {OfReading: 0.005, Digits: 3},
		"±(0.5 % + 3d)":      {OfReading: 0.005, Digits: 3},
		"1 %":                {OfReading: 0.01},
		"0,8% rdg + 1 count": {OfReading: 0.008, Digits: 1},
	} {
		got, err := ParseAccuracy(text)
		require.NoError(t, err, text)
		assert.InDelta(t, want.OfReading, got.OfReading, 1e-12, text)
		assert.Equal(t, want.Digits, got.Digits, text)
		again, err := ParseAccuracy(got.String())
		require.NoError(t, err, got.String())
		assert.Equal(t, got, again)
	}
	for _, text := range []string{"", "good", "5", "1 % + x", "1e999 %"} {
		_, err := ParseAccuracy(text)
		assert.ErrorContains(t, err, "write it like 0.5% + 3 digits", text)
	}
}

func FuzzParseAccuracy(f *testing.F) {
	f.Add("0.5% + 3 digits")
	f.Fuzz(func(t *testing.T, text string) {
		if a, err := ParseAccuracy(text); err == nil && (a.OfReading < 0 || a.Digits < 0) {
			t.Errorf("%q became %v", text, a)
		}
	})
}
