package demo

import (
	"context"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/airframe"
	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
)

const combScript = `
plugs(True, "Off?")
r = measure("transponder.breaker", "", "transponder to all the others", quantity = "resistance", joined = ["radio.breaker"], comb = True)
check("apart", "transponder", r)
`

// A probe that slips while the clip is off would read as open: it is found out by
// the clip that goes back on, and the reading is taken once more.
func TestAProbeThatSlipsOffTheCombIsFoundOut(t *testing.T) {
	slipped, again := false, 0
	s, err := playBy(t, combScript, func(ctx context.Context, m *mockup.Mockup, desk *procedure.Desk, now procedure.Now) bool {
		if now.Say == "Clip on again." && !slipped {
			slipped = true
			m.Lift()
			return true
		}
		if slices.Contains(now.Answers, "Again") {
			again++
		}
		return obey(ctx, m, desk, now)
	})
	require.NoError(t, err)
	assert.Equal(t, 1, again, "it is said once")
	require.Len(t, s.Steps, 1)
	assert.Equal(t, "pass", s.Steps[0].Verdict)
}

// A way that is joined to another reads the same with its clip off: only a person's
// word that it is off makes that a reading, and it fails.
func TestAJoinedWayIsNeverTakenWithoutAWord(t *testing.T) {
	asked := 0
	s, err := playBy(t, combScript, func(ctx context.Context, m *mockup.Mockup, desk *procedure.Desk, now procedure.Now) bool {
		if slices.Contains(now.Answers, "Yes, take what it shows") {
			asked++
		}
		return obey(ctx, m, desk, now)
	}, airframe.Fault{Kind: airframe.Bridge, At: "transponder.breaker", Other: "radio.breaker", Size: 0.05})
	require.NoError(t, err)
	assert.Equal(t, 1, asked)
	require.Len(t, s.Steps, 1)
	assert.Equal(t, "fail", s.Steps[0].Verdict)
}
