package station

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/scripts"
)

// While a procedure is performed, what comes next is told, once somebody looks.
func TestWhatComesNextIsTold(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	defer book.Close()
	script := filepath.Join(t.TempDir(), "doors.star")
	require.NoError(t, os.WriteFile(script, []byte("hold('Open the doors.')\nhold('Close the doors.')\n"), 0o600))
	s := &Station{Design: d, Bench: &procedure.Bench{}, Book: book, Desk: procedure.NewDesk(), Version: "v1.0.0", Ahead: true}
	s.Desk.Settle = 0
	ended := make(chan error, 1)
	go func() { _, err := s.Perform(t.Context(), script); ended <- err }()
	answer := func(say, next string) {
		var v procedure.View
		require.NoError(t, s.Desk.Until(t.Context(), func(now procedure.View) bool { v = now; return now.Now.Say == say && now.Next == next }))
		require.NoError(t, s.Desk.Answer(procedure.Answer{ID: v.Now.ID, Choice: v.Now.Answers[0], By: "Tove Lind"}))
	}
	require.NoError(t, s.Desk.Until(t.Context(), func(v procedure.View) bool { return v.Now.Say == "Open the doors." }))
	v, _ := s.Desk.View()
	assert.Empty(t, v.Next, "nobody has looked yet")
	s.ahead.want()
	answer("Open the doors.", "Close the doors.")
	answer("Close the doors.", "")
	require.NoError(t, <-ended)
}
