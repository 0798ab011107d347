package keyboard

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"sync"
	"time"

	"loomproof/probe"
)

// readTo is the part of a division to which a pointer is read (common practice).
const readTo = 0.2

// An Ask puts a question to a person and returns the line that was typed. It
// ends early when the context does. An error that wraps [probe.ErrGone] says
// that nobody will type any more.
type Ask func(ctx context.Context, question string) (line string, err error)

// Options say which meter a person reads.
type Options struct {
	Name        string                    // what the person calls it; empty for "keyboard"
	Accuracy    map[string]probe.Accuracy // for each channel, in place of the class
	Calibrated  time.Time
	Certificate string
	Span        probe.Spans // what is physically possible on a channel

	Maker, Model, Serial string // as its plate says
	Scales               []Scale
}

// A Scale is one scale or range of the meter, read as one channel.
type Scale struct {
	Channel   string // its name, as "voltage"
	Quantity  probe.Quantity
	Low, High float64 // where the scale begins and ends, in the SI unit; Low is 0 or below
	Class     float64 // class index of IEC 60051-1, per cent; 0 when an Accuracy is given
	Division  float64 // what one division is worth, in the SI unit; 0 for a meter with digits
}

// least is the least that it shows: a meter with digits shows a sign by itself.
func (s Scale) least() float64 {
	if s.Class == 0 && s.Division == 0 && (s.Quantity == probe.Voltage || s.Quantity == probe.Current) {
		return min(s.Low, -s.High)
	}
	return s.Low
}

// fiducial is what the class index is a part of.
func (s Scale) fiducial() float64 { return s.High - min(0, s.Low) }

func (s Scale) check() error {
	switch {
	case s.Channel == "":
		return errors.New("a scale has no channel name")
	case s.Quantity.Unit() == "":
		return fmt.Errorf("scale %q: quantity %q is unknown", s.Channel, s.Quantity)
	case !(s.High > 0) || !(s.Low <= 0) || s.fiducial() > 1e12:
		return fmt.Errorf("scale %q: it runs from %g to %g; it must begin at 0 or below and end above 0", s.Channel, s.Low, s.High)
	case !(s.Class >= 0 && s.Class <= 20):
		return fmt.Errorf("scale %q: class %g is outside 0 to 20 %%", s.Channel, s.Class)
	case !(s.Division >= 0 && s.Division <= s.fiducial()):
		return fmt.Errorf("scale %q: a division of %g is not part of the scale", s.Channel, s.Division)
	}
	return nil
}

// A Meter is a meter that a person reads. It implements [probe.Source].
type Meter struct {
	ask      Ask
	options  Options
	channels []probe.Channel // belong to options.Scales, one for one
	tally    probe.Tally
}

// Open makes a source of a person. It asks nothing yet. An error says which
// scale is wrong.
func Open(_ context.Context, ask Ask, options Options) (*Meter, error) {
	options.Name = cmp.Or(options.Name, "keyboard")
	m := &Meter{ask: ask, options: options}
	if len(options.Scales) == 0 {
		return nil, fmt.Errorf("%s: no scales; say at least one, with its quantity, end and class", options.Name)
	}
	for _, s := range options.Scales {
		if err := s.check(); err != nil {
			return nil, fmt.Errorf("%s: %w", options.Name, err)
		}
		a, given := options.Accuracy[s.Channel]
		if !given {
			a.OfRange = s.Class / 100
			if s.Division > 0 {
				a.Digits = readTo
			}
		}
		if a == (probe.Accuracy{}) {
			return nil, fmt.Errorf("%s: scale %q has neither a class nor an accuracy; its plate or manual says it", options.Name, s.Channel)
		}
		m.channels = append(m.channels, probe.Channel{Name: s.Channel, Quantity: s.Quantity, Accuracy: a})
	}
	return m, nil
}

// Identity is what the meter's plate says.
func (m *Meter) Identity() probe.Identity {
	o := m.options
	return probe.Identity{
		Name: o.Name, Maker: o.Maker, Model: cmp.Or(o.Model, "read by a person"), Serial: o.Serial, Port: "keyboard",
		Calibrated: o.Calibrated, Certificate: o.Certificate,
	}
}

// Channels lists the scales.
func (m *Meter) Channels() []probe.Channel { return append([]probe.Channel(nil), m.channels...) }

// Counters says what was typed so far. Any goroutine may ask.
func (m *Meter) Counters() probe.Counters { return m.tally.Counters() }

// Close does nothing: the line to the person is not the source's.
func (m *Meter) Close() error { return nil }

// Settled says that one reading is enough: a person waits for the pointer to rest.
func (m *Meter) Settled() bool { return true }

// Read asks once what the meter shows.
func (m *Meter) Read(ctx context.Context, channel string) (probe.Reading, error) {
	names := ""
	for i, c := range m.channels {
		if c.Name == channel {
			return m.read(ctx, c, m.options.Scales[i])
		}
		names += " " + c.Name
	}
	return probe.Reading{}, fmt.Errorf("%s: no channel %q; it has%s", m.options.Name, channel, names)
}

