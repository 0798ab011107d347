package watch

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"loomproof/dashboard/band"
	"loomproof/probe"
)

// A Limits is what a reading should keep; nil is no limit on that side.
type Limits struct{ Low, High *float64 }

// A panel is one channel that is watched, as it stands.
type panel struct {
	source, channel string
	limits          Limits

	last      probe.Reading
	have      bool
	least     float64
	most      float64
	sum, over float64 // of the readings, less the first
	count     int
	refused   int
	arrivals  []time.Time // of the latest readings
	trouble   string      // why there is no fresh reading, and what to do
	marks     []string
}

// ratedOver is how many readings the rate is taken from.
const ratedOver = 20

// take takes what a read brought.
func (p *panel) take(r probe.Reading, err error) {
	var refused *probe.Refusal
	switch {
	case errors.As(err, &refused):
		p.refused++
		p.trouble = fmt.Sprintf("refused, %s: %s; %s", refused.Reason, refused.Detail, refused.Do)
		return
	case err != nil:
		p.trouble = err.Error()
		return
	}
	p.trouble = ""
	if p.count == 0 {
		p.least, p.most, p.over, p.sum = r.Value, r.Value, r.Value, 0
	}
	p.last, p.have = r, true
	p.least, p.most = min(p.least, r.Value), max(p.most, r.Value)
	p.sum += r.Value - p.over
	p.count++
	if len(p.arrivals) == ratedOver {
		p.arrivals = append(p.arrivals[:0], p.arrivals[1:]...)
	}
	p.arrivals = append(p.arrivals, r.At)
}

// reset forgets the least, the most, the mean and the marks.
func (p *panel) reset() { p.count, p.refused, p.marks = 0, 0, nil }

// mark keeps the reading that stands there.
func (p *panel) mark() {
	if !p.have {
		return
	}
	text := fmt.Sprintf("%d  %s  %s", len(p.marks)+1, p.last.At.Format("15:04:05"), p.written(p.last.Value))
	p.marks = append(p.marks, text)
}

func (p *panel) mean() float64 { return p.over + p.sum/float64(p.count) }

// rate is readings a second; 0 while it is not known.
func (p *panel) rate() float64 {
	n := len(p.arrivals)
	if n < 2 {
		return 0
	}
	if d := p.arrivals[n-1].Sub(p.arrivals[0]).Seconds(); d > 0 {
		return float64(n-1) / d
	}
	return 0
}

// scale is the prefix that the range in use is read with, and its factor. It
// follows the range and not the value, so that it does not jump about.
func (p *panel) scale() (prefix string, factor float64) {
	size := p.last.FullScale
	if size == 0 {
		size = math.Max(math.Abs(p.least), math.Abs(p.most))
	}
	switch {
	case size > 0 && size < 0.9:
		return "m", 1e3
	case size >= 0.9e6:
		return "M", 1e-6
	case size >= 0.9e3:
		return "k", 1e-3
	}
	return "", 1
}

// mostDigits is what a person can read of a number that moves.
const mostDigits = 6

// number is a value as the source's last place has it, without its unit.
func (p *panel) number(v float64) string {
	_, factor := p.scale()
	decimals := 3
	if step := p.last.Digit * factor; step > 0 {
		decimals = max(0, min(9, int(math.Ceil(-math.Log10(step)-1e-9))))
	}
	whole := 1
	if size := math.Abs(v * factor); size >= 10 {
		whole = 1 + int(math.Log10(size))
	}
	decimals = max(0, min(decimals, mostDigits-whole))
	text := fmt.Sprintf("%.*f", decimals, v*factor)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return text
}

func (p *panel) unit() string {
	prefix, _ := p.scale()
	return prefix + p.last.Quantity.Unit()
}

func (p *panel) written(v float64) string { return p.number(v) + " " + p.unit() }

// outside tells whether the reading breaks its limits, with its word.
func (p *panel) verdict() (word string, outside bool) {
	v := p.last.Value
	switch {
	case p.limits.Low == nil && p.limits.High == nil:
		return "", false
	case p.limits.Low != nil && v < *p.limits.Low:
		return "BELOW", true
	case p.limits.High != nil && v > *p.limits.High:
		return "ABOVE", true
	}
	return "inside", false
}

func (p *panel) band() band.Band {
	v := p.last.Value
	return band.Band{Unit: p.last.Quantity.Unit(), Reading: &v, Low: p.limits.Low, High: p.limits.High, Uncertainty: 2 * p.last.Uncertainty()}
}
