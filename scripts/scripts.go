// Package scripts carries the procedures and the example designs inside the
// program, so that it needs no files of its own to run.
package scripts

import "embed"

//go:embed *.star designs/*.yaml
var files embed.FS

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
