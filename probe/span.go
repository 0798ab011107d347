package probe

import "fmt"

// Span is a closed interval, in the SI unit of what it bounds.
type Span struct{ Low, High float64 }

// Holds tells whether the value lies in the span. What is not a number never does.
func (s Span) Holds(value float64) bool { return value >= s.Low && value <= s.High }

// usualSpans are what no reading of a bench or handheld instrument leaves
// (common practice).
var usualSpans = map[Quantity]Span{
	Voltage:     {-1200, 1200},
	Current:     {-40, 40},
	Resistance:  {-10, 1.3e9}, // a short with the leads' zero taken off reads a little below nothing
	Temperature: {-273.15, 2000},
	Frequency:   {0, 1e9},
}

// Spans are what is physically possible on each channel, by its name. A channel
// that is not there has a wide usual one.
type Spans map[string]Span

// Check refuses a value that is not possible on a channel.
func (s Spans) Check(source string, c Channel, value float64) *Refusal {
	span, ok := s[c.Name]
	if !ok {
		span = usualSpans[c.Quantity]
	}
	if span.Holds(value) {
		return nil
	}
	unit := c.Quantity.Unit()
	return &Refusal{
		Source: source, Reason: OutOfRange,
		Detail: fmt.Sprintf("%g %s is outside %g to %g %s", value, unit, span.Low, span.High, unit),
		Do:     "check the function and the leads",
	}
}
