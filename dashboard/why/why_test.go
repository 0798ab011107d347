package why

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/faultfind"
)

// What a person types after a measurement. Whole worksheets are in
// dashboard/crept's tests.
func TestReadingsThatArePlainlyTyped(t *testing.T) {
	for text, want := range map[string]Typed{
		"strobe.load-  battery- = 12.3 mV": {"strobe.load- battery-", 0.0123},
		"current = 4.2 A":                  {"current", 4.2},
		"open strobe=3.1 A":                {"open strobe", 3.1},
	} {
		got, err := ParseTyped(text)
		require.NoError(t, err, text)
		assert.Equal(t, want.Where, got.Where)
		assert.InDelta(t, want.Value, got.Value, 1e-12)
	}
	for _, text := range []string{"", "strobe.load- battery-", "current = 3 V", "main battery- = 3 A", "main battery- = much"} {
		_, err := ParseTyped(text)
		assert.ErrorContains(t, err, "is no reading; write it like", text)
	}
}

func TestProbabilitiesInWords(t *testing.T) {
	for p, want := range map[float64]string{0.999: "> 99 %", 0.9949: "99 %", 0.42: "42 %", 0.004: "< 1 %"} { // never a hundred
		assert.Equal(t, want, Percent(p))
	}
}

// A short is looked for with a caution; anything else without.
func TestCautionBeforeAShortIsLookedFor(t *testing.T) {
	w := Why{Next: &faultfind.Advice{Current: 1}}
	assert.Contains(t, w.Caution(), "1 A")
	w.Next.Current = 0
	assert.Empty(t, w.Caution())
}
