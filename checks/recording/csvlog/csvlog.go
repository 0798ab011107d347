// Package csvlog reads somebody's log as a recording: CSV with a column of time
// and one column for each channel, the unit in its heading.
//
//	m, err := csvlog.Read(file, csvlog.Options{Name: "run.csv"})
//
//	time (s), bus (V), battery current (A), engine speed (rpm)
//	0.000, 12.73, -0.2, 0
//	0.001, 12.72, -0.2, 0
//
// Time is in seconds from anywhere, a time of day (12:00:00), or a date and time
// as in RFC 3339, in one column or two; it comes first. Commas, semicolons or tabs
// part the columns; with semicolons or tabs numbers may have a decimal comma. An
// empty cell, or dashes, is a sample that is missing. A unit may be a word of the
// heading: RPM, Bus Volts. What a channel is of is told by its heading where it
// names a role, else by Options.Roles. A column without a unit that is known is
// left out, and Options.Tell hears of it.
//
// Values are kept to the last decimal written. Rows that follow each other at one
// pace make a block; where rows are missing there is a gap.
package csvlog

import (
	"bufio"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"loomproof/checks/recording"
	"loomproof/probe"
)

// Options say what the file does not.
type Options struct {
	Name     string                    // of the file, for errors
	Roles    map[string]recording.Role // by heading without its unit
	Accuracy probe.Accuracy            // of every channel; zero is 0.5 % of reading and 1 digit
	Tell     func(string)              // hears of columns that are left out or not understood; nil tells nobody
}

// unitScale turns a written unit into the SI one of its quantity.
var unitScale = map[string]struct {
	quantity       probe.Quantity
	factor, offset float64
}{
	"v": {probe.Voltage, 1, 0}, "mv": {probe.Voltage, 1e-3, 0}, "a": {probe.Current, 1, 0}, "ma": {probe.Current, 1e-3, 0},
	"hz": {probe.Frequency, 1, 0}, "rpm": {probe.Frequency, 1.0 / 60, 0}, "1/min": {probe.Frequency, 1.0 / 60, 0},
	"°c": {probe.Temperature, 1, 0}, "c": {probe.Temperature, 1, 0}, "°f": {probe.Temperature, 5.0 / 9, -160.0 / 9}, "f": {probe.Temperature, 5.0 / 9, -160.0 / 9},
}

var heading = regexp.MustCompile(`(?s)^\s*(.*?)\s*(?:[\(\[]\s*([^)\]]+?)\s*[\)\]]|[_ ,]+(V|mV|A|mA|Hz|rpm|°C|C|°F|F|s|ms))?\s*$`)

// split parts a heading into name and unit: "bus (V)", "bus [V]", "bus_V", "bus V".
func split(text string) (name, unit string) {
	m := heading.FindStringSubmatch(text)
	unit = m[2] + m[3]
	name = strings.ReplaceAll(strings.TrimSpace(m[1]), "_", " ")
	if name == "" {
		name = unit // a column that is called by its unit alone
	}
	return name, unit
}

// unitWords are the units that people write as a word of the name.
var unitWords = map[string]string{"volt": "V", "volts": "V", "voltage": "V", "amp": "A", "amps": "A", "ampere": "A", "amperes": "A", "rpm": "rpm"}

// unitOf is what a unit means; without a unit, what the name's words do.
func unitOf(name, unit string) (quantity probe.Quantity, factor, offset float64, known bool) {
	if unit == "" {
		for _, w := range wordsOf(name) {
			unit = cmp.Or(unitWords[w], unit)
		}
	}
	u, known := unitScale[strings.ToLower(strings.ReplaceAll(unit, " ", ""))]
	return u.quantity, u.factor, u.offset, known
}

// wordsOf are the words of a name, in small letters.
func wordsOf(name string) []string {
	return strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !unicode.IsLetter(r) })
}

// A column collects one channel.
type column struct {
	place    int // in a row
	ch       recording.Channel
	factor   float64 // written value to SI
	offset   float64
	times    []float64
	values   []float64
	decimals int
}

