package report

import (
	"fmt"
	"io"
	"strings"

	"loomproof/checks/verdict"
	"loomproof/dashboard/why"
)

// Text writes the report for a terminal: the verdict first, then what is wrong,
// then each circuit in a line with its worst step.
func (r *Report) Text(w io.Writer) error {
	var b strings.Builder
	if !r.Finished {
		fmt.Fprintf(&b, "\nNOT FINISHED: %s of %s (worksheet %d) has not come to its end\n", r.Procedure, r.Aircraft, r.Worksheet)
		if len(r.NotReached) > 0 {
			fmt.Fprintf(&b, "  no step yet: %s\n", strings.Join(r.NotReached, ", "))
		}
	}
	fmt.Fprintf(&b, "\n%s: %s of %s (worksheet %d)\n", strings.ToUpper(string(r.Verdict)), r.Procedure, r.Aircraft, r.Worksheet)
	fmt.Fprintf(&b, "  %d steps pass, %d fail, %d undecided, %d not done\n", r.Count.Pass, r.Count.Fail, r.Count.Undecided, r.Count.NotDone)
	if len(r.CannotSee) > 0 {
		fmt.Fprintf(&b, "  %s cannot see: %s\n", r.Procedure, strings.Join(r.CannotSee, "; "))
	}
	if r.Stopped != "" {
		fmt.Fprintf(&b, "  ended early: %s\n", r.Stopped)
	}
	for _, c := range r.Causes { // heat is said first
		if c.Hot != "" {
			fmt.Fprintf(&b, "\n  HOT: %s\n", c.Hot)
		}
	}
	for _, f := range r.Findings {
		fmt.Fprintf(&b, "\n  * %s\n    Try: %s\n", f.What, f.Try)
	}
	for i, c := range r.Causes {
		if i == 0 {
			fmt.Fprintf(&b, "\n  Why, likeliest first (more: loomproof why %d --next):\n", r.Worksheet)
		}
		fmt.Fprintf(&b, "    %s  %s\n", why.Percent(c.Probability), c.What)
	}
	if s := r.Since; s != nil {
		fmt.Fprintf(&b, "\n  Since worksheet %d of %s, of %d quantities (more: loomproof compare %d):\n", s.Worksheet, s.At, s.Compared, r.Worksheet)
		for _, x := range s.Worse {
			fmt.Fprintf(&b, "    %s\n", x)
		}
		if len(s.Worse) == 0 {
			b.WriteString("    nothing has become worse that could not be chance\n")
		}
	}
	b.WriteString("\n  circuit              verdict     the step nearest to its limit\n")
	for _, circuit := range r.circuits() {
		s := r.nearest(circuit)
		fmt.Fprintf(&b, "  %-20.20s %-10s %s %s\n", circuit, s.Verdict, s.band.Letters(26), s.said())
	}
	for _, t := range r.Tables {
		fmt.Fprintf(&b, "\n  %s\n", t.Name)
		for _, row := range append([][]string{t.Columns}, t.Rows...) {
			fmt.Fprintf(&b, "    %s\n", strings.Join(row, "  "))
		}
	}
	fmt.Fprintf(&b, "\n  design %s revision %s, program %s\n", r.DesignFile, r.DesignRevision, r.ProgramVersion)
	for _, i := range r.Instruments {
		fmt.Fprintf(&b, "  %s: %s, calibration %s\n", i.Name, i.Identity, i.Calibration)
		if i.Warning != "" {
			fmt.Fprintf(&b, "  WARNING: %s\n", i.Warning)
		}
	}
	for _, g := range r.Gaps {
		fmt.Fprintf(&b, "  %s\n", g)
	}
	for _, s := range r.Signatures {
		fmt.Fprintf(&b, "  %s: %s, %s, %s\n", map[string]string{"sign": "signed", "amend": "amended"}[s.Kind], s.By, s.Capacity, s.At)
	}
	if !r.Chain.Intact {
		fmt.Fprintf(&b, "  WARNING: %s\n", r.Chain.Broken)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// nearest is the circuit's step with the worst verdict, and among equals the
// one least likely to conform.
func (r *Report) nearest(circuit string) Step {
	var best Step
	for _, s := range r.Steps {
		if s.Circuit != circuit {
			continue
		}
		if best.ID == "" || worse(s, best) {
			best = s
		}
	}
	return best
}

func worse(a, b Step) bool {
	if a.Verdict != b.Verdict {
		return verdict.Worst(verdict.Word(a.Verdict), verdict.Word(b.Verdict)) == verdict.Word(a.Verdict)
	}
	return a.near() > b.near()
}

// near is how near a step's reading is to its limit: 1 is on it.
func (s Step) near() float64 {
	if s.Reading == nil || s.DesignValue == nil {
		return 0
	}
	off := *s.Reading - *s.DesignValue
	switch {
	case off > 0 && s.High != nil && *s.High > *s.DesignValue:
		return off / (*s.High - *s.DesignValue)
	case off < 0 && s.Low != nil && *s.Low < *s.DesignValue:
		return off / (*s.Low - *s.DesignValue)
	}
	return 0
}

// said is the step in words: what it read, and what it should.
func (s Step) said() string {
	if s.Reading == nil {
		return s.Note
	}
	_, what, _ := strings.Cut(s.Title, ": ")
	if what == "" {
		what = s.Title
	}
	return fmt.Sprintf("%s %s (%s)", what, s.band.Value(), s.band.Allowed())
}
