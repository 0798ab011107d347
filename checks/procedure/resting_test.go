package procedure

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/probe"
)

// A touching meter shows the battery while its probes touch, else nothing.
type touching struct {
	reads   atomic.Int32
	touches func(read int) bool
}

func (m *touching) Identity() probe.Identity { return probe.Identity{Name: "meter"} }
func (m *touching) Channels() []probe.Channel {
	return []probe.Channel{{Name: "voltage", Quantity: probe.Voltage}}
}
func (m *touching) Close() error { return nil }

func (m *touching) Read(ctx context.Context, channel string) (probe.Reading, error) {
	select {
	case <-time.After(100 * time.Millisecond):
	case <-ctx.Done():
		return probe.Reading{}, context.Cause(ctx)
	}
	r := probe.Reading{Source: "meter", Channel: channel, Quantity: probe.Voltage, At: time.Now(), Digit: 0.001, FullScale: 60, Accuracy: probe.Accuracy{OfReading: 0.0005}}
	if m.touches(int(m.reads.Add(1))) {
		r.Value = 12.8
	}
	return r, nil
}

// Probes that were read on two points are left there for the next reading on the
// same two: nobody has to lift them. One that slipped off is asked about, and so
// is one on other points that was never lifted.
func TestProbesThatRest(t *testing.T) {
	const twice = `
feed("battery", "Battery on.")
put("essential", "Switches on.")
a = measure("battery+", "battery-", "Red on plus.")
b = measure("%s", "battery-", "Red once more.")
`
	always := func(read int) bool { return read > 3 }
	for name, c := range map[string]struct {
		second  string
		touches func(int) bool
		asked   bool
	}{
		"the same points":    {"battery+", always, false},
		"one slipped off":    {"battery+", func(read int) bool { return read > 3 && read < 10 }, true},
		"other points":       {"main", always, true},
		"lifted and put on":  {"main", func(read int) bool { return read > 3 && (read < 12 || read > 20) }, false},
		"lifted, same point": {"battery+", func(read int) bool { return read > 3 && (read < 12 || read > 20) }, false},
	} {
		t.Run(name, func(t *testing.T) {
			var asked []string
			synctest.Test(t, func(t *testing.T) {
				book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
				require.NoError(t, err)
				defer book.Close()
				script := fmt.Sprintf(twice, c.second)
				p := playOn(t, &Bench{Meter: &touching{touches: c.touches}, Patience: 5 * time.Second}, begin(t, book, script), script, func(n Now) string {
					asked = append(asked, n.Say)
					return n.Answers[0]
				})
				require.NoError(t, p.err)
				require.Len(t, p.sheet.Captures, 2)
			})
			assert.Equal(t, c.asked, slices.Contains(asked, "Nothing steady there. Are the probes on the points?"), "%v", asked)
		})
	}
}
