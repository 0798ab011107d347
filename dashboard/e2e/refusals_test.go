package e2e

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/procedure"
	"loomproof/dashboard/access"
	"loomproof/dashboard/web"
)

// asking serves the pages with one question on the desk.
func asking(t *testing.T) (*procedure.Desk, *httptest.Server) {
	t.Helper()
	desk := procedure.NewDesk()
	desk.Settle = 0
	ctx, stop := context.WithCancel(t.Context())
	gone := make(chan struct{})
	go func() { defer close(gone); _ = desk.Ask(ctx, "Close breaker RADIO.", "Closed") }()
	t.Cleanup(func() { stop(); <-gone })
	require.NoError(t, desk.Until(t.Context(), func(v procedure.View) bool { return v.Now.Kind == procedure.DoHold }))
	server := httptest.NewServer(access.Local(web.New(web.Options{Desk: desk})))
	t.Cleanup(server.Close)
	return desk, server
}

const rightAnswer = `{"id": 1, "choice": "Closed", "by": "Tove Lind"}`

// What must not be taken for a person's word at this bench changes nothing.
func TestRefusals(t *testing.T) {
	desk, server := asking(t)
	for _, c := range []struct {
		name, method, path, body, host, origin string
		code                                   int
		says                                   string
	}{
		{name: "another site's page", origin: "https://weather.example", code: http.StatusForbidden, says: "another site"},
		{name: "another port of this machine", origin: "http://127.0.0.1:1", code: http.StatusForbidden, says: "another site"},
		{name: "a page from nowhere", origin: "null", code: http.StatusForbidden, says: "another site"},
		{name: "a name that was pointed here", host: "bench.example", code: http.StatusForbidden, says: "not served here"},
		{name: "the same with a port", host: "bench.example:8470", code: http.StatusForbidden, says: "not served here"},
		{name: "a name that begins as ours", host: "localhost.example", code: http.StatusForbidden, says: "not served here"},
		{name: "an address of the network", host: "192.0.2.7:8470", code: http.StatusForbidden, says: "not served here"},
		{name: "the page under a wrong name", method: http.MethodGet, path: "/", host: "bench.example", code: http.StatusForbidden, says: "not served here"},
		{name: "a question that is gone", body: `{"id": 7, "choice": "Closed", "by": "Tove Lind"}`, code: http.StatusConflict, says: "no longer asked"},
		{name: "nobody's answer", body: `{"id": 1, "choice": "Closed", "by": "  "}`, code: http.StatusBadRequest, says: "fill in your name"},
		{name: "an answer that is not offered", body: `{"id": 1, "choice": "Open", "by": "Tove Lind"}`, code: http.StatusBadRequest, says: `"Closed"`},
		{name: "a field that means nothing", body: `{"id": 1, "choice": "Closed", "by": "Tove Lind", "force": true}`, code: http.StatusBadRequest, says: "force"},
		{name: "more than an answer can be", body: `{"id": 1, "choice": "Closed", "by": "` + strings.Repeat("a", 5000) + `"}`, code: http.StatusBadRequest, says: "too large"},
		{name: "half an answer", body: `{"id": 1, "choi`, code: http.StatusBadRequest, says: "no answer"},
		{name: "two answers in one", body: rightAnswer + rightAnswer, code: http.StatusBadRequest, says: "one answer"},
		{name: "nothing", body: " ", code: http.StatusBadRequest, says: "no answer"},
		{name: "an answer by link", method: http.MethodGet, code: http.StatusNotFound, says: "no such page"},
		{name: "no such page", method: http.MethodGet, path: "/etc", code: http.StatusNotFound, says: "no such page"},
		{name: "a file outside", method: http.MethodGet, path: "/static/..%2fbench.html", code: http.StatusNotFound, says: "no such page"},
		{name: "a worksheet that is no number", method: http.MethodGet, path: "/report/%3Cb%3E", code: http.StatusNotFound, says: "&lt;b&gt;"},
	} {
		t.Run(c.name, func(t *testing.T) {
			code, said := ask(t, server, orElse(c.method, http.MethodPost), orElse(c.path, "/answer"), orElse(c.body, rightAnswer), c.host, c.origin)
			assert.Equal(t, c.code, code, said)
			assert.Contains(t, said, c.says)
			v, _ := desk.View()
			assert.Equal(t, 1, v.Now.ID, "the question still stands")
			assert.Equal(t, procedure.DoHold, v.Now.Kind)
		})
	}
	// The very answer that was refused above is taken from the page itself.
	code, said := ask(t, server, http.MethodPost, "/answer", rightAnswer, "", server.URL)
	assert.Equal(t, http.StatusNoContent, code, said)
	require.NoError(t, desk.Until(t.Context(), func(v procedure.View) bool { return v.Now.Kind == procedure.DoNothing }))
	code, said = ask(t, server, http.MethodPost, "/answer", rightAnswer, "", server.URL)
	assert.Equal(t, http.StatusConflict, code, "once only: %s", said)
}

func ask(t *testing.T, server *httptest.Server, method, path, body, host, origin string) (code int, said string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, server.URL+path, strings.NewReader(body))
	require.NoError(t, err)
	r.Host = host
	if origin != "" {
		r.Header.Set("Origin", origin)
	}
	answer, err := server.Client().Do(r)
	require.NoError(t, err)
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	return answer.StatusCode, string(text)
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}
