package metrics_test

import (
	"context"
	"path/filepath"
	"strings"
	"testing"

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
loomproof_reading_amperes{circuit="radio",step="`+stepID(desk)+`"} 20
`), "loomproof_worksheet_open", "loomproof_worksheet_steps", "loomproof_reading_amperes"))
}

func stepID(desk *procedure.Desk) string {
	v, _ := desk.View()
	return v.Steps[0].ID
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
