package sources

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"loomproof/probe"
	"loomproof/probe/layout"
	"loomproof/probe/port"
)

// An Entry is what the file says of a source of any kind.
type Entry struct {
	layout.Pos
	Name string `key:"-"`

	Kind string     `key:"kind,required" doc:"What it is; see the list of kinds."`
	Port string     `key:"port" doc:"Where it is: /dev/ttyUSB0, COM5, a name below /dev/serial, or usb 16C0:05DC MH0042 (vendor and product id, serial number), which stays the same wherever it is plugged in. loomproof ports lists them."`
	Mode *port.Mode `key:"mode" doc:"How the line is set, as the instrument's menu says: 9600 8N1. Default: what is usual for the kind."`

	Accuracy    Accuracies `key:"accuracy" doc:"Accuracy line from the manual for each channel, or for each range of it: 0.05 % + 3 digits + 0.01 % of range."`
	Drift       Accuracies `key:"drift" doc:"What may have moved since the calibration, for each channel. Default 0.2 % + 1 digit (common practice), or the accuracy line where that is less."`
	Calibration string     `key:"calibration" doc:"File that loomproof calibrate keeps, beside this one. Readings are corrected by it."`
	Calibrated  Date       `key:"calibrated" doc:"Date of its last calibration by others, as 2026-11-25."`
	Due         Date       `key:"due" doc:"When it is to be calibrated again."`
	Certificate string     `key:"certificate" doc:"Number of the certificate of that calibration."`

	folder string // of the file, for what is named relative to it
}

// An entry is a source as the file has it, of one kind.
type entry interface {
	common() *Entry

	// check tells what is wrong before anything is opened.
	check(r *layout.Reader)

	// open talks to the instrument on a line, which it owns from then on; conn is
	// nil for a kind without a port.
	open(ctx context.Context, conn port.Conn) (probe.Source, error)
}

func (e *Entry) common() *Entry { return e }

// accuracies are those that count for all ranges of a channel, as the packages of
// the kinds take them; single ranges are seen to by [Source].
func (e *Entry) accuracies() map[string]probe.Accuracy {
	out := map[string]probe.Accuracy{}
	for _, a := range e.Accuracy {
		out[a.Channel] = a.Other
	}
	return out
}

// checkChannels complains about accuracy lines for channels that there are not.
func (e *Entry) checkChannels(r *layout.Reader, channels ...probe.Channel) {
	names := make([]string, len(channels))
	for i, c := range channels {
		names[i] = c.Name
	}
	for _, a := range slices.Concat(e.Accuracy, e.Drift) {
		i := slices.Index(names, a.Channel)
		if i < 0 {
			r.Errorf(a.Pos, "source %q has no channel %q%s; it has %s; take this line out, or name one of them", e.Name, a.Channel,
				layout.DidYouMean(layout.Nearest(a.Channel, names)), strings.Join(names, ", "))
			continue
		}
		for _, b := range a.Ranges {
			if b.unit != channels[i].Quantity.Unit() {
				r.Errorf(b.pos, "channel %q is in %s, the range in %s", a.Channel, channels[i].Quantity.Unit(), b.unit)
			}
		}
	}
}

// Accuracies are accuracy lines by channel.
type Accuracies []ChannelAccuracy

// A ChannelAccuracy is the accuracy of one channel: one line, or one for each
// range. A range that is not listed has that of the others; without one it has
// none, and its readings are refused.
type ChannelAccuracy struct {
	layout.Pos
	Channel  string
	Other    probe.Accuracy
	hasOther bool
	Ranges   []rangeLine
}

type rangeLine struct {
	probe.RangeAccuracy
	unit string
	pos  layout.Pos
}

// others is the key for all ranges that are not listed.
const others = "others"

// ReadShape reads a channel's line, or lines by range.
func (a *Accuracies) ReadShape(r *layout.Reader, n *yaml.Node, what string) {
	if n.Kind != yaml.MappingNode {
		r.Errorf(layout.At(n), "%s: lines like \"voltage: 0.05 %% + 3 digits\" are wanted here, one for each channel", what)
		return
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if seen[key.Value] {
			r.Errorf(layout.At(key), "%q stands twice; keep one", key.Value)
			continue
		}
		seen[key.Value] = true
		c := ChannelAccuracy{Pos: layout.At(key), Channel: key.Value}
		c.read(r, value)
		*a = append(*a, c)
	}
}

func (c *ChannelAccuracy) read(r *layout.Reader, n *yaml.Node) {
	switch n.Kind {
	case yaml.ScalarNode:
		c.Other, c.hasOther = line(r, n), true
	case yaml.MappingNode:
		c.readRanges(r, n)
	default:
		r.Errorf(layout.At(n), "%s: an accuracy line is wanted here, as 0.05 %% + 3 digits, or one for each range, as \"20 V: 0.05 %% + 3 digits\"", c.Channel)
	}
}

func (c *ChannelAccuracy) readRanges(r *layout.Reader, n *yaml.Node) {
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if value.Kind != yaml.ScalarNode {
			r.Errorf(layout.At(value), "%s: an accuracy line is wanted here, as 0.05 %% + 3 digits", key.Value)
			continue
		}
		if key.Value == others {
			c.Other, c.hasOther = line(r, value), true
			continue
		}
		full, unit, err := parseLevel(key.Value)
		if err == nil && full <= 0 {
			err = fmt.Errorf("a range is above 0")
		}
		if err != nil {
			r.Errorf(layout.At(key), "range %q: %v; write it like 20 V, or %s for all that are not listed", key.Value, err, others)
			continue
		}
		c.Ranges = append(c.Ranges, rangeLine{probe.RangeAccuracy{UpTo: full, Accuracy: line(r, value)}, unit, layout.At(key)})
	}
	slices.SortFunc(c.Ranges, func(a, b rangeLine) int { return cmp.Compare(a.UpTo, b.UpTo) })
}

