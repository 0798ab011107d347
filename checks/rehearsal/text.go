package rehearsal

import (
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"time"

	"loomproof/checks/procedure"
	"loomproof/checks/units"
)

// width is that of a terminal.
const width = 80

// Text writes a rehearsal for people, in 80 columns.
func (r *Rehearsal) Text(w io.Writer) error {
	p := &printer{w: w}
	p.line("", "Rehearsal of %s on %s, design revision %s. Nothing is touched.", r.Procedure, r.Aircraft, r.Revision)
	p.line("", "")
	people := "the script does not say; at least two, since nobody is alone near power"
	if r.People > 0 {
		people = fmt.Sprint(r.People)
	}
	p.line("  ", "People: %s.", people)
	tools := "the script names none"
	if len(r.Tools) > 0 {
		tools = strings.Join(r.Tools, "; ")
	}
	p.line("  ", "Tools: %s.", tools)
	p.line("  ", "Instruments: %s. Used: %s.", orNone(r.Kit), orNone(r.Used))
	p.line("  ", "Time: about %s (%s).", round(r.Time()), TimeRule)
	p.line("  ", "Key presses: %d at hold points, %d for what is seen or heard, %d beside them. Probe moves: %d. Steps: %d.", r.Effort.Holds, r.Effort.Looks, r.Effort.Presses, r.Effort.Moves, r.Effort.Steps)
	for _, x := range whyPressed {
		if n := r.count(x.kind); n > 0 {
			p.line("    ", "%d of those beside them: %s.", n, x.why)
		}
	}
	p.section("Cautions", r.Cautions)
	p.section("What these instruments cannot prove, with everything right", together(r.Unproven))
	p.section("What is left out", r.LeftOut)
	if r.Stopped != "" {
		p.section("It stops early", []string{r.Stopped})
	}
	p.line("", "")
	p.line("", "Step by step")
	for _, e := range r.Events {
		p.event(e)
	}
	p.line("", "")
	p.line("", "%-28s %6s %6s %6s %8s %6s", "Circuit", "steps", "holds", "looks", "presses", "moves")
	for _, c := range append(slices.Clone(r.Circuits), r.Effort) {
		p.line("", "%-28.28s %6d %6d %6d %8d %6d", c.Circuit, c.Steps, c.Holds, c.Looks, c.Presses, c.Moves)
	}
	p.line("", "What is done before a step counts for its circuit.")
	return p.err
}

// needs takes apart what package verdict says of a reading that is too coarse.
var needs = regexp.MustCompile(`^(.*?): (.*): an uncertainty below (±\S+ \S+) \(it is (±\S+ \S+) now\): (.*)$`)

// together brings what cannot be proven for the same reason into one item for each
// circuit, with what would prove it after them.
func together(unproven []string) []string {
	var out, advices []string
	at := map[string]int{}
	for _, text := range unproven {
		m := needs.FindStringSubmatch(text)
		if m == nil {
			out = append(out, text)
			continue
		}
		circuit, step, need, now, advice := m[1], m[2], m[3], m[4], m[5]
		if !slices.Contains(advices, advice) {
			advices = append(advices, advice)
		}
		head := fmt.Sprintf("%s, read to %s, needs", circuit, now)
		if i, has := at[head]; has {
			out[i] += fmt.Sprintf("; %s for %s", need, step)
			continue
		}
		at[head] = len(out)
		out = append(out, fmt.Sprintf("%s %s for %s", head, need, step))
	}
	for _, a := range advices {
		out = append(out, "What would: "+a)
	}
	return out
}

func (r *Rehearsal) count(kind string) int {
	n := 0
	for _, e := range r.Events {
		if e.Kind == kind {
			n++
		}
	}
	return n
}

func orNone(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}

func round(d time.Duration) string {
	minutes := int(d.Round(time.Minute).Minutes())
	if minutes < 60 {
		return fmt.Sprintf("%d min", max(minutes, 1))
	}
	return fmt.Sprintf("%d h %02d min", minutes/60, minutes%60)
}

type printer struct {
	w   io.Writer
	err error
}

// line writes one paragraph, broken to the width; what follows a break is
// indented by two more.
func (p *printer) line(indent, format string, args ...any) {
	text := indent + fmt.Sprintf(format, args...)
	for first := true; p.err == nil; first = false {
		if !first {
			text = indent + "  " + text
		}
		at := len(text)
		if n := []rune(text); len(n) > width {
			head := string(n[:width])
			at = strings.LastIndexByte(head, ' ')
			if at <= len(indent)+2 {
				at = len(head)
			}
		}
		_, p.err = fmt.Fprintln(p.w, strings.TrimRight(text[:at], " "))
		if text = strings.TrimLeft(text[at:], " "); text == "" {
			return
		}
	}
}

func (p *printer) section(title string, items []string) {
	if len(items) == 0 {
		return
	}
	p.line("", "")
	p.line("", "%s", title)
	for _, item := range items {
		p.line("  ", "- %s", item)
	}
}

func (p *printer) event(e Event) {
	switch {
	case e.Step != nil:
		p.line("      ", "= %s", stepLine(*e.Step))
	case e.Kind == Probe:
		p.line("  ", "probe %s", e.Say)
	default:
		answers := ""
		if len(e.Answers) > 0 {
			answers = " [" + strings.Join(e.Answers, " / ") + "]"
		}
		p.line("  ", "%-5s %s%s", e.Kind, strings.TrimSpace(e.Say+" "+e.Detail), answers)
	}
}

// stepLine is what a step will be held to.
func stepLine(s procedure.Step) string {
	if s.Design == nil && s.Low == nil && s.High == nil {
		return s.Title + ": " + s.Verdict
	}
	var parts []string
	value := func(name string, v *float64) {
		if v != nil {
			parts = append(parts, name+" "+units.Format(*v, s.Unit))
		}
	}
	value("design", s.Design)
	value("at least", s.Low)
	value("at most", s.High)
	return s.Title + ": " + strings.Join(parts, ", ")
}
