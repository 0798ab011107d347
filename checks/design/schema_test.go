package design_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	validate "github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"loomproof/checks/design"
	"loomproof/scripts"
)

const schemaFile = "design.schema.json"

func compiled(t *testing.T) *validate.Schema {
	t.Helper()
	doc, err := validate.UnmarshalJSON(bytes.NewReader(design.Schema()))
	require.NoError(t, err)
	c := validate.NewCompiler()
	require.NoError(t, c.AddResource(schemaFile, doc))
	s, err := c.Compile(schemaFile)
	require.NoError(t, err)
	return s
}

// asJSON reads YAML as an editor's language server does.
func asJSON(t *testing.T, text []byte) (doc any, ok bool) {
	t.Helper()
	var v any
	if yaml.Unmarshal(text, &v) != nil {
		return nil, false
	}
	j, err := json.Marshal(v)
	if err != nil {
		return nil, false
	}
	doc, err = validate.UnmarshalJSON(bytes.NewReader(j))
	return doc, err == nil
}

func TestSchemaIsUpToDate(t *testing.T) {
	if *update {
		require.NoError(t, os.WriteFile(schemaFile, design.Schema(), 0o644))
	}
	have, err := os.ReadFile(schemaFile)
	require.NoError(t, err)
	assert.Equal(t, string(design.Schema()), string(have), "run make generate")
}

func TestSchemaTakesTheExamples(t *testing.T) {
	s := compiled(t)
	for _, name := range []string{"marsh-hen"} {
		text, ok := scripts.Design(name)
		require.True(t, ok)
		doc, ok := asJSON(t, text)
		require.True(t, ok)
		assert.NoError(t, s.Validate(doc), name)
	}
}

// The schema finds what is wrong with shape and names; what is wrong with
// values is the program's to find.
func TestSchemaRefusesWrongShapes(t *testing.T) {
	s := compiled(t)
	for _, name := range []string{"misspelled-key", "run-without-gauge", "list-for-map", "not-a-design"} {
		text, err := os.ReadFile(filepath.Join("testdata/bad", name+".yaml"))
		require.NoError(t, err)
		doc, ok := asJSON(t, text)
		require.True(t, ok)
		assert.Error(t, s.Validate(doc), name)
	}
}

func TestEveryKeyIsDescribed(t *testing.T) {
	var walk func(path string, s map[string]any)
	walk = func(path string, s map[string]any) {
		if p, ok := s["properties"].(map[string]any); ok {
			for key, v := range p {
				v := v.(map[string]any)
				assert.NotEmpty(t, v["description"], "%s.%s", path, key)
				assert.True(t, strings.HasSuffix(v["description"].(string), "."), "%s.%s ends its sentence", path, key)
				walk(path+"."+key, v)
			}
		}
		for _, below := range []string{"items", "additionalProperties"} {
			if v, ok := s[below].(map[string]any); ok {
				walk(path, v)
			}
		}
	}
	var s map[string]any
	require.NoError(t, json.Unmarshal(design.Schema(), &s))
	walk("design", s)
}
