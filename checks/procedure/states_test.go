package procedure

import (
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
)

// The journal tells each reading's state: what fed the aircraft, what was closed
// and on, what was being keyed; and what was being switched on when the power was
// cut.
func TestTheJournalTellsTheStates(t *testing.T) {
	var records []logbook.Record
	var p played
	script := `
power(volts = 14, limit = 20)
read("supply current")
move("on", "master", "Master on.")
move("close", "radio", "Close it.")
read("supply current")
move("open", "radio", "Open it.", answers = ["Done", "Stays"])
move("key", "transponder", "Key it.")
read("supply current")
power_off()
power(volts = 13, limit = 20)
read("supply current")
`
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		w := begin(t, book, script)
		p = playOn(t, &Bench{Supply: &unruly{}, Patience: time.Second}, w, script, nil)
		records = w.Records()
	})
	require.NoError(t, p.err)
	h, err := Tell(p.sheet.Design, records)
	require.NoError(t, err)
	require.Len(t, h.Readings, 4)
	first, second, third, last := h.Readings[0].State, h.Readings[1].State, h.Readings[2].State, h.Readings[3].State
	assert.Equal(t, []string{"supply"}, first.Sources)
	assert.Equal(t, 14.0, first.SupplyVolts)
	assert.Empty(t, first.Closed)
	assert.True(t, second.On["master"] && second.Closed["radio"])
	assert.False(t, third.Closed["radio"])
	assert.True(t, third.Working["transponder"])
	assert.Equal(t, 13.0, last.SupplyVolts)
	assert.Empty(t, h.Cuts)
	for i, r := range h.Readings {
		assert.NotEmpty(t, r.ID, i)
	}
}

// What ran away is told with the state that it ran away in.
func TestTheJournalTellsWhatWasCut(t *testing.T) {
	var records []logbook.Record
	var p played
	u := &unruly{amperes: func(on time.Duration) float64 {
		if on > 100*time.Millisecond {
			return 9
		}
		return 0.001
	}}
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		w := begin(t, book, powerAndHold)
		p = playInto(t, u, w, powerAndHold, nil)
		records = w.Records()
	})
	h, err := Tell(p.sheet.Design, records)
	require.NoError(t, err)
	require.Len(t, h.Cuts, 1)
	assert.Equal(t, []string{"supply"}, h.Cuts[0].State.Sources)
}

// Whatever word moves something, the journal tells the state that the engine judged in.
func TestTheJournalAndTheEngineAgreeOnTheState(t *testing.T) {
	script := `
def look():
    typed("Volts?", "voltage", "radio")

plugs(True, "Plugs off?")
look()
plugs(False, "Plugs on?")
feed("battery", "On?")
look()
put("master-only", "Master on.")
look()
move("in", "radio", "Radio on.")
look()
move("close", "strobe", "Close it.", answers = ["Done", "No"], stay = ["Done"])
look()
observe("noise", "radio", "Quiet?", hand = [("in", "intercom"), ("out", "radio")])
look()
move("key", "transponder", "Key it.")
look()
move("release", "transponder", "Release it.")
unfeed("battery", "Off?")
look()
`
	p := playQuietly(t, script, nil)
	require.NoError(t, p.err)
	h, err := Tell(p.sheet.Design, p.records)
	require.NoError(t, err)
	require.Len(t, h.Readings, 8)
	for _, r := range h.Readings {
		assert.Equal(t, p.readings[r.ID].state, r.State, "%s: %s", r.ID, describe(p.sheet.Design, r.State))
	}
	assert.True(t, h.Readings[5].State.Closed["intercom"])
	assert.False(t, h.Readings[5].State.Closed["radio"])
}

// Who keys something lets go of it when the power is cut: nobody is told to key it
// when the worksheet goes on.
func TestACutLetsGoOfWhatIsKeyed(t *testing.T) {
	u, keyed := &unruly{}, false
	u.amperes = func(time.Duration) float64 {
		if keyed {
			return 19
		}
		return 0.001
	}
	p := playWith(t, u, `
power(volts = 14, limit = 20)
move("key", "transponder", "Key it.", answers = ["Keyed", "Not"])
feed("battery", "On?")
typed("Volts?", "voltage", "radio")
`, func(_ *Desk, n Now) bool {
		u.mu.Lock()
		defer u.mu.Unlock()
		keyed = n.Action == "key"
		return keyed
	})
	require.NoError(t, p.err)
	require.Len(t, p.sheet.Cuts, 1)
	h, err := Tell(p.sheet.Design, p.records)
	require.NoError(t, err)
	require.Len(t, h.Readings, 1)
	assert.Empty(t, h.Readings[0].State.Working)
	assert.Equal(t, p.readings[h.Readings[0].ID].state, h.Readings[0].State)
}
