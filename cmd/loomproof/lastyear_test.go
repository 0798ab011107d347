package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/units"
	"loomproof/dashboard/report"
)

// An annual check has beside each value what the worksheet before it read
// there: on the screen as it is taken, in the report, and for machines.
func TestAnAnnualCheckShowsLastYear(t *testing.T) {
	book := filepath.Join(t.TempDir(), "logbook.db")
	year := func(seed string) (rep report.Report, progress string) {
		t.Helper()
		var out, errOut bytes.Buffer
		code := run([]string{"demo", "--hands-off", "--json", "--procedure", "annual-check", "--fault", "none", "--seed", seed, "--logbook", book}, nil, &out, &errOut)
		require.Equal(t, 0, code, "%s", &errOut)
		require.NoError(t, json.Unmarshal(out.Bytes(), &rep))
		return rep, errOut.String()
	}
	first, said := year("3")
	assert.NotContains(t, said, first.Ended.Format("January 2006: "), "there was none before")
	second, said := year("4")
	html := filepath.Join(t.TempDir(), "report.html")
	var out, errOut bytes.Buffer
	require.Equal(t, 0, run([]string{"report", "--html", html, "--logbook", book}, nil, &out, &errOut), "%s", &errOut)
	page, err := os.ReadFile(html)
	require.NoError(t, err)
	beside := 0
	for i, step := range second.Steps {
		was := first.Steps[i]
		require.Equal(t, was.ID, step.ID)
		if was.Reading == nil {
			assert.Nil(t, step.Last, step.ID)
			continue
		}
		require.NotNil(t, step.Last, step.ID)
		assert.Equal(t, first.Worksheet, step.Last.Worksheet)
		assert.Equal(t, *was.Reading, *step.Last.Reading, step.ID)
		text := was.At.UTC().Format("January 2006") + ": " + units.Format(*was.Reading, was.Unit)
		assert.Contains(t, said, text, "on the screen: %s", step.ID)
		assert.Contains(t, string(page), strings.ReplaceAll(text, "'", "&#39;"), "in the report: %s", step.ID)
		beside++
	}
	assert.Greater(t, beside, 40)
}
