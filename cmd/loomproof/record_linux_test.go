package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"loomproof/checks/logbook"
	"loomproof/checks/recording"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/recording/store"
	"loomproof/probe/bench"
)

// A ground run that the daemon records, started by its page's word: the lead is
// pulled and put into another socket, the disk runs full and gets room again, and
// the daemon is killed. Every sample that it said was on disk is there, in order;
// what the lead lost is a gap; and the daemon that is started next says how the
// recording ended.
func TestTheDaemonsRecordingSurvives(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("a real full disk needs the right to mount one")
	}
	dir, desk := mounted(t, "size=8m"), t.TempDir()
	hub, err := bench.NewHub(desk)
	require.NoError(t, err)
	var scans atomic.Int64
	node := bench.NewNode(func(channel int) float64 {
		if channel != 0 {
			return 1
		}
		return (float64(scans.Add(1)%1024) + 0.5) * 5 / 1024 // one code higher at each scan
	}, bench.NodeOptions{Noise: -1, ID: 7})
	lead := bench.Adapter{Vendor: "16c0", Product: "05dc", Serial: "MH0042", Maker: "Reedbed", Text: "Serial lead"}
	plug := func(as string) *bench.Cable {
		cable, err := bench.NewCable()
		require.NoError(t, err)
		t.Cleanup(func() { cable.Close() })
		go func() { _ = node.Serve(cable.Device()) }()
		require.NoError(t, hub.Plug(as, lead, cable))
		return cable
	}
	cable := plug("ttyUSB0")
	file := filepath.Join(dir, "sources.yaml")
	require.NoError(t, os.WriteFile(file, []byte(`loomproof-sources: 1
sources:
  board:
    kind: node
    port: usb 16C0:05DC MH0042
    rate: 1000
    oversampling: 1
    channels:
      bus: {pin: 0, scale: 4, accuracy: 1 %, clipped-to: main}
`), 0o600))
	start := func() *daemon {
		return startDaemonWith(t, dir, []string{testsTree + "=" + desk}, "--sources", file)
	}
	d := start()
	d.order("start", `{"by": "Tove Lind", "title": "ground run"}`)
	s := d.recorder("samples", func(s recorder.State) bool { return s.Samples > 1500 })
	d.order("mark", `{"by": "Tove Lind", "text": "engine start"}`)

	require.NoError(t, hub.Pull("ttyUSB0", cable))
	d.recorder("the loss is told", func(s recorder.State) bool { return strings.Contains(told(s), "board") })
	cable = plug("ttyUSB5")
	s = d.recorder("samples after it", func(now recorder.State) bool { return now.Samples > s.Samples+1500 && now.Gaps > 0 })

	free := fill(t, dir)
	s = d.recorder("the disk is full", func(s recorder.State) bool { return strings.Contains(s.Trouble, "the disk is full") && s.Pending > 500 })
	free()
	s = d.recorder("there is room", func(now recorder.State) bool {
		return now.Trouble == "" && now.Samples > s.Samples+int64(s.Pending)+500
	})
	assert.Zero(t, s.Dropped, "all was held in memory")

	d.kill()
	kept := keptRecording(t, filepath.Join(dir, "logbook.db"))
	samples, gaps := 0, 0
	var before recording.Block
	for b, err := range kept.Blocks(0, math.Inf(-1), math.Inf(1)) {
		require.NoError(t, err)
		if _, gap := recording.Between(before, b); gap && samples > 0 {
			gaps++
		} else if samples > 0 {
			require.Equal(t, (before.Codes[len(before.Codes)-1]+1)%1024, b.Codes[0], "sample %d", samples)
		}
		for i := 1; i < len(b.Codes); i++ {
			require.Equal(t, (b.Codes[i-1]+1)%1024, b.Codes[i], "sample %d", samples+i)
		}
		samples += len(b.Codes)
		before = recording.Block{Start: b.Start, Step: b.Step, Codes: append([]int32(nil), b.Codes...)}
	}
	assert.GreaterOrEqual(t, int64(samples), s.Samples, "every sample that was said to be on disk")
	assert.Equal(t, 1, gaps, "the lead's, and no other")
	require.Len(t, kept.Markers(), 1)
	assert.Equal(t, "engine start", kept.Markers()[0].Text)

	d = start()
	r, err := http.Get(d.url + "logbook")
	require.NoError(t, err)
	defer r.Body.Close()
	assert.Contains(t, readAll(t, r), "stopped without a word")
	require.NoError(t, hub.Pull("ttyUSB5", cable))
}

// fill takes all that is left of a disk that somebody writes to; free gives it back.
func fill(t *testing.T, dir string) (free func()) {
	t.Helper()
	f, err := os.Create(filepath.Join(dir, "filler"))
	require.NoError(t, err)
	for err == nil {
		_, err = f.Write(make([]byte, 4096))
	}
	require.ErrorIs(t, err, unix.ENOSPC)
	require.NoError(t, f.Close())
	return func() { require.NoError(t, os.Remove(f.Name())) }
}

// order gives the recorder an order, as the page does.
func (d *daemon) order(what, body string) {
	d.t.Helper()
	r, err := http.Post(d.url+"recorder/"+what, "application/json", strings.NewReader(body))
	require.NoError(d.t, err)
	defer r.Body.Close()
	require.Equal(d.t, http.StatusNoContent, r.StatusCode, readAll(d.t, r))
}

// recorder waits until the recorder's state is so.
func (d *daemon) recorder(what string, so func(recorder.State) bool) (s recorder.State) {
	d.t.Helper()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); <-again.C {
		r, err := http.Get(d.url + "recorder/state")
		require.NoError(d.t, err)
		s = recorder.State{}
		err = json.NewDecoder(r.Body).Decode(&s)
		r.Body.Close()
		require.NoError(d.t, err)
		if so(s) {
			return s
		}
	}
	require.FailNow(d.t, "never so: "+what, "%+v", s)
	return s
}

func readAll(t *testing.T, r *http.Response) string {
	t.Helper()
	body, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	return string(body)
}

// told is all that the recorder said.
func told(s recorder.State) string {
	var b strings.Builder
	for _, m := range s.Messages {
		fmt.Fprintln(&b, m.Text)
	}
	return b.String()
}

// keptRecording is the first recording of a logbook that nobody has open.
func keptRecording(t *testing.T, path string) recording.Recording {
	t.Helper()
	book, err := logbook.Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { book.Close() })
	st, err := store.Open(book)
	require.NoError(t, err)
	rec, err := st.Recording(t.Context(), 1)
	require.NoError(t, err)
	return rec
}
