package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"loomproof/checks/design"
	"loomproof/probe"
	"loomproof/probe/sources"
)

// Fresh is how old a live reading may be, at a source that answers. An older one
// is not told: a value that stands still for ever would look like a steady one.
const Fresh = 10 * time.Second

// Sources gives what each source shows now, its life and its counters: whether it
// answers, and what came from it and was not used, by reason. Labels are the
// names of the source file, the buses of the design and the closed list of
// reasons. The design may be nil.
func Sources(list []*sources.Source, d *design.Design) prometheus.Collector {
	return sourceCollector{list, d}
}

type sourceCollector struct {
	list   []*sources.Source
	design *design.Design
}

// live holds the metric of each quantity that a source can show, by its unit.
// The bus is empty for a channel that is not clipped to one.
var live = perUnit("loomproof_source_", "that the source shows at this channel, no older than ten seconds.", "source", "channel", "bus")

var (
	nominal      = prometheus.NewDesc("loomproof_bus_nominal_volts", "Nominal voltage of a bus that is read now, while charging, by the design.", []string{"bus"}, nil)
	channelsLeft = prometheus.NewDesc("loomproof_source_channels_left_out", "Channels with a fresh reading that have no series, because there would be too many.", nil, nil)
)

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
	ch <- nominal
	ch <- channelsLeft
	for _, d := range live {
		ch <- d
	}
	for _, d := range []*prometheus.Desc{
		srcInfo, srcUp, srcGiven, srcLosses, srcRefused, srcFrames, srcStrays, srcSilent, srcSamples, srcLost, srcRestart, srcLast, srcDue,
	} {
		ch <- d
	}
}

// Collect makes the metrics of this moment.
func (c sourceCollector) Collect(ch chan<- prometheus.Metric) {
	for _, s := range c.list {
		c.life(ch, s)
	}
	room, out, told := MostChannels, 0, map[string]bool{"": true}
	for _, s := range c.list {
		shown := c.shown(s)
		kept := min(len(shown), room)
		for _, r := range shown[:kept] {
			bus := c.bus(s, r.Channel)
			gauge(ch, live[r.Quantity.Unit()], r.Value, s.Name(), r.Channel, bus)
			if !told[bus] {
				told[bus] = true
				gauge(ch, nominal, float64(c.design.Aircraft.Nominal), bus)
			}
		}
		room, out = room-kept, out+len(shown)-kept
	}
	gauge(ch, channelsLeft, float64(out))
}

// shown are the readings of a source that are true now.
func (c sourceCollector) shown(s *sources.Source) (out []probe.Reading) {
	if s.Status().State != sources.Up {
		return nil
	}
	for _, r := range s.Latest() {
		if time.Since(r.At) < Fresh && live[r.Quantity.Unit()] != nil {
			out = append(out, r)
		}
	}
	return out
}

// bus is the bus that a channel is clipped to, or "".
func (c sourceCollector) bus(s *sources.Source, channel string) string {
	terminal := s.Clipped()[channel]
	if c.design == nil || terminal == "" {
		return ""
	}
	for _, b := range c.design.Buses {
		if b.Name == terminal {
			return b.Name
		}
	}
	return ""
}

// life tells how a source fares.
func (c sourceCollector) life(ch chan<- prometheus.Metric, s *sources.Source) {
	st, due := s.Status(), s.Identity().Due
	gauge := func(d *prometheus.Desc, v float64, more ...string) {
		send(ch, d, prometheus.GaugeValue, v, append([]string{st.Name}, more...))
	}
	count := func(d *prometheus.Desc, v uint64, more ...string) {
		send(ch, d, prometheus.CounterValue, float64(v), append([]string{st.Name}, more...))
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
