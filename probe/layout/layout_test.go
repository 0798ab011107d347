package layout_test

import (
	"reflect"
	"testing"

	"github.com/stretchr/testify/assert"
	"go.yaml.in/yaml/v3"

	"loomproof/probe/layout"
)

type common struct {
	layout.Pos
	Name string `key:"-"`
	Kind string `key:"kind,required" doc:"What kind."`
}

type entry struct {
	common
	Size  int   `key:"size" doc:"How large."`
	Shape shape `key:"shape" doc:"A word or a list of words."`
}

// A shape is one word or a list of them.
type shape []string

func (s *shape) ReadShape(r *layout.Reader, n *yaml.Node, what string) {
	switch n.Kind {
	case yaml.ScalarNode:
		*s = shape{n.Value}
	case yaml.SequenceNode:
		r.Decode(n, (*[]string)(s), what)
	default:
		r.Errorf(layout.At(n), "%s: a word or a list of words is wanted here", what)
	}
}

type file struct {
	Format  int      `key:"format,required" doc:"Version."`
	Entries []*entry `key:"parts" doc:"Parts by name."`
}

func read(text string) (file, layout.Errors) {
	var f file
	r := layout.NewReader("f.yaml")
	r.Read([]byte(text), &f, "the file")
	return f, r.Errors()
}

func TestEmbeddedKeysAndShapes(t *testing.T) {
	f, errs := read("format: 1\nparts:\n  a: {kind: x, size: 3, shape: one}\n  b:\n    kind: y\n    shape: [one, two]\n")
	assert.Empty(t, errs)
	assert.Equal(t, "a", f.Entries[0].Name)
	assert.Equal(t, layout.Pos{Line: 3, Column: 3}, f.Entries[0].Pos)
	assert.Equal(t, shape{"one"}, f.Entries[0].Shape)
	assert.Equal(t, 3, f.Entries[0].Size)
	assert.Equal(t, "y", f.Entries[1].Kind)
	assert.Equal(t, shape{"one", "two"}, f.Entries[1].Shape)
}

func TestEveryMistakeHasItsPlace(t *testing.T) {
	for text, want := range map[string]string{
		"":                                 `f.yaml:1:1: the file is empty; begin with "format: 1"`,
		"format: one":                      `f.yaml:1:9: format: "one" is not a whole number`,
		"formt: 1":                         `f.yaml:1:1: the file has no "formt" (did you mean "format"?); known: format, parts`,
		"format: [":                        "f.yaml:1:1: not YAML: did not find expected node content; check the indentation and the quotes here and just above",
		"parts: {}":                        `f.yaml:1:1: the file: "format" is missing`,
		"format: &a 1":                     "",
		"format: 1\nparts: {a: {size: 1}}": `f.yaml:2:12: part "a": "kind" is missing`,
		"format: 1\nparts: {a: {kind: x, shape: {b: c}}}":       "f.yaml:2:29: shape: a word or a list of words is wanted here",
		"format: 1\nparts: {a: {kind: x}, a: {kind: y}}":        `f.yaml:2:23: parts: "a" stands twice; give one of them another name`,
		"format: 1\nparts: {a: &q {kind: x}, b: *q}":            `f.yaml:2:29: part "b": *q stands for something above; write it out here`,
		"format: 1\nparts: {a: {kind: x, kind: y}}":             `f.yaml:2:22: "kind" stands twice; keep one`,
		"format: 1\nparts: {a: {kind: }}":                       `f.yaml:2:13: "kind" has no value; give it one or take the line out`,
		"format: 1\nparts: {a: {kind: x, size: 1, shape: [y]}}": "",
	} {
		_, errs := read(text)
		if want == "" {
			assert.Empty(t, errs, text)
			continue
		}
		assert.Equal(t, want, errs.Error(), text)
	}
}

func TestSchemaOfEmbeddedAndShaped(t *testing.T) {
	s := layout.Shapes{reflect.TypeFor[shape](): layout.Text("one")}.Of(reflect.TypeFor[entry]())
	properties := s["properties"].(layout.Schema)
	assert.Len(t, properties, 3)
	assert.Equal(t, []string{"kind"}, s["required"])
	assert.Equal(t, "What kind.", properties["kind"].(layout.Schema)["description"])
	assert.Contains(t, properties["shape"], "examples")
}