func line(r *layout.Reader, n *yaml.Node) probe.Accuracy {
	a, err := probe.ParseAccuracy(n.Value)
	if err != nil {
		r.Errorf(layout.At(n), "%v", err)
	}
	return a
}

// of finds the lines of a channel; nil without any.
func (a Accuracies) of(channel string) *ChannelAccuracy {
	for i := range a {
		if a[i].Channel == channel {
			return &a[i]
		}
	}
	return nil
}

// reach is how far a range goes past its name: 20 V to 24 V (common practice).
const reach = 1.2

// on is the accuracy on the range with a full scale; ok is false where the file
// has no line for it. A range whose full scale the source does not tell is taken
// for the worst.
func (c *ChannelAccuracy) on(full float64) (a probe.Accuracy, ok bool) {
	if full == 0 && len(c.Ranges) > 0 {
		a = c.Other
		for _, b := range c.Ranges {
			a = probe.Accuracy{OfReading: max(a.OfReading, b.Accuracy.OfReading), Digits: max(a.Digits, b.Accuracy.Digits), OfRange: max(a.OfRange, b.Accuracy.OfRange)}
		}
		return a, true
	}
	for _, b := range c.Ranges {
		if full <= b.UpTo*reach {
			return b.Accuracy, true
		}
	}
	return c.Other, c.hasOther
}

// A Date is a day.
type Date struct{ time.Time }

// UnmarshalText reads 2026-11-25.
func (d *Date) UnmarshalText(text []byte) error {
	t, err := time.Parse(time.DateOnly, string(text))
	if err != nil {
		return fmt.Errorf("%q is no date; write it like 2026-11-25", text)
	}
	d.Time = t
	return nil
}

// MarshalText writes what UnmarshalText reads.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.Format(time.DateOnly)), nil }

// A Duration is a time span.
type Duration struct{ time.Duration }

// UnmarshalText reads 3 s, 200 ms, 2 min.
func (d *Duration) UnmarshalText(text []byte) error {
	s := strings.TrimSuffix(strings.ReplaceAll(string(text), " ", ""), "in") // min is m
	v, err := time.ParseDuration(s)
	if err != nil || v < 0 {
		return fmt.Errorf("%q is no time span; write it like 3 s or 200 ms", text)
	}
	d.Duration = v
	return nil
}

// A LineEnd ends each message to an instrument.
type LineEnd string

// UnmarshalText reads LF or CR LF.
func (l *LineEnd) UnmarshalText(text []byte) error {
	switch strings.Join(strings.Fields(strings.ToUpper(string(text))), "") {
	case "LF":
		*l = "\n"
	case "CRLF":
		*l = "\r\n"
	default:
		return fmt.Errorf("%q is no line end; write LF or CR LF", text)
	}
	return nil
}

// Levels are values with units by channel: noise.
type Levels map[string]Level

// A Level is a value in the SI unit that it was written with.
type Level struct {
	Value float64
	Unit  string
}

// ReadShape reads lines like "voltage: 20 µV".
func (l *Levels) ReadShape(r *layout.Reader, n *yaml.Node, what string) {
	if n.Kind != yaml.MappingNode {
		r.Errorf(layout.At(n), "%s: lines like \"voltage: 20 µV\" are wanted here", what)
		return
	}
	*l = Levels{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		v, unit, err := parseLevel(value.Value)
		if err != nil || value.Kind != yaml.ScalarNode || v <= 0 {
			r.Errorf(layout.At(value), "%s of %s: a value above 0 with its unit is wanted here, as 20 µV", what, key.Value)
			continue
		}
		(*l)[key.Value] = Level{v, unit}
	}
}

// values are the levels without their units.
func (l Levels) values() map[string]float64 {
	out := map[string]float64{}
	for name, v := range l {
		out[name] = v.Value
	}
	return out
}

var (
	prefixes  = map[string]float64{"": 1, "n": 1e-9, "\u00b5": 1e-6, "\u03bc": 1e-6, "u": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}
	unitNames = map[string]string{"V": "V", "A": "A", "\u03a9": "Ω", "\u2126": "Ω", "ohm": "Ω", "ohms": "Ω", "Hz": "Hz", "°C": "°C"}
)

// parseLevel reads a number with a unit and its prefix, into the SI unit.
func parseLevel(text string) (value float64, unit string, err error) {
	text = strings.TrimSpace(text)
	end := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("0123456789.,", r) })
	if end <= 0 {
		return 0, "", fmt.Errorf("a number and a unit are wanted")
	}
	value, err = strconv.ParseFloat(strings.Replace(text[:end], ",", ".", 1), 64)
	if err != nil || math.IsInf(value, 0) {
		return 0, "", fmt.Errorf("%q is no number", text[:end])
	}
	rest := strings.TrimSpace(text[end:])
	for name, unit := range unitNames {
		if prefix, ok := strings.CutSuffix(rest, name); ok {
			if factor, ok := prefixes[strings.TrimSpace(prefix)]; ok {
				return value * factor, unit, nil
			}
		}
	}
	return 0, "", fmt.Errorf("%q is none of the units V, A, Ω, Hz, °C", rest)
}
