package scpi

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"loomproof/probe"
	"loomproof/probe/port"
)

// MeterOptions say how a meter is to be talked with.
type MeterOptions struct {
	Options

	Counts      int  // steps in a range, where the last place sent says too little; 0 for not known
	UseFunction bool // choose with FUNC "VOLT:DC" and not with CONF:VOLT:DC
	NoFunction  bool // it has no FUNC?: then a hand on its panel is not noticed
	NoRange     bool // it has no VOLT:DC:RANG?: then FullScale stays zero
}

// A measure is one function of a meter.
type measure struct {
	node        string // below CONF: and before :RANG?
	short, long string // what FUNC? answers, with or without :DC
}

var meterChannels = []probe.Channel{
	{Name: "voltage", Quantity: probe.Voltage},
	{Name: "current", Quantity: probe.Current},
	{Name: "resistance", Quantity: probe.Resistance},
	{Name: "resistance-4w", Quantity: probe.Resistance},
}

// measures belong to meterChannels, one for one.
var measures = []measure{
	{"VOLT:DC", "VOLT", "VOLTAGE"},
	{"CURR:DC", "CURR", "CURRENT"},
	{"RES", "RES", "RESISTANCE"},
	{"FRES", "FRES", "FRESISTANCE"},
}

// A Meter is a bench meter. It implements [probe.Source].
type Meter struct {
	s        *session
	options  MeterOptions
	channels []probe.Channel

	chosen int // index of the channel whose function is set, -1 for none
	limits rangeInUse
	watch  watch
}

// rangeInUse is what is known of the range. An automatic range goes up when
// the value passes its end and down below a tenth of it, so a value between
// low and high is still on it; 0.12 leaves room for a range that reaches to
// 1.2 of its name (common practice).
type rangeInUse struct{ full, low, high float64 }

func newRangeInUse(full, value float64) rangeInUse {
	return rangeInUse{full, min(0.12*full, value), max(full, value)}
}

func (r rangeInUse) holds(value float64) bool { return r.full > 0 && value >= r.low && value <= r.high }

var (
	_ probe.Source = (*Meter)(nil)
	_ probe.Supply = (*Supply)(nil)

	_ probe.Counting = (*Meter)(nil)
	_ probe.Counting = (*Supply)(nil)
)

// OpenMeter talks to the meter on a line: it finds out who answers, clears its
// error queue and sends the set-up. The meter owns the line from now on; when
// opening fails the line is closed.
//
// Errors: probe.ErrSilent when nothing answers, a *probe.Refusal when what
// answers is no such instrument or reports errors, probe.ErrGone when the port
// has vanished.
func OpenMeter(ctx context.Context, conn port.Conn, options MeterOptions) (*Meter, error) {
	s, err := open(ctx, conn, options.Options)
	if err != nil {
		return nil, err
	}
	m := &Meter{s: s, options: options, channels: slices.Clone(meterChannels), chosen: -1}
	for i := range m.channels {
		m.channels[i].Accuracy = options.Accuracy[m.channels[i].Name]
	}
	return m, nil
}

// Identity tells who answered.
func (m *Meter) Identity() probe.Identity { return m.s.identity }

// Channels lists what the meter can read.
func (m *Meter) Channels() []probe.Channel { return slices.Clone(m.channels) }

// Counters says what came from the meter so far. Any goroutine may ask.
func (m *Meter) Counters() probe.Counters { return m.s.tally.Counters() }

// Close gives the port up.
func (m *Meter) Close() error { return m.s.close() }

// Read triggers one measurement and returns it. The meter is turned to the
// channel's function first when it is on another.
func (m *Meter) Read(ctx context.Context, channel string) (probe.Reading, error) {
	index, err := lookUp(m.s, m.channels, channel)
	if err != nil {
		return probe.Reading{}, err
	}
	ctx, end, err := m.s.take(ctx)
	if err != nil {
		return probe.Reading{}, err
	}
	defer end()
	if err := m.s.clearDoubt(ctx); err != nil {
		return probe.Reading{}, err
	}
	if err := m.choose(ctx, index); err != nil {
		return probe.Reading{}, err
	}
	n, at, err := m.measure(ctx)
	if err != nil {
		return probe.Reading{}, err
	}
	return m.reading(ctx, n, at)
}

