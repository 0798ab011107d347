package recorder

import (
	"fmt"
	"io"
	"math"
	"text/tabwriter"
	"time"

	"loomproof/checks/recording"
	"loomproof/checks/units"
)

// A Summary says what a recording holds.
type Summary struct {
	ID       int64              `json:"recording"`
	Begun    time.Time          `json:"begun,omitzero"` // not there where nobody knows
	Seconds  float64            `json:"seconds"`
	Channels []ChannelSummary   `json:"channels"`
	Markers  []recording.Marker `json:"markers"`
	Digest   string             `json:"digest"` // of its seal; "" for none
}

// A ChannelSummary is that of one channel.
type ChannelSummary struct {
	Name    string          `json:"name"`
	Role    recording.Role  `json:"role"`
	Unit    string          `json:"unit"`
	Samples int64           `json:"samples"`
	RateHz  float64         `json:"rate_hz"` // as it was, by the host's clock
	Gaps    int             `json:"gaps"`
	Lost    int64           `json:"lost"`  // samples that are missing in them
	GapS    float64         `json:"gap_s"` // their length
	Least   float64         `json:"least"`
	Most    float64         `json:"most"`
	AtEnd   int64           `json:"at_end"` // samples at an end of the converter's range
	Clock   recording.Clock `json:"clock"`
}

// Summarise reads a recording through.
func Summarise(id int64, r recording.Recording) (Summary, error) {
	s := Summary{ID: id, Markers: r.Markers()}
	if recording.Dated(r.Start()) {
		s.Begun = r.Start()
	}
	for i, ch := range r.Channels() {
		c := ChannelSummary{Name: ch.Name, Role: ch.Role, Unit: ch.Quantity.Unit(), Clock: ch.Clock, Least: math.Inf(1), Most: math.Inf(-1)}
		var before recording.Block
		for b, err := range r.Blocks(i, math.Inf(-1), math.Inf(1)) {
			if err != nil {
				return s, err
			}
			if g, ok := recording.Between(before, b); ok && ch.Rate > 0 {
				c.Gaps, c.Lost, c.GapS = c.Gaps+1, c.Lost+g.Lost, c.GapS+g.To-g.From
			}
			for _, code := range b.Codes {
				v := ch.Value(code)
				c.Least, c.Most = min(c.Least, v), max(c.Most, v)
				if ch.AtEnd(code) {
					c.AtEnd++
				}
			}
			c.Samples += int64(len(b.Codes))
			before = b
		}
		from, to := r.Span(i)
		s.Seconds = max(s.Seconds, to)
		if to > from+c.GapS {
			c.RateHz = float64(c.Samples) / (to - from - c.GapS)
		}
		if c.Samples == 0 {
			c.Least, c.Most = 0, 0
		}
		s.Channels = append(s.Channels, c)
	}
	return s, nil
}

// value is one of the channel's as people write it: an engine's speed in turns a
// minute.
func (c ChannelSummary) value(v float64) string {
	if c.Role == recording.EngineSpeed {
		return units.Format(60*v, "rpm")
	}
	return units.Format(v, c.Unit)
}

func perSecond(rate float64) string {
	if rate >= 1000 {
		return fmt.Sprintf("%.0f", rate)
	}
	return fmt.Sprintf("%.4g", rate)
}

// Text writes it for people.
func (s Summary) Text(w io.Writer) error {
	fmt.Fprintf(w, "Recording %d: %s, %d channels, %d markers\n", s.ID, Span(s.Seconds), len(s.Channels), len(s.Markers))
	if s.Begun.IsZero() {
		fmt.Fprintln(w, "It has no date: its log gives none")
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "channel\twhat\tsamples\ta second\tleast\tmost\tmissing")
	for _, c := range s.Channels {
		missing := "none"
		if c.Gaps > 0 {
			missing = fmt.Sprintf("%d samples in %d gaps, %.3f s", c.Lost, c.Gaps, c.GapS)
		}
		if c.AtEnd > 0 {
			missing += fmt.Sprintf("; %d at the end of the range", c.AtEnd)
		}
		fmt.Fprintf(t, "%s\t%s\t%d\t%s\t%s\t%s\t%s\n", c.Name, c.Role, c.Samples, perSecond(c.RateHz), c.value(c.Least), c.value(c.Most), missing)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	told := map[string]bool{}
	for _, c := range s.Channels {
		if k := c.Clock; k.Device != "" && k.DriftU > 0 && !told[k.Device] {
			told[k.Device] = true
			fmt.Fprintf(w, "The clock of %s runs %+.0f ppm (± %.0f) against this computer's; times are told to ± %.1f ms\n", k.Device, k.Drift*1e6, 2*k.DriftU*1e6, 2*k.Residual*1e3)
		}
	}
	if s.Digest != "" {
		fmt.Fprintf(w, "Write this down, and nobody can change a sample unseen: digest %s\n", s.Digest)
	}
	return nil
}

// Span is a time span for people: 1 h 20 min 3 s.
func Span(seconds float64) string {
	n := int64(math.Round(seconds))
	switch h, m, s := n/3600, n/60%60, n%60; {
	case seconds < 60:
		return fmt.Sprintf("%.1f s", seconds)
	case h > 48:
		return fmt.Sprintf("%d days", h/24)
	case h > 0:
		return fmt.Sprintf("%d h %d min", h, m)
	default:
		return fmt.Sprintf("%d min %d s", m, s)
	}
}
