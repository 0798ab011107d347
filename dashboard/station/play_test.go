package station

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/dashboard/report"
)

// A player performs a short script of its own into a logbook, with nothing on the
// bench.
type player struct {
	t      *testing.T
	script string
	book   *logbook.Book
}

func newPlayer(t *testing.T, script string) player {
	t.Helper()
	dir := t.TempDir()
	p := player{t: t, script: filepath.Join(dir, "short.star")}
	require.NoError(t, os.WriteFile(p.script, []byte(script), 0o644))
	var err error
	p.book, err = logbook.Open(filepath.Join(dir, "logbook.db"))
	require.NoError(t, err)
	t.Cleanup(func() { p.book.Close() })
	return p
}

// perform gives each question its first answer, unless deal knows better: "" is no
// answer. It ends when the script does, or when stop is asked.
func (p player) perform(designText, stop string, deal func(*procedure.Desk, procedure.Now) string) (*report.Report, []string, error) {
	p.t.Helper()
	d, err := design.Parse("marsh-hen.yaml", []byte(designText))
	require.NoError(p.t, err)
	s := Station{Design: d, Bench: &procedure.Bench{}, Book: p.book, Desk: procedure.NewDesk(), Version: "test"}
	s.Desk.Settle = 0
	ctx, cancel := context.WithCancel(p.t.Context())
	defer cancel()
	var asked []string
	answered := make(chan struct{})
	go func() {
		defer close(answered)
		for done := 0; ; {
			var n procedure.Now
			if s.Desk.Until(ctx, func(v procedure.View) bool { n = v.Now; return n.ID != done }) != nil {
				return
			}
			if done = n.ID; !n.Asks() {
				continue
			}
			asked = append(asked, n.Say)
			if n.Say == stop {
				cancel()
				return
			}
			if choice := deal(s.Desk, n); choice != "" {
				assert.NoError(p.t, s.Desk.Answer(procedure.Answer{ID: n.ID, By: "Tove Lind", Choice: choice}))
			}
		}
	}()
	rep, err := s.Perform(ctx, p.script)
	cancel()
	<-answered
	return rep, asked, err
}
