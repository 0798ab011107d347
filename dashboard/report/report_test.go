package report_test

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"io"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/invopop/jsonschema"
	validate "github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/dashboard/demo"
	"loomproof/dashboard/report"
)

var update = flag.Bool("update", false, "write the generated files anew")

const schemaFile = "report.schema.json"

// The schema in the tree is the one that the types give.
func TestSchemaIsUpToDate(t *testing.T) {
	r := jsonschema.Reflector{DoNotReference: true, AllowAdditionalProperties: true, Anonymous: true}
	s := r.Reflect(&report.Report{})
	s.Title = "The pass/fail report of a worksheet"
	s.Description = "Values are in SI base units, each with its unit beside it. Fields may be added; what is there keeps its meaning."
	nullable(s)
	text, err := json.MarshalIndent(s, "", "  ")
	require.NoError(t, err)
	text = append(text, '\n')
	if *update {
		require.NoError(t, os.WriteFile(schemaFile, text, 0o644))
	}
	have, err := os.ReadFile(schemaFile)
	require.NoError(t, err)
	assert.Equal(t, string(text), string(have), "run make generate")
}

// nullable lets the numbers of a step and of a run's figures be null, as their
// pointers may be.
func nullable(s *jsonschema.Schema) {
	steps, _ := s.Properties.Get("steps")
	runs, _ := s.Properties.Get("ground_runs")
	analysis, _ := runs.Items.Properties.Get("analysis")
	checks, _ := analysis.Properties.Get("checks")
	orNull(steps.Items, "reading", "uncertainty", "design_value", "low", "high", "probability")
	orNull(checks.Items, "low", "high", "probability")
}

func orNull(of *jsonschema.Schema, names ...string) {
	for _, name := range names {
		p, _ := of.Properties.Get(name)
		description := p.Description
		*p = jsonschema.Schema{OneOf: []*jsonschema.Schema{{Type: "number"}, {Type: "null"}}, Description: description}
	}
}

// demoReport is of the demo, performed once for all tests.
var demoReport = sync.OnceValues(func() (*report.Report, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	return demo.Run(ctx, demo.Options{HandsOff: true, Seed: 1, Version: "test", Out: io.Discard})
})

// A whole demo, read back as a machine reads it.
func TestTheReportOfTheDemo(t *testing.T) {
	rep, err := demoReport()
	require.NoError(t, err)
	assert.Equal(t, 1, rep.Exit())

	var text bytes.Buffer
	require.NoError(t, rep.JSON(&text))
	compiler := validate.NewCompiler()
	schema, err := compiler.Compile(schemaFile)
	require.NoError(t, err)
	doc, err := validate.UnmarshalJSON(bytes.NewReader(text.Bytes()))
	require.NoError(t, err)
	require.NoError(t, schema.Validate(doc))

	var got report.Report
	require.NoError(t, json.Unmarshal(text.Bytes(), &got))
	assert.Equal(t, "Marsh Hen", got.Aircraft)
	require.Len(t, got.Findings, 1)
	assert.Equal(t, "transponder", got.Findings[0].Circuit)
	ids := map[string]report.Step{}
	for _, s := range got.Steps {
		assert.NotContains(t, ids, s.ID, "each step has an id of its own")
		ids[s.ID] = s
	}
	for _, e := range got.Findings[0].Evidence {
		assert.Equal(t, "fail", ids[e].Verdict)
		assert.Equal(t, "sound wire, joints and loads of this design", ids[e].Rule, "inside the published rule, outside what sound joints show")
	}
	assert.True(t, got.Chain.Intact)
	assert.True(t, got.Finished)
	for _, s := range got.Steps {
		if s.Reading != nil && s.Probability != nil {
			assert.NotNil(t, s.DesignValue, s.ID)
			assert.NotEmpty(t, s.Rule, s.ID)
			assert.True(t, s.Low != nil || s.High != nil, s.ID)
		}
	}

	text.Reset()
	require.NoError(t, rep.HTML(&text))
	for _, want := range []string{"transponder", "Signed", rep.Chain.LastHash, "What this does not cover"} {
		assert.Contains(t, text.String(), want)
	}
	assert.NotContains(t, text.String(), "<script")
	text.Reset()
	require.NoError(t, rep.Text(&text))
	assert.Contains(t, text.String(), "FAIL: first-power-on of Marsh Hen")
}
