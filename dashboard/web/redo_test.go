package web

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/dashboard/access"
	"loomproof/dashboard/report"
	"loomproof/scripts"
)

// What a person saw is looked at once more, asked for on the page; the answer
// before it stays in the report.
func TestLookedAtOnceMore(t *testing.T) {
	const script = "observe('chafing', 'radio', 'No bare wire?', finding = 'bare wire', attempt = 'tape')\nhold('enough?')\n"
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	defer book.Close()
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	w, err := book.Begin(t.Context(), logbook.Opening{Procedure: "x", Script: script, Aircraft: "Marsh Hen", Design: string(text), File: "marsh-hen.yaml"})
	require.NoError(t, err)
	desk := procedure.NewDesk()
	desk.Settle = 0
	p := procedure.Performance{Design: d, Sheet: w, Name: "x", Script: []byte(script), Bench: &procedure.Bench{}, Desk: desk}
	ended := make(chan error, 1)
	go func() { ended <- p.Perform(t.Context()) }()

	pages := access.Local(New(Options{Book: book, Desk: desk}))
	post := func(path string, body any) {
		raw, err := json.Marshal(body)
		require.NoError(t, err)
		r := httptest.NewRequest("POST", "http://127.0.0.1:8470"+path, bytes.NewReader(raw))
		r.Header.Set("Content-Type", "application/json")
		out := httptest.NewRecorder()
		pages.ServeHTTP(out, r)
		require.Less(t, out.Code, http.StatusMultipleChoices, "%s: %s", path, out.Body)
	}
	asked := func(say string) (id int) {
		require.NoError(t, desk.Until(t.Context(), func(v procedure.View) bool { id = v.Now.ID; return v.Now.Say == say }))
		return id
	}
	answer := func(say, choice string) {
		post("/answer", procedure.Answer{ID: asked(say), Choice: choice, By: "Tove Lind"})
	}
	answer("No bare wire?", "No")
	asked("enough?")
	post("/word", procedure.Word{Kind: procedure.WordRedo, Step: "radio/chafing", By: "Tove Lind"})
	answer("Once more. No bare wire?", "Yes")
	answer("enough?", "Done")
	require.NoError(t, <-ended)

	v, _ := desk.View()
	assert.True(t, row(v.Steps[0]).Again, "the page offers it")
	rep, err := report.New(w)
	require.NoError(t, err)
	require.Len(t, rep.Superseded, 1)
	assert.Equal(t, "fail", rep.Superseded[0].Verdict)
	assert.Equal(t, "pass", rep.Steps[0].Verdict)
	var html strings.Builder
	require.NoError(t, rep.HTML(&html))
	assert.Contains(t, html.String(), "Done again")
	assert.Contains(t, html.String(), "No bare wire? : No")
}
