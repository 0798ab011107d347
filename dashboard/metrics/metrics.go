// Package metrics gives a worksheet to Prometheus: the readings of its steps,
// its verdicts by circuit, its findings; and the sources: whether they answer, and
// what they sent that was refused.
//
//	http.Handle("/metrics", metrics.Handler(desk, version, sources))
//
// Everything is made anew at each scrape from what stands on the desk, so that
// what is gone disappears and no last value stays for ever. Units are base
// units and part of the name; labels come from the design, never from times or
// messages.
package metrics

import (
	"net/http"
	"runtime"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"loomproof/checks/procedure"
	"loomproof/checks/verdict"
	"loomproof/probe/sources"
)

// Handler serves the metrics of a desk and of the sources.
func Handler(desk *procedure.Desk, version string, list []*sources.Source) http.Handler {
	r := prometheus.NewRegistry()
	r.MustRegister(Collector(desk, version), Sources(list), collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{EnableOpenMetrics: true})
}

// Collector gives the metrics of a desk alone, without those of the program
// that serves them.
func Collector(desk *procedure.Desk, version string) prometheus.Collector {
	return &collector{desk: desk, version: version}
}

type collector struct {
	desk    *procedure.Desk
	version string
}

var (
	build = prometheus.NewDesc("loomproof_build_info", "The running program.", []string{"version", "goversion"}, nil)
	open  = prometheus.NewDesc("loomproof_worksheet_open", "1 while a worksheet is being performed.", []string{"aircraft", "procedure"}, nil)
	count = prometheus.NewDesc("loomproof_worksheet_steps", "Steps of the worksheet by verdict.", []string{"verdict"}, nil)
	word  = prometheus.NewDesc("loomproof_circuit_verdict", "1 for the verdict that a circuit has, 0 for the others.", []string{"circuit", "verdict"}, nil)
	volts = prometheus.NewDesc("loomproof_reading_volts", "Latest voltage that a step of the worksheet read.", []string{"circuit", "step"}, nil)
	amps  = prometheus.NewDesc("loomproof_reading_amperes", "Latest current that a step of the worksheet read.", []string{"circuit", "step"}, nil)
	found = prometheus.NewDesc("loomproof_worksheet_findings", "Findings of the worksheet.", nil, nil)
)

// Describe lists what is collected.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{build, open, count, word, volts, amps, found} {
		ch <- d
	}
}

var words = []verdict.Word{verdict.Pass, verdict.Fail, verdict.Undecided, verdict.NotDone}

// Collect makes the metrics of this moment.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	v, _ := c.desk.View()
	gauge(build, 1, c.version, runtime.Version())
	running := 1.0
	if v.Now.Kind == procedure.DoEnded || v.Worksheet == 0 {
		running = 0
	}
	gauge(open, running, v.Aircraft, v.Procedure)
	gauge(found, float64(len(v.Findings)))
	byWord := map[verdict.Word]int{}
	byCircuit := map[string][]verdict.Word{}
	for _, s := range procedure.Latest(v.Steps) {
		byWord[verdict.Word(s.Verdict)]++
		byCircuit[s.Circuit] = append(byCircuit[s.Circuit], verdict.Word(s.Verdict))
		if s.Reading == nil {
			continue
		}
		switch s.Unit {
		case "V":
			gauge(volts, *s.Reading, s.Circuit, s.ID)
		case "A":
			gauge(amps, *s.Reading, s.Circuit, s.ID)
		}
	}
	for _, w := range words {
		gauge(count, float64(byWord[w]), string(w))
	}
	for circuit, list := range byCircuit {
		has := verdict.Worst(list...)
		for _, w := range words {
			is := 0.0
			if w == has {
				is = 1
			}
			gauge(word, is, circuit, string(w))
		}
	}
}