// choose turns the meter to a channel's function.
func (m *Meter) choose(ctx context.Context, index int) error {
	if m.chosen == index {
		return nil
	}
	m.chosen, m.limits, m.watch = -1, rangeInUse{}, watch{}
	command := "CONF:" + measures[index].node
	if m.options.UseFunction {
		command = `FUNC "` + measures[index].node + `"`
	}
	if err := m.s.tell(ctx, command); err != nil {
		return err
	}
	if err := m.s.noErrors(ctx, "after "+command); err != nil {
		return err
	}
	m.chosen = index
	return nil
}

func (m *Meter) channel() probe.Channel { return m.channels[m.chosen] }

// measure takes a number that is written as the last good one was.
func (m *Meter) measure(ctx context.Context) (number, time.Time, error) {
	return m.s.steadyNumber(ctx, &m.watch, "READ?", func() (number, time.Time, error) {
		answer, at, err := m.trigger(ctx)
		if err != nil {
			return number{}, time.Time{}, err
		}
		n, err := m.s.value(ctx, answer, "READ?", m.channel())
		return n, at, err
	})
}

// trigger takes one measurement and checks that it is what was asked for.
func (m *Meter) trigger(ctx context.Context) (answer string, at time.Time, err error) {
	queries := []string{"READ?"}
	if !m.options.Plain {
		queries = append(queries, "FETC?")
	}
	if !m.options.NoFunction {
		queries = append(queries, "FUNC?")
	}
	answers, at, err := m.s.ask(ctx, queries...)
	if err != nil {
		return "", time.Time{}, m.s.asRefusal(ctx, err)
	}
	if !m.options.Plain && answers[0] != answers[1] {
		return "", time.Time{}, m.s.refuse(ctx, probe.BadFrame,
			fmt.Sprintf("the same result came as %s and as %s", show(answers[0]), show(answers[1])),
			"characters get lost or changed on the way: check the lead, the speed and the parity")
	}
	if !m.options.NoFunction {
		if err := m.checkFunction(ctx, answers[len(answers)-1]); err != nil {
			return "", time.Time{}, err
		}
	}
	return answers[0], at, nil
}

// checkFunction refuses when the meter is on another function than was
// chosen; the next Read turns it back.
func (m *Meter) checkFunction(ctx context.Context, answer string) error {
	want := measures[m.chosen]
	words := strings.Split(strings.Trim(answer, `"'`), ":")
	if is(words[0], want.short, want.long) && (len(words) == 1 || len(words) == 2 && is(words[1], "DC", "DC")) {
		return nil
	}
	m.chosen = -1
	return m.s.refuse(ctx, probe.WrongFunction, fmt.Sprintf("it says it measures %s, not %q", show(answer), want.node),
		"leave its front panel alone; it is turned back at the next try")
}

// reading puts the number together with its range.
func (m *Meter) reading(ctx context.Context, n number, at time.Time) (probe.Reading, error) {
	size := math.Abs(n.value)
	if !m.options.NoRange && !m.limits.holds(size) {
		if err := m.askRange(ctx, size); err != nil {
			return probe.Reading{}, err
		}
	}
	c := m.channel()
	r := probe.Reading{
		Value: n.value, Quantity: c.Quantity, Source: m.s.name(), Channel: c.Name, At: at,
		Accuracy: c.Accuracy, FullScale: m.limits.full, Digit: n.step,
	}
	if m.options.Counts > 0 {
		r.Digit = max(r.Digit, r.FullScale/float64(m.options.Counts))
	}
	return r, nil
}

func (m *Meter) askRange(ctx context.Context, size float64) error {
	query := measures[m.chosen].node + ":RANG?"
	answers, _, err := m.s.ask(ctx, query)
	if err != nil {
		return m.s.asRefusal(ctx, err)
	}
	n, err := parseNumber(answers[0])
	if err != nil || n.value <= 0 || n.value >= infinity {
		return m.s.asRefusal(ctx, badFrame{answers[0], query})
	}
	m.limits = newRangeInUse(n.value, size)
	return nil
}
