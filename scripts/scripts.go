// Package scripts carries the procedures and the example designs inside the
// program, so that it needs no files of its own to run.
package scripts

import (
	"embed"
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

// Design is the text of an example design by name, marsh-hen; ok tells whether
// there is one.
func Design(name string) (text []byte, ok bool) {
	text, err := files.ReadFile("designs/" + name + ".yaml")
	return text, err == nil
}
