package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/evidence"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/dashboard/access"
	"loomproof/scripts"
)

// A worksheet is signed on its page by who sits at the machine, with the rules of
// the command: open things acknowledged, what was seen is what is signed, nothing
// changed by looking.
func TestSigningOnThePage(t *testing.T) {
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	defer book.Close()
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	const script = "not_done('current', 'radio', '<b>later</b>')\n"
	w, err := book.Begin(t.Context(), logbook.Opening{Procedure: "x", Script: script, Aircraft: "Marsh Hen", Design: string(text), File: "marsh-hen.yaml"})
	require.NoError(t, err)
	dir := t.TempDir()
	pages := New(Options{Book: book, Desk: procedure.NewDesk(), Key: func() (*evidence.Key, error) { k, _, err := evidence.OwnKey(dir); return k, err }})
	local := access.Local(pages)
	ask := func(h http.Handler, method string, form url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, "http://127.0.0.1:8470/sign/1", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		out := httptest.NewRecorder()
		h.ServeHTTP(out, r)
		return out
	}
	assert.Equal(t, http.StatusConflict, ask(local, "GET", nil).Code, "it is not finished")

	p := procedure.Performance{Design: d, Sheet: w, Name: "x", Script: []byte(script), Bench: &procedure.Bench{}, Desk: procedure.NewDesk()}
	require.NoError(t, p.Perform(t.Context()))
	count := func() int {
		w, err := book.Worksheet(t.Context(), 1)
		require.NoError(t, err)
		return len(w.Records())
	}
	before := count()
	page := ask(local, "GET", nil)
	require.Equal(t, http.StatusOK, page.Code, page.Body)
	assert.Contains(t, page.Body.String(), "&lt;b&gt;later")
	head := regexp.MustCompile(`name="head" value="([0-9a-f]{64})"`).FindStringSubmatch(page.Body.String())
	require.Len(t, head, 2)

	full := url.Values{"head": {head[1]}, "by": {"R. Example"}, "capacity": {"builder"}, "reason": {"next week"}}
	assert.Equal(t, http.StatusForbidden, ask(pages, "POST", full).Code, "not from this machine")
	for field, want := range map[string]string{"by": "say who signs", "capacity": "in what capacity", "reason": "Say why", "head": "was added"} {
		form := url.Values{}
		for k, v := range full {
			if k != field {
				form[k] = v
			}
		}
		out := ask(local, "POST", form)
		assert.Equal(t, http.StatusUnprocessableEntity, out.Code, field)
		assert.Contains(t, out.Body.String(), want)
	}
	assert.Equal(t, before, count(), "nothing was signed so far")
	_, err = evidence.KeyIn(dir)
	assert.Error(t, err, "and no key was made for nothing")
	out := ask(local, "POST", full)
	assert.Equal(t, http.StatusOK, out.Code)
	assert.Contains(t, out.Body.String(), "is signed by R. Example, builder")
	assert.Equal(t, before+1, count())
	key, err := evidence.KeyIn(dir)
	require.NoError(t, err)
	known := evidence.Known{}
	known.AddKey(key.Public())
	again, err := book.Worksheet(t.Context(), 1)
	require.NoError(t, err)
	assert.True(t, evidence.Verify(evidence.Of(again), known).Proven())
}
