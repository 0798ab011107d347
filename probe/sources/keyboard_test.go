package sources

import (
	"context"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/probe"
)

const panelMeter = `loomproof-sources: 1
sources:
  panel voltmeter:
    kind: keyboard
    scales:
      voltage: {to: 30, class: 1.5, division: 0.5}
`

// A meter without a lead is a source like any other, once somebody can be asked.
func TestATypedMeter(t *testing.T) {
	f, err := Parse("sources.yaml", []byte(panelMeter))
	require.NoError(t, err)
	all, err := f.Sources()
	require.NoError(t, err)
	s := Of(all[0])
	require.ErrorContains(t, s.Open(t.Context()), "in a worksheet only")

	typed := []string{"12,4", "OL"}
	f.TypedBy(func(_ context.Context, question string) (string, error) {
		assert.Contains(t, question, "panel voltmeter")
		line := typed[0]
		typed = typed[1:]
		return line, nil
	})
	all, err = f.Sources()
	require.NoError(t, err)
	s = Of(all[0])
	require.NoError(t, s.Open(t.Context()))
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	assert.True(t, s.HasAccuracy("voltage"), "its class states it")
	settled, ok := all[0].(probe.Settled)
	require.True(t, ok)
	assert.True(t, settled.Settled())

	r, err := all[0].Read(t.Context(), "voltage")
	require.NoError(t, err)
	assert.InDelta(t, 12.4, r.Value, 1e-9)
	// 1.5 % of 30 V, and a fifth of a division.
	assert.Greater(t, r.Uncertainty(), 0.45/2)
	_, err = all[0].Read(t.Context(), "voltage")
	var refused *probe.Refusal
	require.ErrorAs(t, err, &refused)
	assert.Equal(t, probe.Overload, refused.Reason)
}

// A scale that is named after a quantity shows it, and what it ends at can have its
// unit: ohms are never taken for volts.
func TestAScaleShowsWhatItIsNamedAfter(t *testing.T) {
	f, err := Parse("sources.yaml", []byte(`loomproof-sources: 1
sources:
  hand meter:
    kind: keyboard
    accuracy: {voltage: 0.5 % + 2 digits, resistance: 0.8 % + 4 digits}
    scales:
      voltage: {to: 600 V}
      resistance: {to: 40 MΩ}
`))
	require.NoError(t, err)
	f.TypedBy(func(_ context.Context, question string) (string, error) {
		assert.Contains(t, question, "in Ω")
		return "0.2", nil
	})
	all, err := f.Sources()
	require.NoError(t, err)
	s := Of(all[0])
	require.NoError(t, s.Open(t.Context()))
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	r, err := all[0].Read(t.Context(), "resistance")
	require.NoError(t, err)
	assert.Equal(t, probe.Resistance, r.Quantity)
	assert.Equal(t, 40e6, r.FullScale)
	assert.Equal(t, 0.1, r.Digit)
}

func FuzzAmount(f *testing.F) {
	for _, line := range []string{"40", "40e6", "40 MΩ", "-60 A", "500 mV", "NaN", "− 5 V", "", "0x10"} {
		f.Add(line)
	}
	f.Fuzz(func(t *testing.T, line string) {
		var a amount
		if a.UnmarshalText([]byte(line)) != nil {
			return
		}
		again := amount{}
		require.NoError(t, again.UnmarshalText([]byte(strconv.FormatFloat(a.Value, 'g', -1, 64))), line)
		if a.Value == a.Value {
			assert.Equal(t, a.Value, again.Value)
		}
	})
}
