// Package scripts carries the procedures and the example designs inside the
// program, so that it needs no files of its own to run.
package scripts

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

//go:embed *.star designs/*.yaml
var files embed.FS

// order is that of the job; a procedure that is not in it comes after.
var order = []string{
	"before-power", "first-power-on", "loaded", "avionics", "audio", "ground-run", "compass", "locator", "annual-check",
}

// Procedures lists the procedures by name, in the order of the job.
func Procedures() []string {
	found, err := files.ReadDir(".")
	if err != nil {
		return nil // cannot be: the folder is in the program
	}
	var names []string
	for _, f := range found {
		if name, ok := strings.CutSuffix(f.Name(), ".star"); ok {
			names = append(names, name)
		}
	}
	place := func(name string) int {
		if i := slices.Index(order, name); i >= 0 {
			return i
		}
		return len(order)
	}
	slices.SortStableFunc(names, func(a, b string) int { return place(a) - place(b) })
	return names
}

// Procedure is the text of a procedure by name, first-power-on; ok tells
// whether there is one.
func Procedure(name string) (text []byte, ok bool) {
	text, err := files.ReadFile(name + ".star")
	return text, err == nil
}

// Load finds a procedure by name, or reads one from a file whose name ends in
// .star. One that was changed has another name than ours of the same file name.
func Load(which string) (name string, text []byte, err error) {
	if text, ok := Procedure(which); ok {
		return which, text, nil
	}
	if !IsFile(which) {
		return "", nil, fmt.Errorf("there is no procedure %q; there are: %s; or name a file that ends in .star", which, strings.Join(Procedures(), ", "))
	}
	text, err = os.ReadFile(which)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil, fmt.Errorf("script %s: there is no such file; check its name and folder", which)
	}
	name = strings.TrimSuffix(filepath.Base(which), ".star")
	if ours, ok := Procedure(name); ok && !bytes.Equal(ours, text) {
		name += " (changed)"
	}
	return name, text, err
}

// IsFile tells whether a procedure is named by its file.
func IsFile(which string) bool { return strings.HasSuffix(which, ".star") }

var needsLine = regexp.MustCompile(`(?m)^needs\((.*)\)$`)

// Needs lists the instruments that a procedure asks for at its top: meter, supply,
// node. Some need none: what they take is seen, heard or typed.
func Needs(text []byte) []string {
	found := needsLine.FindSubmatch(text)
	if found == nil {
		return nil
	}
	var out []string
	for word := range strings.SplitSeq(string(found[1]), ",") {
		out = append(out, strings.Trim(word, "\" "))
	}
	return out
}

// Design is the text of an example design by name, marsh-hen; ok tells whether
// there is one.
func Design(name string) (text []byte, ok bool) {
	text, err := files.ReadFile("designs/" + name + ".yaml")
	return text, err == nil
}