// Read reads a log. Errors name file, line and column.
func Read(r io.Reader, o Options) (*recording.Memory, error) {
	if o.Accuracy == (probe.Accuracy{}) {
		o.Accuracy = probe.Accuracy{OfReading: 0.005, Digits: 1}
	}
	buffered := bufio.NewReaderSize(r, 1<<16)
	comma, err := separator(buffered)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.Name, err)
	}
	c := csv.NewReader(buffered)
	c.Comma, c.ReuseRecord, c.TrimLeadingSpace, c.FieldsPerRecord, c.Comment = comma, true, true, 0, '#'
	first, err := c.Read()
	if err != nil {
		return nil, fmt.Errorf("%s: no line of headings: %w", o.Name, err)
	}
	columns, clock, err := headings(first, o)
	if err != nil {
		return nil, fmt.Errorf("%s:1: %w", o.Name, err)
	}
	start, err := rows(c, columns, &clock, o.Name)
	if err != nil {
		return nil, err
	}
	return build(columns, start)
}

// separator looks at the first line.
func separator(r *bufio.Reader) (rune, error) {
	head, err := r.Peek(4096)
	if len(head) == 0 {
		if err == io.EOF {
			return 0, errors.New("the file is empty")
		}
		return 0, err
	}
	line, rest, _ := strings.Cut(string(head), "\n")
	for strings.HasPrefix(line, "#") || strings.TrimSpace(line) == "" && rest != "" {
		line, rest, _ = strings.Cut(rest, "\n")
	}
	for _, s := range []rune{'\t', ';', ','} {
		if strings.ContainsRune(line, s) {
			return s, nil
		}
	}
	return 0, errors.New("the first line has neither commas, semicolons nor tabs; write headings as: time (s), bus (V), battery current (A)")
}

// headings makes the columns.
func headings(first []string, o Options) (columns []*column, c clock, err error) {
	if c, err = clockOf(first); err != nil {
		return nil, c, err
	}
	seen := map[string]bool{}
	var unknown error
	for i := c.columns; i < len(first); i++ {
		text := first[i]
		name, unit := split(text)
		quantity, factor, offset, known := unitOf(name, unit)
		if !known {
			why := fmt.Errorf("column %d, %q: no unit that is known; write it behind the name: %s (V); known: V, mV, A, mA, Hz, rpm, °C, °F", i+1, text, cmp.Or(name, "bus"))
			if _, wanted := o.Roles[name]; wanted {
				return nil, c, why
			}
			o.tell("left out: %v", why)
			unknown = cmp.Or(unknown, why)
			continue
		}
		if seen[name] {
			return nil, c, fmt.Errorf("column %d, %q: the name stands twice", i+1, name)
		}
		seen[name] = true
		role, given := o.Roles[name]
		if !given {
			role = guess(name, quantity)
		}
		if role != "" && role.Quantity() != quantity {
			return nil, c, fmt.Errorf("column %d, %q: a %s is no %s", i+1, text, quantity, role)
		}
		if role == "" && quantity != probe.Temperature {
			o.tell("column %d, %q: its name does not tell what it is of; say it with --channel \"%s=%s\", or another of its kind", i+1, text, name, usual[quantity])
		}
		columns = append(columns, &column{
			place: i, ch: recording.Channel{Name: name, Role: role, Where: fmt.Sprintf("%s, column %d", o.Name, i+1), Quantity: quantity, Accuracy: o.Accuracy},
			factor: factor, offset: offset,
		})
	}
	for name := range o.Roles {
		if !seen[name] {
			return nil, c, fmt.Errorf("no column is called %q; there are: %s", name, strings.Join(names(columns), ", "))
		}
	}
	if len(columns) == 0 {
		return nil, c, cmp.Or(unknown, errors.New("there is no column but the time"))
	}
	return columns, c, nil
}

