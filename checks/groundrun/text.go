package groundrun

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"loomproof/checks/units"
	"loomproof/checks/verdict"
)

// JSON writes the report as one object.
func (r *Report) JSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(r)
}

// width is that of a terminal.
const width = 80

// Text writes the report for a terminal.
func (r *Report) Text(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Ground run of a %g V system: %.1f s from %.1f s\n", r.Nominal, r.To-r.From, r.From)
	r.channelsText(&b)
	r.partsText(&b)
	r.loadsText(&b)
	r.checksText(&b)
	r.findingsText(&b)
	if len(r.Untold) > 0 {
		b.WriteString("\nWhat it could not tell\n")
		for _, s := range r.Untold {
			b.WriteString(wrap(s, "  - ", "    "))
		}
	}
	fmt.Fprintf(&b, "\nVerdict: %s%s\n", strings.ToUpper(string(r.Verdict)), map[bool]string{true: ", of what it could tell"}[len(r.Untold) > 0])
	_, err := io.WriteString(w, b.String())
	return err
}

func (r *Report) channelsText(b *strings.Builder) {
	b.WriteString("\nChannels\n")
	for _, c := range r.Channels {
		missing := "none missing"
		if c.Lost > 0 {
			missing = fmt.Sprintf("%d MISSING in %.3g s", c.Lost, c.Missing)
		}
		if c.AtEnds > 0 {
			missing += fmt.Sprintf(", %d at the range's end", c.AtEnds)
		}
		b.WriteString(wrap(fmt.Sprintf("%s: %s, %s, %d samples, %s", c.Name, c.Role, units.Format(math.Round(c.Rate*100)/100, "Hz"), c.Samples, missing), "  ", "      "))
	}
}

func (r *Report) partsText(b *strings.Builder) {
	b.WriteString("\nParts\n")
	for _, p := range r.Parts {
		b.WriteString(wrap(fmt.Sprintf("%-4s %7.1f s to %7.1f s  %s (by %s)", p.ID, p.From, p.To, p.Name, p.By), "  ", "       "))
		if !p.Kind.steady() {
			continue
		}
		for _, f := range p.Figures {
			line := fmt.Sprintf("%s %s", f.Channel, units.FormatWith(f.Mean, f.U, f.Unit))
			if f.Swing > 0 && !strings.HasPrefix(f.Band, "none") {
				line += fmt.Sprintf("; ripple %s peak to peak, %s RMS (%s); noise %s", units.Format(f.Swing, f.Unit), units.Format(f.Ripple, f.Unit), f.Band, units.Format(f.Noise, f.Unit))
			}
			b.WriteString(wrap(line, "         ", "           "))
		}
	}
}

func (r *Report) loadsText(b *strings.Builder) {
	if len(r.Loads) == 0 {
		return
	}
	b.WriteString("\nLoads in and out\n")
	for _, l := range r.Loads {
		way := "in "
		if l.Amperes < 0 {
			way = "out"
		}
		line := fmt.Sprintf("%7.1f s  %s %s; the bus moves by %s at most, is back in %s, and rests %s from before", l.At, way,
			units.FormatWith(math.Abs(l.Amperes), l.U, "A"), units.Format(l.Sag, "V"), units.Format(l.Recovery, "s"), units.Format(l.Shift, "V"))
		if l.Marker != "" {
			line += " [" + l.Marker + "]"
		}
		b.WriteString(wrap(line, "  ", "             "))
	}
}

func (r *Report) checksText(b *strings.Builder) {
	b.WriteString("\nFigures and verdicts\n")
	for _, c := range r.Checks {
		word := strings.ToUpper(string(c.Verdict))
		if c.Verdict == "" {
			word = "-"
		}
		what := c.What
		if c.Part != "" {
			what += ", " + c.Part
		}
		line := fmt.Sprintf("%-9s %s: %s", word, what, strings.TrimSpace(units.FormatWith(c.Reading, c.Uncertainty, c.Unit)))
		if c.Low != nil || c.High != nil {
			line += " (" + c.allowed() + ")"
		}
		b.WriteString(wrap(line, "  ", "            "))
		for _, s := range []string{c.Note, c.Rule, c.Decide} {
			if s != "" && (s != c.Rule || c.Verdict != verdict.Pass) {
				b.WriteString(wrap(s, "            ", "            "))
			}
		}
	}
}

// allowed writes the limits.
func (c Check) allowed() string {
	of := func(v float64) string { return strings.TrimSpace(units.Format(v, c.Unit)) }
	switch {
	case c.Low != nil && c.High != nil:
		return "from " + of(*c.Low) + " to " + of(*c.High)
	case c.Low != nil:
		return "at least " + of(*c.Low)
	}
	return "at most " + of(*c.High)
}

func (r *Report) findingsText(b *strings.Builder) {
	if len(r.Findings) == 0 {
		return
	}
	b.WriteString("\nFindings\n")
	for _, f := range r.Findings {
		b.WriteString(wrap(fmt.Sprintf("%s (%s)", f.What, sure(f.Sure)), "  * ", "    "))
		b.WriteString(wrap("Try: "+f.Try, "    ", "    "))
	}
}

// sure says how sure a finding is.
func sure(p float64) string {
	if p > 0.999 {
		return "surer than 99.9 %"
	}
	return fmt.Sprintf("%.1f %% sure", 100*p)
}

// wrap breaks a text into lines of the terminal's width, at single spaces only:
// wider ones keep a column.
func wrap(text, first, rest string) string {
	var b strings.Builder
	line := first
	begun := false
	for _, word := range strings.SplitAfter(text, " ") {
		if begun && utf8.RuneCountInString(line+strings.TrimRight(word, " ")) > width {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line = rest
		}
		line += word
		begun = true
	}
	b.WriteString(strings.TrimRight(line, " ") + "\n")
	return b.String()
}
