package sources

import (
	"context"
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
