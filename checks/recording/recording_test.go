package recording

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// ramp is 100 samples of 0, 1, 2 ... at 10 a second, with three lost after the
// 50th.
func ramp(t *testing.T) *Memory {
	t.Helper()
	m := NewMemory(time.Unix(0, 0), Channel{Name: "bus", Scale: 0.5, Offset: 1, Low: 0, High: 1023, Rate: 10})
	codes := make([]int32, 100)
	for i := range codes {
		codes[i] = int32(i)
	}
	require.NoError(t, m.Append(0, Block{0, 0.1, codes[:50]}))
	require.NoError(t, m.Append(0, Block{5.3, 0.1, codes[50:]}))
	return m
}

func TestMemoryKeepsTimeAndOrder(t *testing.T) {
	m := ramp(t)
	from, to := m.Span(0)
	assert.Equal(t, 0.0, from)
	assert.InDelta(t, 10.3, to, 1e-12)
	assert.ErrorContains(t, m.Append(0, Block{10.2, 0.1, []int32{1}}), "time runs backwards")
	assert.ErrorContains(t, m.Append(0, Block{11, 0, []int32{1, 2}}), "a step above 0")
	assert.ErrorContains(t, m.Append(0, Block{math.NaN(), 1, []int32{1}}), "no number")
	require.NoError(t, m.Append(0, Block{12, 0, []int32{7}}), "one sample needs no rate")

	m.Mark(Marker{At: 4, Text: "later"})
	m.Mark(Marker{At: 2, Text: "earlier"})
	assert.Equal(t, "earlier", m.Markers()[0].Text)
}

func TestBlocksAreThoseAsked(t *testing.T) {
	m := ramp(t)
	count := func(from, to float64) (n int) {
		for _, err := range m.Blocks(0, from, to) {
			require.NoError(t, err)
			n++
		}
		return n
	}
	assert.Equal(t, 2, count(math.Inf(-1), math.Inf(1)))
	assert.Equal(t, 1, count(0, 5.2))
	assert.Equal(t, 1, count(5.0, 20), "nothing of the first block lies there")
	assert.Equal(t, 0, count(5.0, 5.2), "the gap")
}

func TestGapsAreToldWithWhatIsLost(t *testing.T) {
	gaps, err := Gaps(ramp(t), 0, 0, math.Inf(1))
	require.NoError(t, err)
	require.Len(t, gaps, 1)
	assert.InDelta(t, 5.0, gaps[0].From, 1e-12)
	assert.InDelta(t, 5.3, gaps[0].To, 1e-12)
	assert.Equal(t, int64(3), gaps[0].Lost)
}

// Every sample is in exactly one bucket, whatever the width.
func TestViewHoldsEverySample(t *testing.T) {
	m := ramp(t)
	for _, n := range []int{1, 3, 7, 103, 1000} {
		buckets, err := m.View(0, 0, 10.3, n)
		require.NoError(t, err)
		require.Len(t, buckets, n)
		sum, count, least, most := 0.0, int64(0), math.Inf(1), math.Inf(-1)
		for _, b := range buckets {
			if b.Count == 0 {
				continue
			}
			sum += b.Mean * float64(b.Count)
			count += b.Count
			least, most = math.Min(least, b.Min), math.Max(most, b.Max)
		}
		assert.Equal(t, int64(100), count)
		assert.InDelta(t, 100+0.5*4950, sum, 1e-9)
		assert.Equal(t, []float64{1, 50.5}, []float64{least, most})
	}
	_, err := m.View(0, 1, 1, 10)
	assert.ErrorContains(t, err, "the end must lie after the begin")
}

func TestChannelTellsItsEnds(t *testing.T) {
	c := Channel{Low: 0, High: 1023, Scale: 0.01}
	assert.True(t, c.AtEnd(0))
	assert.True(t, c.AtEnd(1023))
	assert.False(t, c.AtEnd(500))
	assert.False(t, Channel{}.AtEnd(0), "ends that are not known")
}

func TestEveryRoleHasAQuantity(t *testing.T) {
	for _, r := range Roles() {
		assert.NotEmpty(t, r.Quantity().Unit(), r)
	}
	assert.Empty(t, Role("").Quantity())
}
