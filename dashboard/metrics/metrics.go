// Package metrics gives the program's state to Prometheus: what a worksheet read
// and judged, what the sources show now and how they fare, how long the work
// takes, how much room the disk has.
//
//	e := metrics.New(metrics.Options{Desk: desk, Sources: sources, Design: d, Logbook: path, Version: v})
//	book.Took = e.Recorded
//	http.Handle("/metrics", e.Handler())
//
// Values are read at each scrape from what stands now, so that what is gone
// disappears and no last value stays for ever: a live reading that is older than
// [Fresh] is not there. Units are base units and part of the name; there is one
// name for a quantity. Labels come from the design and the source file, never
// from times or messages, and their number is bounded: see [MostCircuits].
//
// Alerts holds alert rules to go with it; package [push] sends the same series to
// a server that cannot come and fetch them.
//
// [push]: loomproof/dashboard/metrics/push
package metrics

import (
	_ "embed"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"loomproof/checks/design"
	"loomproof/checks/procedure"
	"loomproof/probe/sources"
)

// Alerts is a rule file for Prometheus. It stands on the names of this package;
// each threshold has its source beside it.
//
//go:embed alerts.yaml
var Alerts []byte

// Options say what is told. Desk and Version are needed.
type Options struct {
	Desk    *procedure.Desk
	Version string
	Sources []*sources.Source
	Design  *design.Design // nil leaves buses out
	Logbook string         // its file; "" leaves the disk out
}

// An Exporter gathers the metrics.
type Exporter struct {
	*prometheus.Registry       // more can be registered
	captures, records, commits prometheus.Histogram
}

// New makes an exporter.
func New(o Options) *Exporter {
	e := &Exporter{
		captures: latency("loomproof_capture_duration_seconds", "How long a reading took, from its instruction to its being steady and taken.", 0.1, 0.3, 1, 3, 10, 30, 100),
		records:  latency("loomproof_journal_append_duration_seconds", "How long a record took to be written to the journal, with waiting for others.", 0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1),
		commits:  latency("loomproof_store_commit_duration_seconds", "How long the store took to put a record on the disk.", 0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1),
	}
	r := prometheus.NewRegistry()
	r.MustRegister(
		Collector(o.Desk, o.Version), Sources(o.Sources, o.Design), e.captures, e.records, e.commits,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	)
	if o.Logbook != "" {
		r.MustRegister(disk(o.Logbook))
	}
	e.Registry = r
	return e
}

// latency makes a native histogram, with classic buckets for a server that does
// not know native ones.
func latency(name, help string, buckets ...float64) prometheus.Histogram {
	return prometheus.NewHistogram(prometheus.HistogramOpts{
		Name: name, Help: help, Buckets: buckets,
		NativeHistogramBucketFactor: 1.1, NativeHistogramMaxBucketNumber: 160, NativeHistogramMinResetDuration: time.Hour,
	})
}

// Captured counts a reading that was taken.
func (e *Exporter) Captured(took time.Duration) { e.captures.Observe(took.Seconds()) }

// Recorded counts a record that was written: the whole, and the store's part.
func (e *Exporter) Recorded(whole, commit time.Duration) {
	e.records.Observe(whole.Seconds())
	e.commits.Observe(commit.Seconds())
}

// Handler serves the metrics, in the text form, as OpenMetrics and in the
// protocol-buffer form, as the asker prefers.
func (e *Exporter) Handler() http.Handler {
	return promhttp.HandlerFor(e.Registry, promhttp.HandlerOpts{EnableOpenMetrics: true})
}
