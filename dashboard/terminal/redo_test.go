package terminal

import (
	"bytes"
	"context"
	"io"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/scripts"
)

// A typist types the next line each time that something is asked.
type typist struct {
	printed bytes.Buffer
	lines   []string
	keys    chan string
}

func (y *typist) Write(p []byte) (int, error) {
	if strings.HasPrefix(string(p), "\n> ") && len(y.lines) > 0 {
		y.keys <- y.lines[0]
		y.lines = y.lines[1:]
	}
	return y.printed.Write(p)
}

// What a person saw is looked at once more, asked for at the keyboard; the answer
// before it stays in the worksheet.
func TestLookedAtOnceMore(t *testing.T) {
	const script = "observe('chafing', 'radio', 'No bare wire?', finding = 'bare wire', attempt = 'tape')\nhold('enough?')\n"
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	defer book.Close()
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	w, err := book.Begin(t.Context(), logbook.Opening{Procedure: "x", Script: script, Design: string(text), File: "marsh-hen.yaml"})
	require.NoError(t, err)
	desk := procedure.NewDesk()
	desk.Settle = 0

	y := &typist{lines: []string{"2", "redo radio/chafing", "1", ""}, keys: make(chan string, 4)}
	keyboard, fingers := io.Pipe()
	defer keyboard.Close()
	go func() {
		for line := range y.keys {
			_, _ = io.WriteString(fingers, line+"\n")
		}
	}()
	defer close(y.keys)
	term := Terminal{Desk: desk, Out: y, In: keyboard, By: "Tove Lind"}
	ctx, stop := context.WithCancel(t.Context())
	shown := make(chan struct{})
	go func() { defer close(shown); term.Run(ctx) }()
	p := procedure.Performance{Design: d, Sheet: w, Name: "x", Script: []byte(script), Bench: &procedure.Bench{}, Desk: desk}
	require.NoError(t, p.Perform(t.Context()))
	stop()
	<-shown

	assert.Contains(t, y.printed.String(), "done again:\n  pass ")
	sheet, err := procedure.Fold(w.Records())
	require.NoError(t, err)
	require.Len(t, sheet.Superseded, 1)
	assert.Equal(t, []string{"fail", "pass"}, []string{sheet.Superseded[0].Verdict, sheet.Steps[0].Verdict})
	require.NoError(t, w.Check())
}
