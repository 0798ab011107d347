package push

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	dto "github.com/prometheus/client_model/go"
	"google.golang.org/protobuf/encoding/protowire"
)

// A series is one of the request: its labels, the name among them, sorted, and
// its value.
type series struct {
	labels [][2]string
	value  float64
}

// staleNaN is the value that marks the end of a series.
var staleNaN = math.Float64frombits(0x7ff0000000000002)

// flatten makes plain series of what was gathered, by a key of their labels.
func flatten(families []*dto.MetricFamily, extra map[string]string) map[string]series {
	out := map[string]series{}
	for _, f := range families {
		for _, m := range f.Metric {
			add := func(suffix string, v float64, more ...string) {
				s := series{label(f.GetName()+suffix, m, extra, more), v}
				var key strings.Builder
				for _, l := range s.labels {
					key.WriteString(l[0] + "\x00" + l[1] + "\x00")
				}
				out[key.String()] = s
			}
			switch {
			case m.Gauge != nil:
				add("", m.Gauge.GetValue())
			case m.Counter != nil:
				add("", m.Counter.GetValue())
			case m.Untyped != nil:
				add("", m.Untyped.GetValue())
			case m.Histogram != nil:
				h := m.Histogram
				for _, b := range h.Bucket {
					if !math.IsInf(b.GetUpperBound(), 1) {
						add("_bucket", float64(b.GetCumulativeCount()), "le", float(b.GetUpperBound()))
					}
				}
				add("_bucket", float64(h.GetSampleCount()), "le", "+Inf")
				add("_sum", h.GetSampleSum())
				add("_count", float64(h.GetSampleCount()))
			case m.Summary != nil:
				for _, q := range m.Summary.Quantile {
					add("", q.GetValue(), "quantile", float(q.GetQuantile()))
				}
				add("_sum", m.Summary.GetSampleSum())
				add("_count", float64(m.Summary.GetSampleCount()))
			}
		}
	}
	return out
}

func float(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// label makes the sorted labels of a series; those of the metric win. An empty
// value is the same as no label.
func label(name string, m *dto.Metric, extra map[string]string, more []string) [][2]string {
	set := map[string]string{}
	for k, v := range extra {
		set[k] = v
	}
	for _, l := range m.Label {
		set[l.GetName()] = l.GetValue()
	}
	for i := 0; i < len(more); i += 2 {
		set[more[i]] = more[i+1]
	}
	set["__name__"] = name
	out := make([][2]string, 0, len(set))
	for k, v := range set {
		if v != "" {
			out = append(out, [2]string{k, v})
		}
	}
	slices.SortFunc(out, func(a, b [2]string) int { return strings.Compare(a[0], b[0]) })
	return out
}

// ended are the marks of the series that were there before and are not now.
func ended(before, now map[string]series) []series {
	var out []series
	for key, s := range before {
		if _, is := now[key]; !is {
			out = append(out, series{s.labels, staleNaN})
		}
	}
	return out
}

// encoded is a request as bytes, which the library sends as they are.
type encoded []byte

// Size is its length.
func (e encoded) Size() int { return len(e) }

// MarshalToSizedBuffer writes it.
func (e encoded) MarshalToSizedBuffer(b []byte) (int, error) { return copy(b, e), nil }

// encode makes a prometheus.WriteRequest (remote write 1.0) of the series, each
// with one sample of that time:
//
//	WriteRequest { repeated TimeSeries timeseries = 1; }
//	TimeSeries   { repeated Label labels = 1; repeated Sample samples = 2; }
//	Label        { string name = 1; string value = 2; }
//	Sample       { double value = 1; int64 timestamp = 2; }  // milliseconds
func encode(now map[string]series, ended []series, at time.Time) []byte {
	var out []byte
	one := func(s series) {
		var body []byte
		for _, l := range s.labels {
			body = message(body, 1, text(text(nil, 1, l[0]), 2, l[1]))
		}
		sample := protowire.AppendTag(nil, 1, protowire.Fixed64Type)
		sample = protowire.AppendFixed64(sample, math.Float64bits(s.value))
		sample = protowire.AppendTag(sample, 2, protowire.VarintType)
		sample = protowire.AppendVarint(sample, uint64(at.UnixMilli())) //nolint:gosec // two's complement is the encoding
		out = message(out, 1, message(body, 2, sample))
	}
	for _, s := range now {
		one(s)
	}
	for _, s := range ended {
		one(s)
	}
	return out
}

func message(to []byte, field protowire.Number, body []byte) []byte {
	return protowire.AppendBytes(protowire.AppendTag(to, field, protowire.BytesType), body)
}

func text(to []byte, field protowire.Number, s string) []byte {
	return protowire.AppendString(protowire.AppendTag(to, field, protowire.BytesType), s)
}
