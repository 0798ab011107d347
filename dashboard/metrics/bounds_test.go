package metrics

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/procedure"
	"loomproof/checks/verdict"
)

// A huge worksheet is told of in part: the bounds that are stated.
type huge struct {
	circuits map[string][]verdict.Word
	read     []procedure.Step
}

func (huge) Describe(chan<- *prometheus.Desc) {}

func (h huge) Collect(ch chan<- prometheus.Metric) {
	gauge(ch, left, float64(sendVerdicts(ch, h.circuits)), "circuits")
	gauge(ch, left, float64(sendReadings(ch, h.read)), "readings")
}

// 10 000 circuits whose names are no ones that a server would like, and as many
// readings at each of three points.
func hostile() huge {
	h := huge{circuits: map[string][]verdict.Word{}}
	for i := range 10_000 {
		name := fmt.Sprintf("%s\"}\n# TYPE x counter\nx{a=\"\xff\u202e<script>%d", strings.Repeat("long ", 60), i)
		word := verdict.Pass
		if i == 7777 {
			word = verdict.Fail
		}
		h.circuits[name] = []verdict.Word{word}
		for point := range 3 {
			volts := float64(i)
			h.read = append(h.read, procedure.Step{ID: fmt.Sprint(name, point), Circuit: name, Point: name, Unit: "V", Reading: &volts, Verdict: string(word)})
		}
	}
	return h
}

func TestTheNumberOfSeriesIsBounded(t *testing.T) {
	r := prometheus.NewPedanticRegistry()
	require.NoError(t, r.Register(hostile()))
	assertBounded(t, r)
}

func assertBounded(t *testing.T, r prometheus.Gatherer) {
	t.Helper()
	families, err := r.Gather()
	require.NoError(t, err)
	var text bytes.Buffer
	count, values := map[string]int{}, map[float64]bool{}
	for _, f := range families {
		_, err := expfmt.MetricFamilyToText(&text, f)
		require.NoError(t, err)
		count[f.GetName()] = len(f.Metric)
		for _, m := range f.Metric {
			if f.GetName() == "loomproof_reading_volts" {
				values[m.Gauge.GetValue()] = true
			}
			for _, l := range m.Label {
				if len(l.GetValue()) > longest {
					assert.Fail(t, "a label is too long", "%q", l.GetValue())
				}
			}
		}
	}
	assert.Equal(t, map[string]int{"loomproof_circuit_verdict": 4 * MostCircuits, "loomproof_reading_volts": MostReadings, "loomproof_left_out": 2}, count)
	assert.Contains(t, text.String(), `loomproof_left_out{what="circuits"} 9500`)
	assert.Contains(t, text.String(), `loomproof_left_out{what="readings"} 28000`)
	assert.True(t, values[7777], "what failed is among those that are told")
	parser := expfmt.NewTextParser(model.UTF8Validation)
	_, err = parser.TextToMetricFamilies(&text)
	assert.NoError(t, err, "no name breaks out of its label")
}

func BenchmarkCollectHuge(b *testing.B) {
	b.ReportAllocs()
	h := hostile()
	for b.Loop() {
		ch := make(chan prometheus.Metric, 10_000)
		h.Collect(ch)
	}
}
