package procedure

import (
	"context"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/probe"
)

// An ohmmeter shows a joined way or an open one.
type ohmmeter struct{ open atomic.Bool }

func (m *ohmmeter) Identity() probe.Identity { return probe.Identity{Name: "meter"} }
func (m *ohmmeter) Close() error             { return nil }
func (m *ohmmeter) Channels() []probe.Channel {
	return []probe.Channel{{Name: "resistance", Quantity: probe.Resistance}}
}

func (m *ohmmeter) Read(ctx context.Context, channel string) (probe.Reading, error) {
	select {
	case <-time.After(100 * time.Millisecond):
	case <-ctx.Done():
		return probe.Reading{}, context.Cause(ctx)
	}
	if m.open.Load() {
		return probe.Reading{}, &probe.Refusal{Reason: probe.Overload}
	}
	return probe.Reading{Value: 0.1, Quantity: probe.Resistance, Source: "meter", Channel: channel, At: time.Now(), Digit: 0.001, FullScale: 100}, nil
}

// A hand that was too quick for the meter, which never saw the probe lifted, is
// told to lift it; nobody waits for ever.
func TestAProbeThatWasNeverSeenLifted(t *testing.T) {
	const script = `measure("main", "", "From the main bus.", quantity = "resistance", comb = True)` + "\n"
	synctest.Test(t, func(t *testing.T) {
		book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
		require.NoError(t, err)
		defer book.Close()
		w := begin(t, book, script)
		opening, err := w.Opening()
		require.NoError(t, err)
		d, err := design.Parse(opening.File, []byte(opening.Design))
		require.NoError(t, err)
		meter, desk := &ohmmeter{}, NewDesk()
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		lifts, hands := 0, make(chan struct{})
		go func() {
			defer close(hands)
			done := 0
			for {
				var n Now
				if desk.Until(ctx, func(v View) bool { n = v.Now; return n.ID != done }) != nil {
					return
				}
				done = n.ID
				if strings.HasPrefix(n.Detail, "Lift red once") {
					lifts++
					meter.open.Store(true)
					time.Sleep(500 * time.Millisecond)
				}
				meter.open.Store(strings.Contains(n.Say, "off the comb"))
			}
		}()
		p := Performance{Design: d, Sheet: w, Name: "test", Script: []byte(script), Bench: &Bench{Meter: meter, Patience: 2 * time.Second}, Desk: desk}
		require.NoError(t, p.Perform(ctx))
		cancel()
		<-hands
		assert.Equal(t, 1, lifts)
		s, err := Fold(w.Records())
		require.NoError(t, err)
		require.Len(t, s.Captures, 1)
		assert.True(t, s.Captures["r1"].Open)
	})
}
