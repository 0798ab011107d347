package sources

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"loomproof/probe"
	"loomproof/probe/keyboard"
	"loomproof/probe/layout"
	"loomproof/probe/port"
)

type typedMeter struct {
	Entry
	Scales []*scale `key:"scales,required" doc:"The scales of the meter, by channel: voltage, resistance, current. A worksheet reads by these names."`

	ask keyboard.Ask
}

type scale struct {
	layout.Pos
	Name     string         `key:"-"`
	Quantity probe.Quantity `key:"quantity" doc:"voltage, current, temperature, resistance or frequency. Default: what the scale is named after; one of another name needs it."`
	From     amount         `key:"from" doc:"Where a dial begins: 0 or below, as -60 A. Default 0; a meter that shows digits shows its sign by itself."`
	To       amount         `key:"to,required" doc:"Where it ends, or the largest that it shows: 40 V, 40 MΩ, or a plain number in the SI unit."`
	Class    float64        `key:"class" doc:"Accuracy class on its dial (IEC 60051), per cent of the scale. A meter that shows digits has an accuracy line instead."`
	Division amount         `key:"division" doc:"What one division of a dial is worth, as 0.5 V; none for a meter that shows digits."`
}

// An amount is a value of a scale, in the SI unit: a plain number, or one with its unit.
type amount struct {
	Value float64
	unit  string // "" for a plain number
}

// UnmarshalText reads 40, 40e6, 40 V, 40 MΩ, -60 A.
func (a *amount) UnmarshalText(text []byte) error {
	line := strings.TrimSpace(string(text))
	if v, err := strconv.ParseFloat(line, 64); err == nil {
		*a = amount{Value: v}
		return nil
	}
	size, below := strings.CutPrefix(strings.Replace(line, "−", "-", 1), "-")
	v, unit, err := parseLevel(size)
	if err != nil {
		return fmt.Errorf("%q: %w; write it like 40 V, 40 MΩ, 500 mV, or a plain number in the SI unit", line, err)
	}
	if below {
		v = -v
	}
	*a = amount{v, unit}
	return nil
}

// named are the quantities that a scale's name can say by itself.
var named = []probe.Quantity{probe.Voltage, probe.Current, probe.Resistance, probe.Temperature, probe.Frequency}

// check tells what is wrong with a scale before it is asked about.
func (s *scale) check(r *layout.Reader, source string) {
	called := probe.Quantity(s.Name)
	switch known := slices.Contains(named, called); {
	case s.Quantity == "" && known:
		s.Quantity = called
	case s.Quantity == "":
		r.Errorf(s.Pos, "source %q, scale %q: what does it show? Write quantity: voltage, or name the scale voltage, resistance, current, temperature or frequency", source, s.Name)
		return
	case known && s.Quantity != called:
		r.Errorf(s.Pos, "source %q: the scale named %s has the quantity %s, and a worksheet reads it by its name; take the line quantity out, or give it another name", source, s.Name, s.Quantity)
		return
	}
	for key, a := range map[string]amount{"from": s.From, "to": s.To, "division": s.Division} {
		if a.unit != "" && a.unit != s.Quantity.Unit() {
			r.Errorf(s.Pos, "source %q, scale %q: %s is in %s, and %s is in %s", source, s.Name, key, a.unit, s.Quantity, s.Quantity.Unit())
		}
	}
}

func (t *typedMeter) check(r *layout.Reader) {
	var channels []probe.Channel
	for _, s := range t.Scales {
		before := r.Errors()
		if s.check(r, t.Name); len(r.Errors()) > len(before) {
			return
		}
		channels = append(channels, probe.Channel{Name: s.Name, Quantity: s.Quantity})
	}
	t.checkChannels(r, channels...)
	nobody := func(context.Context, string) (string, error) { return "", errNobody }
	if _, err := keyboard.Open(context.Background(), nobody, t.options()); err != nil {
		r.Errorf(t.Pos, "source %q: %v", t.Name, err)
	}
}

func (t *typedMeter) options() keyboard.Options {
	o := keyboard.Options{Name: t.Name, Accuracy: t.accuracies(), Calibrated: t.Calibrated.Time, Certificate: t.Certificate}
	for _, s := range t.Scales {
		o.Scales = append(o.Scales, keyboard.Scale{Channel: s.Name, Quantity: s.Quantity, Low: s.From.Value, High: s.To.Value, Class: s.Class, Division: s.Division.Value})
	}
	return o
}

// errNobody is why a typed meter cannot be used where no question can be put.
var errNobody = errors.New("what a meter shows can be typed in a worksheet only: perform or serve")

func (t *typedMeter) open(ctx context.Context, _ port.Conn) (probe.Source, error) {
	if t.ask == nil {
		return nil, errNobody
	}
	return keyboard.Open(ctx, t.ask, t.options())
}

// states: a class states the accuracy of its scale.
func (t *typedMeter) states(channel string) bool {
	for _, s := range t.Scales {
		if s.Name == channel {
			return s.Class > 0
		}
	}
	return false
}

func (t *typedMeter) listed() []probe.Channel {
	var out []probe.Channel
	for _, s := range t.Scales {
		out = append(out, probe.Channel{Name: s.Name, Quantity: s.Quantity})
	}
	return out
}

// stated: a class is a part of the whole scale (IEC 60051), not of the range that
// is asked about.
func (t *typedMeter) stated(channel string, full float64) (probe.Accuracy, bool) {
	for _, s := range t.Scales {
		if s.Name == channel && s.Class > 0 && full > 0 {
			return probe.Accuracy{OfRange: s.Class / 100 * (s.To.Value - s.From.Value) / full}, true
		}
	}
	return probe.Accuracy{}, false
}

// TypedBy says how a person is asked what a meter without a lead shows.
func (f *File) TypedBy(ask keyboard.Ask) {
	for _, e := range f.entries {
		if t, ok := e.(*typedMeter); ok {
			t.ask = ask
		}
	}
}

// A Typed is a meter whose readings a person types. It implements probe.Settled.
type Typed struct{ *Source }

// Settled says that one reading is enough: a person waits for the pointer to rest.
func (Typed) Settled() bool { return true }