// usual is what a channel of a quantity is most often of.
var usual = map[probe.Quantity]recording.Role{probe.Voltage: recording.BusVolts, probe.Current: recording.BatteryCurrent, probe.Frequency: recording.EngineSpeed}

func (o Options) tell(format string, args ...any) {
	if o.Tell != nil {
		o.Tell(fmt.Sprintf("%s: %s", o.Name, fmt.Sprintf(format, args...)))
	}
}

func names(columns []*column) (out []string) {
	for _, c := range columns {
		out = append(out, c.ch.Name)
	}
	return out
}

// words are how words of a heading must begin for a role, most particular first.
var words = []struct {
	role recording.Role
	all  []string
}{
	{recording.AudioVolts, []string{"audio"}},
	{recording.FieldVolts, []string{"field"}},
	{recording.GroundVolts, []string{"earth"}},
	{recording.GroundVolts, []string{"engine", "block"}},
	{recording.GroundVolts, []string{"ground"}},
	{recording.AlternatorVolts, []string{"alt"}},
	{recording.AlternatorVolts, []string{"gen"}},
	{recording.BatteryVolts, []string{"batt"}},
	{recording.BusVolts, []string{"bus"}},
	{recording.BatteryCurrent, []string{"batt"}},
	{recording.AlternatorCurrent, []string{"alt"}},
	{recording.AlternatorCurrent, []string{"gen"}},
	{recording.LoadCurrent, []string{"load"}},
	{recording.EngineSpeed, []string{"engine"}},
	{recording.EngineSpeed, []string{"speed"}},
	{recording.EngineSpeed, []string{"rpm"}},
	{recording.RegulatorCelsius, []string{"regulator"}},
	{recording.BatteryCelsius, []string{"batt"}},
}

// guess is the role that a heading names, for its quantity. The one voltage of a
// log that calls it nothing else is the bus voltage: where a panel's instrument
// hangs.
func guess(name string, q probe.Quantity) recording.Role {
	in := wordsOf(name)
	for _, w := range words {
		if w.role.Quantity() == q && !slices.ContainsFunc(w.all, func(begin string) bool {
			return !slices.ContainsFunc(in, func(word string) bool { return strings.HasPrefix(word, begin) })
		}) {
			return w.role
		}
	}
	if q == probe.Voltage && len(in) == 1 && (unitWords[in[0]] == "V" || in[0] == "v") {
		return recording.BusVolts
	}
	return ""
}

// rows reads every row and gives the moment of time 0.
func rows(c *csv.Reader, columns []*column, clock *clock, file string) (start time.Time, err error) {
	last := math.Inf(-1)
	origin := math.NaN()
	for {
		row, err := c.Read()
		if err == io.EOF {
			if math.IsNaN(origin) {
				return start, fmt.Errorf("%s: there is no row of values", file)
			}
			return start, nil
		}
		if err != nil {
			return start, fmt.Errorf("%s: %w", file, err)
		}
		line, _ := c.FieldPos(0)
		t, at, err := clock.read(row, c.Comma)
		if err != nil {
			return start, fmt.Errorf("%s:%d: %w", file, line, err)
		}
		if math.IsNaN(origin) {
			start, origin = at, t
			if at.IsZero() {
				start = recording.NoDate
				if !clock.ofDay {
					origin = 0
				}
			}
		}
		if t -= origin; t <= last {
			why := "the clock went back here; keep what comes before or after it, in a file of its own"
			if t == last {
				why = "where several rows share a second, take the column of time out and give the rate"
			}
			return start, fmt.Errorf("%s:%d: time %s does not come after the row before it: %s", file, line, clock.text(row), why)
		}
		last = t
		for _, col := range columns {
			if err := col.add(t, row[col.place], c.Comma); err != nil {
				return start, fmt.Errorf("%s:%d: column %d, %s: %w", file, line, col.place+1, col.ch.Name, err)
			}
		}
	}
}

