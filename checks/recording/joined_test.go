package recording_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/recording"
)

// Two stretches of a recording are one with a gap, of the time between them.
func TestStretchesAreJoinedWithTheirGap(t *testing.T) {
	start := time.Date(2026, 5, 2, 9, 0, 0, 0, time.UTC)
	ch := recording.Channel{Name: "bus", Scale: 0.01, Rate: 10}
	part := func(after time.Duration, codes ...int32) *recording.Memory {
		m := recording.NewMemory(start.Add(after), ch)
		require.NoError(t, m.Append(0, recording.Block{Start: 1, Step: 0.1, Codes: codes}))
		m.Mark(recording.Marker{At: 1, Text: "here"})
		return m
	}
	_, err := recording.Join()
	require.Error(t, err)
	one := part(0, 1, 2)
	alone, err := recording.Join(one)
	require.NoError(t, err)
	assert.Equal(t, recording.Recording(one), alone)

	j, err := recording.Join(one, part(10*time.Second, 5, 7, 9))
	require.NoError(t, err)
	gaps, err := recording.Gaps(j, 0, math.Inf(-1), math.Inf(1))
	require.NoError(t, err)
	require.Len(t, gaps, 1)
	assert.InDelta(t, 1.2, gaps[0].From, 1e-9)
	assert.InDelta(t, 11, gaps[0].To, 1e-9)
	assert.EqualValues(t, 98, gaps[0].Lost)
	from, to := j.Span(0)
	assert.InDelta(t, 1, from, 1e-9)
	assert.InDelta(t, 11.3, to, 1e-9)
	assert.InDelta(t, 11, j.Markers()[1].At, 1e-9)
	view, err := j.View(0, 0, 12, 2)
	require.NoError(t, err)
	assert.EqualValues(t, 2, view[0].Count)
	assert.EqualValues(t, 3, view[1].Count)
	assert.InDelta(t, 0.07, view[1].Mean, 1e-9)
	whole, err := j.View(0, 0, 12, 1)
	require.NoError(t, err)
	assert.EqualValues(t, 5, whole[0].Count)
	assert.InDelta(t, 0.01, whole[0].Min, 1e-9)
	assert.InDelta(t, 0.09, whole[0].Max, 1e-9)
	assert.InDelta(t, 0.048, whole[0].Mean, 1e-9)

	_, err = recording.Join(one, recording.NewMemory(start, recording.Channel{Name: "other", Scale: 1}))
	assert.ErrorContains(t, err, "part 2 of the recording has other channels")
}
