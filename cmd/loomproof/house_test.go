package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// root is the module's folder, seen from this one.
const root = "../.."

// floors are the folders of the house, the lowest first. Each may import those
// below it; scripts is data that anybody may read.
var floors = []string{"probe", "checks", "dashboard", "cmd"}

// reasons say what an import the wrong way would cost.
var reasons = map[string]string{
	"probe":     "probe knows no aircraft, so that an instrument can be used and tested without one",
	"checks":    "checks knows no screen, so that a verdict never depends on who looks at it",
	"dashboard": "dashboard knows no command line, so that every command stays a thin cover over it",
	"scripts":   "scripts is data: procedures and designs that anybody can read without the program",
}

// goFiles are the Go files of the tree, by folder.
func goFiles(t *testing.T) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	require.NoError(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != root && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata" || d.Name() == "node_modules") {
			return filepath.SkipDir
		}
		if filepath.Ext(path) == ".go" {
			dir, err := filepath.Rel(root, filepath.Dir(path))
			out[filepath.ToSlash(dir)] = append(out[filepath.ToSlash(dir)], path)
			return err
		}
		return nil
	}))
	require.Greater(t, len(out), 20, "the tree was found")
	return out
}

// Tests are held to it as well: what a test needs of the floor above belongs
// there.
func TestImportsRunOneWay(t *testing.T) {
	for dir, files := range goFiles(t) {
		floor, _, _ := strings.Cut(dir, "/")
		for _, file := range files {
			parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ImportsOnly)
			require.NoError(t, err)
			for _, i := range parsed.Imports {
				path, err := strconv.Unquote(i.Path.Value)
				require.NoError(t, err)
				if other, ours := strings.CutPrefix(path, "loomproof/"); ours && !mayImport(floor, other) {
					t.Errorf("%s imports %s: imports run cmd -> dashboard -> checks -> probe, and %s", file, path, reasons[floor])
				}
			}
		}
	}
}

func mayImport(floor, other string) bool {
	other, _, _ = strings.Cut(other, "/")
	from, to := slices.Index(floors, floor), slices.Index(floors, other)
	switch {
	case floor == "scripts":
		return false
	case other == "scripts":
		return floor != "probe"
	case other == "cmd":
		return false
	}
	return from >= 0 && to >= 0 && to <= from
}

func TestMayImport(t *testing.T) {
	for _, tt := range []struct {
		from, to string
		want     bool
	}{
		{"cmd", "dashboard/demo", true},
		{"cmd", "probe", true},
		{"cmd", "cmd/loomproof", false},
		{"checks", "probe/port", true},
		{"checks", "checks/design", true},
		{"checks", "scripts", true},
		{"checks", "dashboard/report", false},
		{"probe", "probe/port", true},
		{"probe", "checks/design", false},
		{"probe", "scripts", false},
		{"scripts", "probe", false},
		{"attic", "probe", false},
		{"checks", "attic", false},
	} {
		assert.Equal(t, tt.want, mayImport(tt.from, tt.to), "%s imports %s", tt.from, tt.to)
	}
}

// A newcomer looks for a package's page in one place.
func TestEachPackageHasOnePackageComment(t *testing.T) {
	for dir, files := range goFiles(t) {
		with, onlyTests := []string{}, true
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			onlyTests = false
			parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.PackageClauseOnly|parser.ParseComments)
			require.NoError(t, err)
			if parsed.Doc != nil && strings.TrimSpace(parsed.Doc.Text()) != "" {
				with = append(with, filepath.Base(file))
			}
		}
		if !onlyTests {
			assert.Len(t, with, 1, "%s: exactly one package comment, in doc.go or at the top of its main file", dir)
		}
	}
}

// The top level stays as small as it is: what a package, a tool or a note needs
// lives with it.
func TestTheTopLevelIsFixed(t *testing.T) {
	entries, err := os.ReadDir(root)
	require.NoError(t, err)
	allowed := []string{
		"cmd", "probe", "checks", "dashboard", "scripts", "go.mod", "go.sum", "README.md", "DEVELOPERS.md", "CHANGELOG.md",
		"LICENSE", "Makefile",
		"bin", // what make builds; not in version control
	}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") {
			assert.Contains(t, allowed, e.Name(), "it belongs below one of the folders that are there")
		}
	}
}
