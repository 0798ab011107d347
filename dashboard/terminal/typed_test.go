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
	"loomproof/probe"
	"loomproof/probe/keyboard"
	"loomproof/scripts"
)

// A reading that is typed: what is none is refused with the reason, the keys for
// leaving out and doing again are named, and they are heeded.
func TestATypedReadingAtTheTerminal(t *testing.T) {
	const script = "plugs(out = True, say = 'out')\nm = measure('transponder.breaker', '', 'Red on it.', quantity = 'resistance')\nif m.skipped != 'left out: no room for a probe (Tove Lind)':\n    fail(m.skipped)\n"
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
	meter, err := keyboard.Open(t.Context(), desk.Line, keyboard.Options{
		Name: "hand meter", Accuracy: map[string]probe.Accuracy{"resistance": {OfReading: 0.01, Digits: 2}},
		Scales: []keyboard.Scale{{Channel: "resistance", Quantity: probe.Resistance, High: 40e6}},
	})
	require.NoError(t, err)

	// The line in the middle may be read before the question: it is no answer then,
	// and else one more that is refused.
	y := &typist{lines: []string{"", "12.4 V", "12.4 V", "skip no room for a probe"}, keys: make(chan string, 8)}
	in, fingers := io.Pipe()
	defer in.Close()
	go func() {
		for line := range y.keys {
			_, _ = io.WriteString(fingers, line+"\n")
		}
	}()
	defer close(y.keys)
	term := Terminal{Desk: desk, Out: y, In: in, By: "Tove Lind"}
	ctx, stop := context.WithCancel(t.Context())
	shown := make(chan struct{})
	go func() { defer close(shown); term.Run(ctx) }()
	p := procedure.Performance{Design: d, Sheet: w, Name: "x", Script: []byte(script), Bench: &procedure.Bench{Meter: meter}, Desk: desk}
	require.NoError(t, p.Perform(t.Context()))
	stop()
	<-shown

	said := y.printed.String()
	assert.Contains(t, said, "skip WHY leaves it out, n/a WHY if there is none; redo does the step before again; smoke; Ctrl-C stops")
	assert.Contains(t, said, "OL if it shows OL or a lone 1")
	assert.Contains(t, said, `NOT TAKEN. wrong unit: "V" was typed where Ω is wanted`)
}

// What a step leaves open is said with it, but not with each of a hundred.
func TestANoteIsSaidOnce(t *testing.T) {
	var out bytes.Buffer
	term := Terminal{Out: &out}
	ohms, u := 0.1, 0.5
	for _, what := range []string{procedure.WhatThrough, procedure.WhatThrough, procedure.WhatCurrent} {
		term.step(procedure.Step{What: what, Title: "radio: " + what, Unit: "Ω", Reading: &ohms, Uncertainty: &u, Verdict: "pass", Note: "what is open of " + what})
	}
	assert.Equal(t, 1, strings.Count(out.String(), "what is open of continuity"))
	assert.Equal(t, 1, strings.Count(out.String(), "what is open of current"))
}
