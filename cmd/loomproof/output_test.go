package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A file is written whole or not at all, and what was there is lost in no case that
// did not ask for it.
func TestAFileIsWrittenWholeOrNotAtAll(t *testing.T) {
	broken := errors.New("the disk is full")
	half := func(w io.Writer) error { _, _ = io.WriteString(w, "half a rep"); return broken }
	whole := bytesOf([]byte("new"))
	for _, c := range []struct {
		name    string
		there   bool // a file of an earlier day
		replace bool
		content func(io.Writer) error
		err     string
		want    string // "" is no file
	}{
		{"a new one", false, false, whole, "", "new"},
		{"a new one that breaks off", false, false, half, "the disk is full", ""},
		{"one that is there", true, false, whole, "is there already and was left as it is; choose another name; or write over it with --replace", "old"},
		{"one that is to go", true, true, whole, "", "new"},
		{"one that is to go, and the new one breaks off", true, true, half, "was left as it was: the disk is full", "old"},
		{"a new one with --replace", false, true, whole, "", "new"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, "report.html")
			if c.there {
				require.NoError(t, os.WriteFile(path, []byte("old"), 0o640))
			}
			err := replacing{Replace: c.replace}.write(path, c.content)
			if c.err == "" {
				require.NoError(t, err)
			} else {
				require.ErrorContains(t, err, c.err)
			}
			got, err := os.ReadFile(path)
			if c.want == "" {
				assert.ErrorIs(t, err, os.ErrNotExist)
			} else {
				assert.Equal(t, c.want, string(got))
			}
			if c.there {
				info, err := os.Stat(path)
				require.NoError(t, err)
				assert.Equal(t, os.FileMode(0o640), info.Mode().Perm(), "who may read it stays")
			}
			left, err := filepath.Glob(filepath.Join(dir, "*"))
			require.NoError(t, err)
			assert.LessOrEqual(t, len(left), 1, "nothing half is left beside it")
		})
	}
	require.NoError(t, replacing{}.write("", half), "no name is no file")
	assert.ErrorContains(t, replacing{}.write(t.TempDir(), whole), "there already", "a folder stays one")
}
