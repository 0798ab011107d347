package groundrun

import (
	"fmt"
	"math"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
)

// OptionsOf is what a design says of the charging system; nil says nothing.
func OptionsOf(d *design.Design) Options {
	var o Options
	if d == nil {
		return o
	}
	o.Nominal = float64(d.Aircraft.Nominal)
	if b := d.SourceOf(design.Battery); b != nil {
		o.BatteryOhms = float64(b.Resistance)
		o.BatteryAmpereHours = float64(b.Capacity)
	}
	return o
}

// Words is what the run shows in a few sentences, for a reader in a hurry.
func (r *Report) Words() []string {
	var out []string
	for _, s := range []string{r.courseWords(), r.crankWords(), r.regulatorWords(), r.chargeWords(), r.rippleWords(), r.missingWords()} {
		if s != "" {
			out = append(out, s)
		}
	}
	return append(out, r.countWords())
}

func (r *Report) courseWords() string {
	cranked, ran, slow, fast := 0.0, 0.0, math.Inf(1), 0.0
	held := 0
	for _, p := range r.Parts {
		switch {
		case p.Kind == Cranking:
			cranked += p.To - p.From
		case p.Kind.steady():
			held++
			if p.Speed > 0 {
				slow, fast = math.Min(slow, p.Speed), math.Max(fast, p.Speed)
			}
			fallthrough
		case p.Kind == Running || p.Kind == SpeedChange:
			ran += p.To - p.From
		}
	}
	words := fmt.Sprintf("%.0f s were recorded", r.To-r.From)
	if cranked > 0 {
		words += fmt.Sprintf(", %.1f s of them with the starter turning", cranked)
	}
	words += fmt.Sprintf("; the engine ran for %.0f s", ran)
	if held > 0 {
		words += fmt.Sprintf(", with %d steady stretches", held)
	}
	if fast > 0 {
		words += fmt.Sprintf(" from %.0f rpm to %.0f rpm", slow*60, fast*60)
	}
	return words + "."
}

// told is the first figure of a kind.
func (r *Report) told(what string) *Check {
	for i := range r.Checks {
		if r.Checks[i].What == what {
			return &r.Checks[i]
		}
	}
	return nil
}

func (c *Check) value() string { return units.FormatWith(c.Reading, c.Uncertainty, c.Unit) }

func (r *Report) crankWords() string {
	least, most := r.told("least voltage of the crank"), r.told("most current of the crank")
	switch {
	case least == nil:
		return ""
	case most == nil:
		return "While the starter turned the voltage fell to " + least.value() + "."
	}
	return fmt.Sprintf("While the starter turned the voltage fell to %s; the battery gave up to %s.", least.value(), units.Format(math.Abs(most.Reading), most.Unit))
}

func (r *Report) regulatorWords() string {
	c := r.told("regulator set-point")
	if c == nil {
		return ""
	}
	words := "The regulator holds " + c.value()
	if s := r.told("slope against load"); s != nil {
		way := "less"
		if s.Reading > 0 {
			way = "more"
		}
		words += fmt.Sprintf(", and %s %s for each ampere of load", units.Format(math.Abs(s.Reading), "V"), way)
	}
	return words + "."
}

func (r *Report) chargeWords() string {
	first, last, sum := r.told("charging current at first"), r.told("charging current at last"), r.told("charge into the battery over the run")
	if first == nil || last == nil || sum == nil {
		return ""
	}
	return fmt.Sprintf("The battery took %s at first and %s at last; over the run its charge changed by %s.", units.Format(first.Reading, "A"), units.Format(last.Reading, "A"), units.Format(sum.Reading, sum.Unit))
}

func (r *Report) rippleWords() string {
	var most *Check
	judged, good := 0, 0
	for i := range r.Checks {
		switch c := &r.Checks[i]; c.What {
		case "ripple peak to peak":
			if most == nil || c.Reading > most.Reading {
				most = c
			}
		case "lines below the sixth over the sixth":
			if judged++; c.Verdict == verdict.Pass {
				good++
			}
		}
	}
	if most == nil {
		return ""
	}
	words := fmt.Sprintf("The ripple is %s peak to peak at most", units.Format(most.Reading, "V"))
	switch {
	case judged > 0 && good == judged:
		words += ", with the lines of a rectifier whose six diodes all work"
	case judged > 0:
		words += fmt.Sprintf("; in %d of %d stretches its lines are not those of a sound rectifier", judged-good, judged)
	}
	return words + "."
}

func (r *Report) missingWords() string {
	var short []string
	for _, c := range r.Channels {
		if c.Lost > 0 {
			short = append(short, fmt.Sprintf("%d of %s", c.Lost, c.Name))
		}
	}
	if len(short) == 0 {
		return "No sample is missing."
	}
	return "Samples are missing, and nothing stands for them: " + strings.Join(short, ", ") + "."
}

func (r *Report) countWords() string {
	count := map[verdict.Word]int{}
	for _, c := range r.Checks {
		count[c.Verdict]++
	}
	return fmt.Sprintf("Of the figures with a limit %d pass, %d fail and %d are undecided; %d more are told without one.", count[verdict.Pass], count[verdict.Fail], count[verdict.Undecided], count[""])
}

// PartName is the name of a part by its id; the id where there is none.
func (r *Report) PartName(id string) string {
	for _, p := range r.Parts {
		if p.ID == id {
			return p.Name
		}
	}
	return id
}