func number(text string, comma rune) (float64, error) {
	text = strings.TrimSpace(text)
	if comma != ',' {
		text = strings.Replace(text, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is no number; leave the cell empty where there is none", text)
	}
	return v, nil
}

// mostDecimals is how many decimals are kept: a microvolt.
const mostDecimals = 6

// missing says that a cell stands for a sample that is not there.
func missing(text string) bool {
	text = strings.ToLower(strings.TrimSpace(text))
	return strings.Trim(text, "-") == "" || text == "n/a" || text == "na" || text == "nan"
}

func (c *column) add(t float64, text string, comma rune) error {
	if missing(text) {
		return nil
	}
	v, err := number(text, comma)
	if err != nil {
		return err
	}
	if _, decimals, ok := strings.Cut(strings.Replace(strings.TrimSpace(text), ",", ".", 1), "."); ok {
		if e := strings.IndexAny(decimals, "eE"); e >= 0 {
			c.decimals = mostDecimals
		}
		c.decimals = max(c.decimals, min(mostDecimals, len(decimals)))
	}
	if math.Abs(v)*math.Pow10(mostDecimals) > 1e15 {
		return fmt.Errorf("%q is beyond what a channel holds", text)
	}
	c.times, c.values = append(c.times, t), append(c.values, v)
	return nil
}

// build makes the recording of the columns.
func build(columns []*column, start time.Time) (*recording.Memory, error) {
	channels := make([]recording.Channel, len(columns))
	for i, c := range columns {
		for c.decimals > 0 && c.most()*math.Pow10(c.decimals) > math.MaxInt32 {
			c.decimals--
		}
		if c.most() > math.MaxInt32 {
			return nil, fmt.Errorf("column %s: values up to %g are beyond what a channel holds", c.ch.Name, c.most())
		}
		c.ch.Scale, c.ch.Offset = c.factor*math.Pow10(-c.decimals), c.offset
		if step := pace(c.times); step > 0 {
			c.ch.Rate = 1 / step
		}
		channels[i] = c.ch
	}
	m := recording.NewMemory(start, channels...)
	for i, c := range columns {
		if err := c.blocks(func(b recording.Block) error { return m.Append(i, b) }); err != nil {
			return nil, err
		}
	}
	return m, nil
}

func (c *column) most() (most float64) {
	for _, v := range c.values {
		most = math.Max(most, math.Abs(v))
	}
	return most
}

// pace is the usual time from row to row: the mean of those steps among the first
// ten thousand that are near their median, so that neither gaps nor times that
// were rounded move it.
func pace(times []float64) float64 {
	n := min(len(times)-1, 10000)
	if n < 1 {
		return 0
	}
	steps := make([]float64, n)
	for i := range steps {
		steps[i] = times[i+1] - times[i]
	}
	slices.Sort(steps)
	middle := steps[n/2]
	sum, count := 0.0, 0
	for _, s := range steps {
		if s > 0.4*middle && s < 1.6*middle {
			sum += s
			count++
		}
	}
	return sum / float64(count)
}

const blockSamples = 8192

// blocks parts a column where the pace breaks.
func (c *column) blocks(emit func(recording.Block) error) error {
	step := pace(c.times)
	for i := 0; i < len(c.times); {
		k := i + 1
		for k < len(c.times) && k-i < blockSamples && math.Abs(c.times[k]-c.times[k-1]-step) < 0.5*step && math.Abs(c.times[k]-c.times[i]-float64(k-i)*step) < 0.5*step+0.01*float64(k-i)*step {
			k++
		}
		b := recording.Block{Start: c.times[i], Step: step, Codes: make([]int32, k-i)}
		if k-i > 1 {
			b.Step = (c.times[k-1] - c.times[i]) / float64(k-1-i)
		}
		for j := range b.Codes {
			b.Codes[j] = int32(math.Round(c.values[i+j] * math.Pow10(c.decimals)))
		}
		if k < len(c.times) && c.times[k] < b.End()-b.Step/2 {
			b.Step = (c.times[k] - c.times[i]) / float64(k-i) // the next row came early
		}
		if err := emit(b); err != nil {
			return err
		}
		i = k
	}
	return nil
}
