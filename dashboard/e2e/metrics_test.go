package e2e

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// checkMetrics asks a program of others, promtool, what it thinks of the
// metrics as they are served now.
func checkMetrics(t *testing.T, program string) {
	t.Helper()
	r, err := http.Get(program + "metrics")
	require.NoError(t, err)
	defer r.Body.Close()
	require.Equal(t, http.StatusOK, r.StatusCode)
	body, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	assert.Contains(t, string(body), `loomproof_reading_volts{circuit="`)
	checkNames(t, string(body))
	assert.Empty(t, read(t, body, tool(t, "promtool", "prometheus"), "check", "metrics"))
}

// checkNames: people's alerts hang on these names.
func checkNames(t *testing.T, served string) {
	t.Helper()
	var names strings.Builder
	for line := range strings.Lines(served) {
		if name, ok := strings.CutPrefix(line, "# TYPE "); ok && strings.HasPrefix(name, "loomproof_") {
			names.WriteString(name)
		}
	}
	golden := filepath.Join("testdata", "metrics.txt")
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(golden, []byte(names.String()), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err, "write it with: go test ./dashboard/e2e -update")
	assert.Equal(t, string(want), names.String(), "change a name knowingly, with -update")
}