func (m *Meter) read(ctx context.Context, c probe.Channel, s Scale) (probe.Reading, error) {
	line, err := m.ask(ctx, fmt.Sprintf("What does %s show? Type the %s in %s", m.options.Name, c.Quantity, c.Quantity.Unit()))
	if err != nil {
		return probe.Reading{}, fmt.Errorf("%s: %w", m.options.Name, err)
	}
	at := time.Now()
	v, bad := parse(line, c.Quantity)
	if bad != nil {
		r := m.refuse(bad.reason, bad.detail, bad.do)
		if bad.reason == probe.Overload {
			r.Above = cmp.Or(bad.above, s.High)
		}
		return probe.Reading{}, r
	}
	if s.cutShort(v, c) {
		return probe.Reading{}, m.refuse(probe.NotANumber, fmt.Sprintf("%q was typed, without the digits behind the point", strings.TrimSpace(line)),
			"type all that the meter shows, as 0.00 or 12.40: how sure the reading is hangs on its last digit")
	}
	unit := c.Quantity.Unit()
	switch low := s.least(); {
	case v.value < low && low == 0 && v.value >= -s.High && c.Quantity != probe.Resistance:
		return probe.Reading{}, m.refuse(probe.OutOfRange, fmt.Sprintf("%s, %g %s was typed, and its scale begins at 0", Minus, v.value, unit),
			"are the leads crossed? Red lead in the socket for "+unit+", black in COM, red probe on the point that is named first. If they are right, what feeds it is connected the wrong way round: take it off now, before anything is switched on")
	case v.value < 0 && c.Quantity == probe.Resistance:
		return probe.Reading{}, m.refuse(probe.OutOfRange, fmt.Sprintf("%g %s was typed, and ohms are never below 0", v.value, unit),
			"there may be voltage on it: probes off, then look with the meter on volts. With none, press the tips together and take off what that shows")
	case v.value < low || v.value > s.High:
		return probe.Reading{}, m.refuse(probe.OutOfRange, fmt.Sprintf("%g %s was typed, but its scale runs from %g to %g %s", v.value, unit, low, s.High, unit),
			"look again, and at the unit; OL if it is past the end. What it can show stands in the source file, as from and to")
	}
	if r := m.options.Span.Check(m.options.Name, c, v.value); r != nil {
		return probe.Reading{}, m.refuse(r.Reason, r.Detail, r.Do)
	}
	m.tally.Frame(1)
	return probe.Reading{
		Value: v.value, Quantity: c.Quantity, Source: m.options.Name, Channel: c.Name, At: at,
		Accuracy: c.Accuracy, FullScale: s.fiducial(), Digit: cmp.Or(s.Division, v.step),
	}, nil
}

// cutShort tells a reading of volts or amperes that was typed in whole numbers, where
// the accuracy counts in the last digit: every meter with digits shows some behind
// the point below 100 (common practice).
func (s Scale) cutShort(v typed, c probe.Channel) bool {
	return s.Division == 0 && c.Accuracy.Digits > 0 && v.step >= 1 && math.Abs(v.value) < 100 && (c.Quantity == probe.Voltage || c.Quantity == probe.Current)
}

// Minus begins the detail of a refusal where the sign is the danger.
const Minus = "MINUS"

func (m *Meter) refuse(reason probe.Reason, detail, do string) *probe.Refusal {
	m.tally.Refuse(reason)
	return &probe.Refusal{Source: m.options.Name, Reason: reason, Detail: detail, Do: do}
}

// Lines asks on a terminal: the question goes to w, the answer is the next line
// of r. A line that was typed for a question that was given up is not the
// answer to the next one. A goroutine reads from r until r ends, also when no
// question waits.
func Lines(r io.Reader, w io.Writer) Ask {
	lines := make(chan string)
	var start sync.Once
	var why error // set before lines is closed
	givenUp := false
	return func(ctx context.Context, question string) (string, error) {
		start.Do(func() {
			go func() {
				s := bufio.NewScanner(r)
				for s.Scan() {
					lines <- s.Text()
				}
				why = cmp.Or(s.Err(), io.EOF)
				close(lines)
			}()
		})
		if givenUp {
			select {
			case <-lines:
			default:
			}
			givenUp = false
		}
		if _, err := fmt.Fprintf(w, "%s: ", question); err != nil {
			return "", fmt.Errorf("%w: the question could not be shown: %w", probe.ErrGone, err)
		}
		select {
		case line, ok := <-lines:
			if !ok {
				return "", fmt.Errorf("%w: nobody types any more (%w)", probe.ErrGone, why)
			}
			return line, nil
		case <-ctx.Done():
			givenUp = true
			return "", context.Cause(ctx)
		}
	}
}
