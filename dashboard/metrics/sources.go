package metrics

import (
	"github.com/prometheus/client_golang/prometheus"

	"loomproof/probe"
	"loomproof/probe/sources"
)

// Sources gives the life and the counters of each source: whether it answers, and
// what came from it and was not used, by reason. Labels are the names of the
// source file and the closed list of reasons.
func Sources(list []*sources.Source) prometheus.Collector { return sourceCollector(list) }

type sourceCollector []*sources.Source

func sourceDesc(name, help string, more ...string) *prometheus.Desc {
	return prometheus.NewDesc("loomproof_source_"+name, help, append([]string{"source"}, more...), nil)
}

var (
	srcInfo    = sourceDesc("info", "A source and its kind.", "kind")
	srcUp      = sourceDesc("up", "1 while the source answers.")
	srcGiven   = sourceDesc("readings_total", "Readings that the source gave.")
	srcLosses  = sourceDesc("losses_total", "Times that the source went away or silent.")
	srcRefused = sourceDesc("refusals_total", "What came from the source and was not used, by reason.", "reason")
	srcFrames  = sourceDesc("frames_total", "Good frames, lines or answers.")
	srcStrays  = sourceDesc("strays_total", "Frames that were whole, but late, repeated, noise or of no known kind.")
	srcSilent  = sourceDesc("silences_total", "Times that nothing came when something should have.")
	srcSamples = sourceDesc("samples_total", "Samples that the frames held.")
	srcLost    = sourceDesc("lost_samples_total", "Samples known to be missing.")
	srcRestart = sourceDesc("restarts_total", "Restarts of the instrument, as far as it shows them.")
	srcLast    = sourceDesc("last_reading_timestamp_seconds", "When the source gave its last reading.")
	srcDue     = sourceDesc("calibration_due_timestamp_seconds", "When the source is to be calibrated again, where that is known.")
)

// Describe lists what is collected.
func (c sourceCollector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		srcInfo, srcUp, srcGiven, srcLosses, srcRefused, srcFrames, srcStrays, srcSilent, srcSamples, srcLost, srcRestart, srcLast, srcDue,
	} {
		ch <- d
	}
}

// Collect makes the metrics of this moment.
func (c sourceCollector) Collect(ch chan<- prometheus.Metric) {
	for _, s := range c {
		st, due := s.Status(), s.Identity().Due
		gauge := func(d *prometheus.Desc, v float64, more ...string) {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, append([]string{st.Name}, more...)...)
		}
		count := func(d *prometheus.Desc, v uint64, more ...string) {
			ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), append([]string{st.Name}, more...)...)
		}
		up := 0.0
		if st.State == sources.Up {
			up = 1
		}
		gauge(srcInfo, 1, st.Kind)
		gauge(srcUp, up)
		count(srcGiven, st.Readings)
		count(srcLosses, st.Losses)
		for _, why := range probe.Reasons() {
			count(srcRefused, st.Counters.Refused[why], string(why))
		}
		count(srcFrames, st.Counters.Frames)
		count(srcStrays, st.Counters.Strays)
		count(srcSilent, st.Counters.Silences)
		count(srcSamples, st.Counters.Samples)
		count(srcLost, st.Counters.Lost)
		count(srcRestart, st.Counters.Restarts)
		if !st.At.IsZero() {
			gauge(srcLast, float64(st.At.UnixMilli())/1000)
		}
		if !due.IsZero() {
			gauge(srcDue, float64(due.Unix()))
		}
	}
}
