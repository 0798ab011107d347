package metrics_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/dashboard/metrics"
	"loomproof/scripts"
)

// script needs no instrument: a number that a person reads off, and a step left
// out.
const script = `
check_marking("radio", number("Rating of the radio's breaker?", "A", circuit = "radio"))
not_done("load voltage", "gps", "not fitted yet")
hold("Look at the metrics.")
`

func TestMetricsOfAWorksheet(t *testing.T) {
	desk := perform(t)
	c := metrics.Collector(desk, "v1.0.0")
	problems, err := testutil.CollectAndLint(c)
	require.NoError(t, err)
	assert.Empty(t, problems)

	require.NoError(t, testutil.CollectAndCompare(c, strings.NewReader(`
# HELP loomproof_worksheet_open 1 while a worksheet is being performed.
# TYPE loomproof_worksheet_open gauge
loomproof_worksheet_open{aircraft="Marsh Hen",procedure="look"} 1
# HELP loomproof_worksheet_steps Steps of the worksheet by verdict.
# TYPE loomproof_worksheet_steps gauge
loomproof_worksheet_steps{verdict="fail"} 1
loomproof_worksheet_steps{verdict="not done"} 1
loomproof_worksheet_steps{verdict="pass"} 0
loomproof_worksheet_steps{verdict="undecided"} 0
# HELP loomproof_reading_amperes Latest current that a step of the worksheet read.
# TYPE loomproof_reading_amperes gauge
loomproof_reading_amperes{circuit="radio",point="`+stepOf(desk).Point+`",step="`+stepOf(desk).ID+`"} 20
`), "loomproof_worksheet_open", "loomproof_worksheet_steps", "loomproof_reading_amperes"))
}

func stepOf(desk *procedure.Desk) procedure.Step {
	v, _ := desk.View()
	return v.Steps[0]
}

// What is served is right in the eyes of a program of others, in the text form;
// who asks for OpenMetrics gets it.
func TestServedMetricsAreSound(t *testing.T) {
	e := metrics.New(metrics.Options{Desk: perform(t), Version: "v1.0.0", Logbook: filepath.Join(t.TempDir(), "logbook.db")})
	e.Captured(2300 * time.Millisecond)
	e.Recorded(3*time.Millisecond, 2*time.Millisecond)
	text := get(t, e, "text/plain")
	for _, name := range []string{
		"loomproof_build_info{", "loomproof_capture_duration_seconds_bucket{le=\"3\"} 1", "loomproof_journal_append_duration_seconds_count 1",
		"loomproof_store_commit_duration_seconds_sum 0.002", "loomproof_logbook_disk_free_bytes ", "loomproof_left_out{what=\"circuits\"} 0",
	} {
		assert.Contains(t, text, name)
	}
	promtool(t, text, "check", "metrics")
	assert.True(t, strings.HasSuffix(get(t, e, "application/openmetrics-text; version=1.0.0"), "# EOF\n"))
}

// A server that knows them gets the latencies as native histograms.
func TestLatenciesAreNativeHistograms(t *testing.T) {
	e := metrics.New(metrics.Options{Desk: procedure.NewDesk(), Version: "v1.0.0"})
	e.Captured(2300 * time.Millisecond)
	families, err := e.Gather()
	require.NoError(t, err)
	for _, f := range families {
		if f.GetName() == "loomproof_capture_duration_seconds" {
			h := f.Metric[0].Histogram
			assert.NotNil(t, h.Schema)
			assert.Len(t, h.PositiveSpan, 1)
			assert.Len(t, h.Bucket, 7)
			return
		}
	}
	assert.Fail(t, "there is no such histogram")
}

// promtool runs the program of that name, which must find nothing to complain of.
func promtool(t *testing.T, stdin string, args ...string) {
	t.Helper()
	path, err := exec.LookPath("promtool")
	require.NoError(t, err, "this test needs promtool: install the Debian package prometheus")
	cmd := exec.CommandContext(t.Context(), path, args...)
	cmd.Stdin = strings.NewReader(stdin)
	said, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", said)
}

func get(t *testing.T, e *metrics.Exporter, accept string) string {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	r.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	e.Handler().ServeHTTP(w, r)
	require.Equal(t, http.StatusOK, w.Code, w.Body)
	return w.Body.String()
}

// Each alert fires when it should and stays quiet when it should: the cases are
// in testdata/alerts_test.yaml.
func TestAlertRules(t *testing.T) {
	promtool(t, "", "check", "rules", "alerts.yaml")
	promtool(t, "", "test", "rules", filepath.Join("testdata", "alerts_test.yaml"))
}

// The rules stand on names that there are.
func TestAlertRulesUseOurNames(t *testing.T) {
	var names []string
	described := make(chan *prometheus.Desc, 100)
	metrics.Sources(nil, nil).Describe(described)
	metrics.Collector(procedure.NewDesk(), "").Describe(described)
	close(described)
	for d := range described {
		names = append(names, regexp.MustCompile(`loomproof_\w+`).FindString(d.String()))
	}
	names = append(names, "loomproof_logbook_disk_free_bytes", "loomproof_logbook_disk_size_bytes") // by TestServedMetricsAreSound
	used := regexp.MustCompile(`loomproof_\w+`).FindAllString(string(metrics.Alerts), -1)
	require.NotEmpty(t, used)
	assert.Subset(t, names, used)
}

// perform performs the script up to its hold point, and ends it after the test.
func perform(t *testing.T) *procedure.Desk {
	t.Helper()
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	sheet, err := book.Begin(t.Context(), logbook.Opening{Procedure: "look", Script: script, Aircraft: d.Aircraft.Name, Design: d.Text, File: d.File, Revision: d.Revision, Program: "v1.0.0"})
	require.NoError(t, err)
	desk := procedure.NewDesk()
	desk.Settle = 0
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		p := procedure.Performance{Design: d, Sheet: sheet, Name: "look", Script: []byte(script), Bench: &procedure.Bench{}, Desk: desk}
		ended <- p.Perform(ctx)
	}()
	t.Cleanup(func() { stop(); <-ended; book.Close() })
	asked := 0
	require.NoError(t, desk.Until(t.Context(), func(v procedure.View) bool { asked = v.Now.ID; return v.Now.Number != "" }))
	require.NoError(t, desk.Answer(procedure.Answer{ID: asked, Number: 20, By: "Tove Lind"}))
	require.NoError(t, desk.Until(t.Context(), func(v procedure.View) bool { return v.Now.Kind == procedure.DoHold && v.Now.Number == "" }))
	return desk
}
