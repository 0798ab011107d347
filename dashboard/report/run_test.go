package report_test

import (
	"bytes"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	validate "github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/groundrun"
	"loomproof/checks/logbook"
	"loomproof/checks/mockup/charging"
	"loomproof/checks/procedure"
	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
	"loomproof/dashboard/report"
)

// groundRun is the emulated run of an aircraft whose rectifier has lost a diode.
var groundRun = sync.OnceValues(func() (*recording.Memory, error) {
	c := charging.MarshHen()
	c.Step = 1.0 / 32000
	return charging.New(c, charging.Fault{Kind: charging.OpenDiode, Size: 1e6}).Record(charging.GroundRun(), 60, append(charging.Taps(200), charging.Fast(8000))...)
})

// A worksheet that recorded a ground run shows it: in the page with its pictures,
// in the JSON by the schema; one that is not there any more is told.
func TestTheReportShowsItsGroundRuns(t *testing.T) {
	book, err := logbook.Open(filepath.Join(t.TempDir(), "book.db"))
	require.NoError(t, err)
	defer book.Close()
	s, err := store.Open(book)
	require.NoError(t, err)
	log, err := groundRun()
	require.NoError(t, err)
	id, err := s.Keep(t.Context(), log, store.Opening{Start: log.Start(), Title: "first run"})
	require.NoError(t, err)

	rep, err := demoReport()
	require.NoError(t, err)
	ended := time.Date(2026, 5, 2, 10, 0, 0, 0, time.UTC)
	rep.WithRecordings(procedure.Recorded{Recording: id, Title: "first run", Ended: ended, Digest: "1234abcd"}, procedure.Recorded{Recording: 77, Title: "second run", Ended: ended})
	require.NoError(t, rep.AddRuns(t.Context(), book))
	require.Len(t, rep.Runs, 2)

	var page, text bytes.Buffer
	require.NoError(t, rep.HTML(&page))
	for _, want := range []string{
		"Ground run: first run", "one of its six diodes is open", "f = 5", "regulator set-point",
		"1234abcd", "Ground run: second run", "Not analysed: it is not in this logbook",
	} {
		assert.Contains(t, page.String(), want)
	}
	assert.Equal(t, 4, strings.Count(page.String(), `class="chart"`))
	assert.NotContains(t, page.String(), "<script")

	require.NoError(t, rep.JSON(&text))
	schema, err := validate.NewCompiler().Compile(schemaFile)
	require.NoError(t, err)
	doc, err := validate.UnmarshalJSON(&text)
	require.NoError(t, err)
	require.NoError(t, schema.Validate(doc))
}

// A recording alone has a page of its own; names in it are words.
func TestThePageOfARecording(t *testing.T) {
	log, err := groundRun()
	require.NoError(t, err)
	run, err := report.NewRun(log, groundrun.Options{})
	require.NoError(t, err)
	require.NoError(t, run.Draw(log))
	run.Title, run.Aircraft = "<b>first</b>", "Marsh Hen"
	var page bytes.Buffer
	require.NoError(t, run.HTML(&page, "loomproof test"))
	assert.Contains(t, page.String(), "&lt;b&gt;first")
	assert.Contains(t, page.String(), "<h1>Marsh Hen</h1>")
	assert.Equal(t, 4, strings.Count(page.String(), `class="chart"`))

	nothing, err := report.NewRun(recording.NewMemory(time.Unix(0, 0)), groundrun.Options{})
	require.NoError(t, err)
	page.Reset()
	require.NoError(t, nothing.Draw(recording.NewMemory(time.Unix(0, 0))))
	require.NoError(t, nothing.HTML(&page, "loomproof test"))
	assert.Contains(t, page.String(), "Not analysed")
}
