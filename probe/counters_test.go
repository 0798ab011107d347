package probe

import (
	"encoding/json"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestTallyCountsEachThingOnItsOwn(t *testing.T) {
	var tally Tally
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			tally.Frame(3)
			tally.Stray()
			tally.Silence()
			tally.Lose(5)
			tally.Restart()
			for i, why := range Reasons() {
				for range i + 1 {
					tally.Refuse(why)
				}
			}
		})
	}
	all.Wait()
	c := tally.Counters()
	require.Len(t, c.Refused, len(Reasons()))
	for i, why := range Reasons() {
		assert.Equal(t, uint64(4*(i+1)), c.Refused[why], why)
	}
	c.Refused = nil
	assert.Equal(t, Counters{Frames: 4, Samples: 12, Strays: 4, Silences: 4, Lost: 20, Restarts: 4}, c)
	assert.Panics(t, func() { tally.Refuse("bad luck") })
}

func TestCountersNameEveryReason(t *testing.T) {
	var tally Tally
	text, err := json.Marshal(tally.Counters())
	require.NoError(t, err)
	assert.JSONEq(t, `{"frames": 0, "strays": 0, "silences": 0, "samples": 0, "lost": 0, "restarts": 0, "refused": {
		"overload": 0, "not a number": 0, "wrong function": 0, "wrong unit": 0, "out of range": 0, "hold": 0, "relative": 0,
		"low battery": 0, "bad checksum": 0, "bad frame": 0, "lost frames": 0, "clock jump": 0, "stale": 0, "frozen": 0, "unsteady": 0,
		"instrument error": 0}}`, string(text))
}

func TestCountingAllocatesNothing(t *testing.T) {
	var tally Tally
	assert.Zero(t, testing.AllocsPerRun(100, func() { tally.Frame(1); tally.Refuse(ClockJump) }))
}
