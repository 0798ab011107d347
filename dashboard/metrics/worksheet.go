package metrics

import (
	"cmp"
	"runtime"
	"slices"

	"github.com/prometheus/client_golang/prometheus"

	"loomproof/checks/procedure"
	"loomproof/checks/verdict"
)

// Collector gives the metrics of the worksheet on a desk alone.
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
	found = prometheus.NewDesc("loomproof_worksheet_findings", "Findings of the worksheet.", nil, nil)
	left  = prometheus.NewDesc("loomproof_left_out", "What has no series of its own, because there would be too many.", []string{"what"}, nil)
)

// reading holds the metric of each quantity that a step can read, by its unit.
var reading = perUnit("loomproof_reading_", "that a step of the worksheet read.", "circuit", "point", "step")

// perUnit makes one metric a quantity: base units, part of the name.
func perUnit(prefix, help string, labels ...string) map[string]*prometheus.Desc {
	out := map[string]*prometheus.Desc{}
	for unit, of := range map[string][2]string{
		"V": {"volts", "Latest voltage "}, "A": {"amperes", "Latest current "}, "Ω": {"ohms", "Latest resistance "},
		"Hz": {"hertz", "Latest frequency "}, "°C": {"celsius", "Latest temperature "},
	} {
		out[unit] = prometheus.NewDesc(prefix+of[0], of[1]+help, labels, nil)
	}
	return out
}

// Describe lists what is collected.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{build, open, count, word, found, left} {
		ch <- d
	}
	for _, d := range reading {
		ch <- d
	}
}

var words = []verdict.Word{verdict.Pass, verdict.Fail, verdict.Undecided, verdict.NotDone}

// Collect makes the metrics of this moment.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	v, _ := c.desk.View()
	running := 1.0
	if v.Now.Kind == procedure.DoEnded || v.Worksheet == 0 {
		running = 0
	}
	gauge(ch, build, 1, c.version, runtime.Version())
	gauge(ch, open, running, v.Aircraft, v.Procedure)
	gauge(ch, found, float64(len(v.Findings)))

	steps := procedure.Latest(v.Steps)
	byWord := map[verdict.Word]int{}
	byCircuit := map[string][]verdict.Word{}
	var read []procedure.Step
	for _, s := range steps {
		byWord[verdict.Word(s.Verdict)]++
		byCircuit[s.Circuit] = append(byCircuit[s.Circuit], verdict.Word(s.Verdict))
		if s.Reading != nil && reading[s.Unit] != nil {
			read = append(read, s)
		}
	}
	for _, w := range words {
		gauge(ch, count, float64(byWord[w]), string(w))
	}
	gauge(ch, left, float64(sendVerdicts(ch, byCircuit)), "circuits")
	gauge(ch, left, float64(sendReadings(ch, read)), "readings")
}

// sendVerdicts sends the worst verdict of each circuit, the worst circuits first,
// and tells how many are left out.
func sendVerdicts(ch chan<- prometheus.Metric, byCircuit map[string][]verdict.Word) (out int) {
	type judged struct {
		circuit string
		has     verdict.Word
	}
	var list []judged
	for circuit, found := range byCircuit {
		list = append(list, judged{circuit, verdict.Worst(found...)})
	}
	slices.SortFunc(list, func(a, b judged) int {
		return cmp.Or(cmp.Compare(worse(a.has), worse(b.has)), cmp.Compare(a.circuit, b.circuit))
	})
	kept := min(len(list), MostCircuits)
	for _, j := range list[:kept] {
		for _, w := range words {
			is := 0.0
			if w == j.has {
				is = 1
			}
			gauge(ch, word, is, j.circuit, string(w))
		}
	}
	return len(list) - kept
}

// sendReadings sends what steps read, those with the worst verdict first, and
// tells how many are left out.
func sendReadings(ch chan<- prometheus.Metric, read []procedure.Step) (out int) {
	slices.SortStableFunc(read, func(a, b procedure.Step) int {
		return cmp.Compare(worse(verdict.Word(a.Verdict)), worse(verdict.Word(b.Verdict)))
	})
	kept := min(len(read), MostReadings)
	for _, s := range read[:kept] {
		gauge(ch, reading[s.Unit], *s.Reading, s.Circuit, s.Point, s.ID)
	}
	return len(read) - kept
}

// worse is the place of a verdict: what needs somebody first.
func worse(w verdict.Word) int {
	return slices.Index([]verdict.Word{verdict.Fail, verdict.Undecided, verdict.NotDone, verdict.Pass}, w)
}
