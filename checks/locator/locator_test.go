package locator

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWindowIsTheFirstFiveMinutes(t *testing.T) {
	w, ok := For("United States", Analogue)
	require.True(t, ok)
	at := func(h, m, s int) time.Time { return time.Date(2026, 11, 25, h, m, s, 0, time.UTC) }
	for _, x := range []struct {
		at   time.Time
		open bool
		next time.Time
	}{
		{at(11, 59, 59), false, at(12, 0, 0)},
		{at(12, 0, 0), true, at(12, 0, 0)},
		{at(12, 4, 59), true, at(12, 4, 59)},
		{at(12, 5, 0), false, at(13, 0, 0)},
		{at(23, 30, 0), false, at(24, 0, 0)},
	} {
		assert.Equal(t, x.open, w.Open(x.at), "%v", x.at)
		assert.Equal(t, x.next, w.Opens(x.at), "%v", x.at)
	}
	assert.Equal(t, at(12, 5, 0), w.Closes(at(12, 3, 0)))
	late := Window{From: 10, To: 15}
	assert.Equal(t, at(12, 10, 0), late.Opens(at(12, 3, 0)))
	assert.Equal(t, at(11, 15, 0), late.Closes(at(12, 3, 0)))
	half := time.FixedZone("half an hour off", 5*3600+1800)
	assert.True(t, w.Open(at(12, 2, 0).In(half)), "the hour is UTC's, whatever the zone")
}

// No entry allows more than five minutes, each names its source, and a digital
// locator is never activated.
func TestEntriesAreCautious(t *testing.T) {
	for _, country := range Countries() {
		for _, kind := range []Kind{Analogue, Digital} {
			w, ok := For(country, kind)
			require.True(t, ok)
			assert.LessOrEqual(t, w.To-w.From, 5)
			assert.NotEmpty(t, w.Rule.Text)
			assert.NotEmpty(t, w.Rule.Status)
			assert.Equal(t, kind == Digital, w.SelfTest)
		}
	}
	_, ok := For("elsewhere", Analogue)
	assert.False(t, ok)
}
