package scripts

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every procedure in the folder is listed, once, and the ones named in the order
// of the job are there.
func TestProceduresAreThoseOfTheFolder(t *testing.T) {
	names := Procedures()
	seen := map[string]bool{}
	for _, name := range names {
		_, ok := Procedure(name)
		assert.True(t, ok, name)
		assert.False(t, seen[name], name)
		seen[name] = true
	}
	assert.Contains(t, names, "first-power-on")
}

// Each says what its pass says nothing about: the report says it beside the verdict.
func TestEachProcedureSaysWhatItCannotSee(t *testing.T) {
	for _, name := range Procedures() {
		text, _ := Procedure(name)
		assert.Regexp(t, `(?m)^CANNOT_SEE = \["[^"]{10,}"`, string(text), name)
	}
}

func TestNeeds(t *testing.T) {
	assert.Equal(t, []string{"meter"}, needsOf(t, "first-power-on"))
	assert.Equal(t, []string{"meter"}, needsOf(t, "ground-run"))
	assert.Empty(t, needsOf(t, "compass"))
}

func needsOf(t *testing.T, name string) []string {
	t.Helper()
	_, text, err := Load(name)
	require.NoError(t, err)
	return Needs(text)
}

func TestLoad(t *testing.T) {
	_, _, err := Load("take-off")
	assert.ErrorContains(t, err, "there is no procedure")
	_, _, err = Load(filepath.Join(t.TempDir(), "none.star"))
	assert.ErrorContains(t, err, "there is no such file")
	path := filepath.Join(t.TempDir(), "loaded.star")
	ours, _ := Procedure("loaded")
	require.NoError(t, os.WriteFile(path, ours, 0o600))
	name, text, err := Load(path)
	require.NoError(t, err)
	assert.Equal(t, "loaded", name)
	assert.Equal(t, ours, text)
	require.NoError(t, os.WriteFile(path, append(ours, '\n'), 0o600))
	name, _, err = Load(path)
	require.NoError(t, err)
	assert.Equal(t, "loaded (changed)", name)
}
