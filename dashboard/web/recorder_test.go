package web

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/recording"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/recording/store"
	"loomproof/dashboard/access"
	"loomproof/probe/bench"
	"loomproof/probe/sources"
)

// A node behind a serial line is recorded by the page while something else of the
// daemon reads it: both get what they want, and every sample is on disk.
func TestRecordingByThePageBesideAReader(t *testing.T) {
	cable, err := bench.NewCable()
	require.NoError(t, err)
	served := make(chan struct{})
	go func() {
		defer close(served)
		_ = bench.NewNode(func(int) float64 { return 3.5 }, bench.NodeOptions{Noise: -1}).Serve(cable.Device())
	}()
	defer func() { cable.Close(); <-served }()
	f, err := sources.Parse("sources.yaml", []byte(fmt.Sprintf(`loomproof-sources: 1
sources:
  board: {kind: node, port: %s, rate: 1000, oversampling: 1, channels: {bus: {pin: 0, scale: 4, accuracy: 1 %%}}}
`, cable.Name())))
	require.NoError(t, err)
	all, err := f.Sources()
	require.NoError(t, err)
	board := sources.Of(all[0])
	require.NoError(t, board.Open(t.Context()))
	defer board.Close()
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	defer book.Close()
	st, err := store.Open(book)
	require.NoError(t, err)
	rec := recorder.New(st, []*sources.Source{board}, "Marsh Hen", "test")
	defer func() { require.NoError(t, rec.Close()) }()
	pages := New(Options{Book: book, Desk: procedure.NewDesk(), Recorder: rec})
	server := httptest.NewServer(access.Local(pages))
	defer server.Close()
	post := func(path, body string) (int, string) {
		res, err := http.Post(server.URL+path, "application/json", strings.NewReader(body))
		require.NoError(t, err)
		defer res.Body.Close()
		said, _ := bufio.NewReader(res.Body).ReadString('\n')
		return res.StatusCode, strings.TrimSpace(said)
	}
	state := func() (s recorder.State) {
		res, err := http.Get(server.URL + "/recorder/state")
		require.NoError(t, err)
		defer res.Body.Close()
		require.NoError(t, json.NewDecoder(res.Body).Decode(&s))
		return s
	}

	// Nothing is recorded, and what can be is told.
	assert.Equal(t, recorder.Idle, state().Phase)
	assert.Equal(t, "bus=board/bus", state().Sources[0].Channels[0].Write)
	for _, c := range []struct {
		path, body string
		code       int
		says       string
	}{
		{"/recorder/stop", `{"by":"Tove"}`, 409, "nothing is recorded: start a recording first"},
		{"/recorder/mark", `{"by":"Tove","text":"idle"}`, 409, "nothing is recorded: start a recording first"},
		{"/recorder/mark", `{"by":"Tove","text":" "}`, 400, "Say what the marker is of."},
		{"/recorder/start", `{}`, 400, "Say who you are: fill in your name."},
		{"/recorder/start", `{"by":"Tove","length":1}`, 400, `That is no order for the recorder: json: unknown field "length"`},
		{"/recorder/start", `{"by":"Tove","channels":["bus"]}`, 400, `channel "bus": write it like bus=board/main bus:bus voltage`},
		{"/recorder/start", `{"by":"Tove","trigger":"boss < 1 V"}`, 400, `trigger "boss < 1 V": there is no channel "boss"; there are: bus`},
		{"/recorder/start", `{"by":"Tove","for_s":-1}`, 400, "the time before the trigger and the time to record are 0 or more seconds"},
	} {
		code, says := post(c.path, c.body)
		assert.Equal(t, c.code, code, c.path+c.body)
		assert.Equal(t, c.says, says)
	}
	res, err := http.Get(server.URL + "/recorder/start")
	require.NoError(t, err)
	res.Body.Close()
	assert.NotEqual(t, http.StatusNoContent, res.StatusCode, "GET changes nothing")
	watcher := httptest.NewRecorder()
	pages.ServeHTTP(watcher, httptest.NewRequest("POST", "/recorder/start", strings.NewReader(`{"by":"Tove"}`)))
	assert.Equal(t, http.StatusForbidden, watcher.Code, "who may only watch starts nothing")
	foreign := httptest.NewRequest("POST", "http://127.0.0.1:8470/recorder/start", strings.NewReader(`{"by":"Tove"}`))
	foreign.Header.Set("Origin", "https://example.org")
	refused := httptest.NewRecorder()
	access.Local(pages).ServeHTTP(refused, foreign)
	assert.Equal(t, http.StatusForbidden, refused.Code, "another site starts nothing")

	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	listen, err := http.NewRequestWithContext(ctx, "GET", server.URL+"/recorder/live", nil)
	require.NoError(t, err)
	live, err := http.DefaultClient.Do(listen)
	require.NoError(t, err)
	defer live.Body.Close()

	code, says := post("/recorder/start", `{"by":"Tove Lind, builder","title":"a quiet bus","channels":["bus=board/bus:bus voltage"]}`)
	require.Equal(t, http.StatusNoContent, code, says)
	code, says = post("/recorder/start", `{"by":"Tove"}`)
	assert.Equal(t, http.StatusConflict, code)
	assert.Equal(t, "something is recorded already: stop it first", says)

	// Beside it the procedure reads.
	for range 3 {
		r, err := board.Read(t.Context(), "bus")
		require.NoError(t, err)
		assert.InDelta(t, 14, r.Value, 0.02)
	}
	code, _ = post("/recorder/mark", `{"by":"Tove","text":"load in"}`)
	assert.Equal(t, http.StatusNoContent, code)

	points, name := 0, ""
	for lines := bufio.NewScanner(live.Body); points < 30 && lines.Scan(); {
		if event, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
			name = event
		}
		body, ok := strings.CutPrefix(lines.Text(), "data: ")
		if !ok || name != "block" {
			continue
		}
		var b recorder.Block
		require.NoError(t, json.Unmarshal([]byte(body), &b))
		for _, p := range b.Points {
			assert.InDelta(t, 14, p[3], 0.02)
			points++
		}
	}
	require.GreaterOrEqual(t, points, 30)
	during := state()
	assert.Equal(t, recorder.Recording, during.Phase)
	assert.Equal(t, "Tove Lind", during.By)
	assert.InDelta(t, 14, during.Channels[0].Value, 0.02)
	assert.Zero(t, during.Gaps)

	code, says = post("/recorder/stop", `{"by":"Tove"}`)
	require.Equal(t, http.StatusNoContent, code, says)
	after := state()
	assert.Equal(t, recorder.Idle, after.Phase)
	assert.Empty(t, after.Error)
	require.Len(t, after.Markers, 1)
	assert.Equal(t, recording.LoadIn, after.Markers[0].Kind)
	kept, err := st.Recording(t.Context(), after.Recording)
	require.NoError(t, err)
	n := 0
	for b, err := range kept.Blocks(0, math.Inf(-1), math.Inf(1)) {
		require.NoError(t, err)
		n += len(b.Codes)
	}
	assert.EqualValues(t, after.Samples, n)
	gaps, err := recording.Gaps(kept, 0, math.Inf(-1), math.Inf(1))
	require.NoError(t, err)
	assert.Empty(t, gaps)
}
