package sources

import (
	"context"
	"errors"

	"loomproof/probe"
	"loomproof/probe/keyboard"
	"loomproof/probe/layout"
	"loomproof/probe/port"
)

type typedMeter struct {
	Entry
	Scales []*scale `key:"scales,required" doc:"The scales of the meter, by channel, as voltage."`

	ask keyboard.Ask
}

type scale struct {
	layout.Pos
	Name     string         `key:"-"`
	Quantity probe.Quantity `key:"quantity" doc:"voltage, current, temperature, resistance or frequency. Default voltage."`
	From     float64        `key:"from" doc:"Where the scale begins, in the SI unit; 0 or below. Default 0."`
	To       float64        `key:"to,required" doc:"Where it ends, in the SI unit."`
	Class    float64        `key:"class" doc:"Accuracy class on its dial (IEC 60051), per cent of the scale. A meter that shows digits has an accuracy line instead."`
	Division float64        `key:"division" doc:"What one division is worth, in the SI unit; 0 for a meter that shows digits."`
}

func (t *typedMeter) check(r *layout.Reader) {
	var channels []probe.Channel
	for _, s := range t.Scales {
		if s.Quantity == "" {
			s.Quantity = probe.Voltage
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
		o.Scales = append(o.Scales, keyboard.Scale{Channel: s.Name, Quantity: s.Quantity, Low: s.From, High: s.To, Class: s.Class, Division: s.Division})
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
			return probe.Accuracy{OfRange: s.Class / 100 * (s.To - s.From) / full}, true
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
