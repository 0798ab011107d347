// Package report turns a worksheet into the pass/fail report: JSON for
// machines, HTML that prints on A4 and Letter for people, a few lines for the
// terminal.
//
//	r, err := report.New(worksheet)
//	r.JSON(w); r.HTML(w); r.Text(w)
//
// A report is made from the worksheet's records and nothing else, so that the
// same records give the same report.
package report

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"loomproof/checks/design"
	"loomproof/checks/evidence"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/rehearsal"
	"loomproof/checks/units"
	"loomproof/checks/verdict"
	"loomproof/dashboard/band"
	"loomproof/probe"
	"loomproof/probe/sources"
)

// Format is the version of the JSON form. Fields may be added; what is there
// keeps its meaning. report.schema.json describes it.
const Format = 1

// A Report is one worksheet as evidence. Values are in SI base units, each with
// its unit beside it.
type Report struct {
	Format         int          `json:"format" jsonschema:"description=Version of this form."`
	Aircraft       string       `json:"aircraft"`
	Registration   string       `json:"registration,omitempty"`
	Procedure      string       `json:"procedure"`
	DesignFile     string       `json:"design_file"`
	DesignRevision string       `json:"design_revision" jsonschema:"description=First 12 hexadecimal digits of the SHA-256 of the design file."`
	ProgramVersion string       `json:"program_version"`
	Worksheet      int64        `json:"worksheet"`
	Begun          time.Time    `json:"begun"`
	Ended          time.Time    `json:"ended"`
	Finished       bool         `json:"finished" jsonschema:"description=False while the worksheet is still open."`
	Verdict        verdict.Word `json:"verdict" jsonschema:"enum=pass,enum=fail,enum=undecided,enum=not done"`
	Stopped        string       `json:"stopped,omitempty" jsonschema:"description=Why the procedure ended early."`
	Count          Count        `json:"count"`
	Instruments    []Instrument `json:"instruments"`
	People         []string     `json:"people"`
	Hands          []Hands      `json:"hands" jsonschema:"description=Who held the probes in turn."`
	Gaps           []Gap        `json:"gaps" jsonschema:"description=When the program was not there and what came then."`
	Superseded     []Step       `json:"superseded" jsonschema:"description=Steps that were done again later: as they were before."`
	Steps          []Step       `json:"steps"`
	Findings       []Finding    `json:"findings"`
	Causes         []Cause      `json:"causes" jsonschema:"description=What may be behind the steps that failed, the likeliest first."`
	Doubt          string       `json:"doubt,omitempty" jsonschema:"description=Set where none of the causes explains the readings well enough."`
	Since          *Since       `json:"since,omitempty" jsonschema:"description=What has crept since the worksheet before."`
	Cuts           []Cut        `json:"cuts" jsonschema:"description=When the power had to go off: by the watch or on a person's word."`
	Cautions       []string     `json:"cautions"`
	Notes          []string     `json:"notes"`
	Tables         []Table      `json:"tables" jsonschema:"description=What the procedure keeps in rows, such as a deviation card."`
	Photographs    []Photograph `json:"photographs" jsonschema:"description=Photographs of the work in the order in which they were taken in."`
	Runs           []*Run       `json:"ground_runs" jsonschema:"description=What the recordings that were made for it show."`
	NotCovered     []string     `json:"not_covered"`
	CannotSee      []string     `json:"cannot_see" jsonschema:"description=What a pass of this procedure says nothing about by its script; empty if the script does not say."`
	NotReached     []string     `json:"not_reached" jsonschema:"description=Of a worksheet that is not finished: circuits of the design that have no step yet."`
	Signatures     []Signature  `json:"signatures" jsonschema:"description=Who signed the worksheet off or amended it; the good ones."`
	Chain          Chain        `json:"chain"`

	sheet *procedure.Sheet
}

// A Table is rows that the procedure keeps together.
type Table struct {
	Name    string     `json:"name"`
	Columns []string   `json:"columns"`
	Rows    [][]string `json:"rows"`
}

// tables gathers rows of one table and the same columns.
func tables(rows []procedure.Row) []Table {
	out := []Table{}
	for _, r := range rows {
		var columns, values []string
		for _, f := range r.Fields {
			columns, values = append(columns, f[0]), append(values, f[1])
		}
		i := slices.IndexFunc(out, func(t Table) bool { return t.Name == r.Table && slices.Equal(t.Columns, columns) })
		if i < 0 {
			i = len(out)
			out = append(out, Table{Name: r.Table, Columns: columns})
		}
		out[i].Rows = append(out[i].Rows, values)
	}
	return out
}

// Count is how many steps have which verdict.
type Count struct {
	Pass      int `json:"pass"`
	Fail      int `json:"fail"`
	Undecided int `json:"undecided"`
	NotDone   int `json:"not_done"`
}

// Instrument is a source as the report names it.
type Instrument struct {
	Name        string   `json:"name"`
	Identity    string   `json:"identity" jsonschema:"description=What the instrument itself says it is."`
	Port        string   `json:"port,omitempty"`
	Accuracy    []string `json:"accuracy" jsonschema:"description=Accuracy line of each channel."`
	Calibration string   `json:"calibration" jsonschema:"description=Date of its calibration or: not stated."`
	Due         string   `json:"calibration_due,omitempty" jsonschema:"description=Date by which it is to be calibrated again."`
	Certificate string   `json:"certificate,omitempty"`
	Warning     string   `json:"warning,omitempty" jsonschema:"description=Of a calibration that was due when the worksheet was begun or within a month of it."`
}

// Step is one verdict.
type Step struct {
	ID          string    `json:"id"`
	Circuit     string    `json:"circuit"`
	Title       string    `json:"title"`
	Point       string    `json:"point" jsonschema:"description=Terminals by their names in the design."`
	Place       string    `json:"place" jsonschema:"description=The same as a person says it."`
	Quantity    string    `json:"quantity"`
	Unit        string    `json:"unit"`
	Reading     *float64  `json:"reading"`
	Uncertainty *float64  `json:"uncertainty" jsonschema:"description=Expanded with k = 2."`
	DesignValue *float64  `json:"design_value"`
	Low         *float64  `json:"low"`
	High        *float64  `json:"high"`
	Rule        string    `json:"rule" jsonschema:"description=Citation of the limit that the reading is nearest to."`
	Verdict     string    `json:"verdict" jsonschema:"enum=pass,enum=fail,enum=undecided,enum=not done"`
	Probability *float64  `json:"probability" jsonschema:"description=Probability of conformity from 0 to 1."`
	Decide      string    `json:"decide,omitempty" jsonschema:"description=What would decide an undecided step."`
	Note        string    `json:"note,omitempty"`
	At          time.Time `json:"at"`
	Last        *Last     `json:"last,omitempty" jsonschema:"description=What the worksheet before found there."`

	band band.Band
}

// Last is what a worksheet before this one found at a step.
type Last struct {
	Worksheet int64     `json:"worksheet"`
	At        time.Time `json:"at"`
	Reading   *float64  `json:"reading" jsonschema:"description=In the unit of the step."`
	Verdict   string    `json:"verdict"`
}

// Hands is who answered from one record on.
type Hands struct {
	By   string `json:"by"`
	As   string `json:"as,omitempty" jsonschema:"description=In what capacity."`
	From string `json:"from,omitempty" jsonschema:"description=Who held the probes before."`
}

// Gap is a time between two runs of the program, or a step back of the clock.
type Gap struct {
	At        time.Time `json:"at" jsonschema:"description=When it went on."`
	Seconds   float64   `json:"seconds" jsonschema:"description=Since the last record before. Below 0 the clock was set back."`
	Running   bool      `json:"running,omitempty" jsonschema:"description=The clock was set back while the program ran."`
	Confirmed string    `json:"confirmed,omitempty" jsonschema:"description=Who confirmed the state of the aircraft."`
}

// String is the gap in words.
func (g Gap) String() string {
	s := fmt.Sprintf("went on %s after %s", g.At.UTC().Format("2 January 2006, 15:04:05 UTC"), time.Duration(g.Seconds*float64(time.Second)).Round(time.Second))
	if g.Seconds < 0 {
		s = fmt.Sprintf("went on %s: the clock had been set back", g.At.UTC().Format("2 January 2006, 15:04:05 UTC"))
	}
	if g.Running {
		s = fmt.Sprintf("the clock was set back by %s while it ran, to %s; the order is that of the records", time.Duration(-g.Seconds*float64(time.Second)).Round(time.Second), g.At.UTC().Format("2 January 2006, 15:04:05 UTC"))
	}
	if g.Confirmed != "" {
		s += ", state confirmed by " + g.Confirmed
	}
	return s
}

// stepOf is a step as the report has it.
func stepOf(x procedure.Step) Step {
	s := Step{
		ID: x.ID, Circuit: x.Circuit, Title: x.Title, Point: x.Point, Place: x.Place, Quantity: x.Quantity, Unit: x.Unit,
		Reading: x.Reading, Uncertainty: x.Uncertainty, DesignValue: x.Design, Low: x.Low, High: x.High,
		Rule: x.Rule.String(), Verdict: x.Verdict, Probability: x.Probability, Decide: x.Decide, Note: x.Note, At: x.At, band: band.Of(x),
	}
	if x.Last != nil {
		s.Last = &Last{x.Last.Worksheet, x.Last.At, x.Last.Reading, x.Last.Verdict}
	}
	return s
}

// Finding is what is wrong or doubtful.
type Finding struct {
	Circuit  string   `json:"circuit"`
	What     string   `json:"what"`
	Evidence []string `json:"evidence" jsonschema:"description=Ids of steps."`
	Try      string   `json:"try"`
}

// Cut is one time that the power had to go off: by the watch, or on a person's word.
type Cut struct {
	Why     string   `json:"why"`
	Circuit string   `json:"circuit" jsonschema:"description=The one switched on last or being switched on just then."`
	Before  string   `json:"before,omitempty" jsonschema:"description=The one before it if the hand may not have moved yet."`
	Value   float64  `json:"value"`
	Limit   float64  `json:"limit"`
	Unit    string   `json:"unit"`
	Done    []string `json:"done"`
	Failed  []string `json:"failed"`
	ByHand  []string `json:"by_hand,omitempty" jsonschema:"description=What a person was told to switch off where no instrument could."`
}

// Signature is one sign-off or amendment whose signature holds.
type Signature struct {
	Kind        string   `json:"kind" jsonschema:"enum=sign,enum=amend"`
	By          string   `json:"by"`
	Capacity    string   `json:"capacity"`
	At          string   `json:"at"`
	Open        []string `json:"open,omitempty" jsonschema:"description=What remained open when it was signed."`
	Reason      string   `json:"reason,omitempty" jsonschema:"description=Why that may remain open."`
	Text        string   `json:"text,omitempty" jsonschema:"description=Of an amendment."`
	Fingerprint string   `json:"fingerprint" jsonschema:"description=Of the key; whose it is nobody but its holder can say."`
}

// Chain says what the records' hashes prove.
type Chain struct {
	Records  int    `json:"records"`
	LastHash string `json:"last_hash"`
	Intact   bool   `json:"intact"`
	Broken   string `json:"broken,omitempty"`
}

// New makes the report of a worksheet.
func New(w *logbook.Worksheet) (*Report, error) {
	records := w.Records()
	s, err := procedure.Fold(records)
	if err != nil {
		return nil, fmt.Errorf("report: worksheet %d: %w", w.ID(), err)
	}
	r := &Report{
		Format: Format, Aircraft: s.Design.Aircraft.Name, Registration: s.Design.Aircraft.Registration,
		Procedure: s.Opening.Procedure, DesignFile: s.Opening.File, DesignRevision: s.Opening.Revision, ProgramVersion: s.Opening.Program,
		Worksheet: w.ID(), Begun: s.Begun, Ended: s.Ended, Finished: s.Closed, Verdict: s.Verdict, Stopped: s.Stopped,
		Count:       Count{s.Count(verdict.Pass), s.Count(verdict.Fail), s.Count(verdict.Undecided), s.Count(verdict.NotDone)},
		Instruments: instruments(s), People: orEmpty(s.People), Steps: []Step{}, Superseded: []Step{}, Hands: []Hands{}, Gaps: []Gap{}, Findings: []Finding{}, Cuts: []Cut{},
		Cautions: orEmpty(s.Cautions), Notes: orEmpty(s.Notes), Tables: tables(s.Rows), Runs: []*Run{}, NotCovered: notCovered,
		CannotSee: rehearsal.Declares([]byte(s.Opening.Script)).CannotSee, NotReached: notReached(s),
		Photographs: photographs(w), Signatures: []Signature{},
		Chain: Chain{Records: len(records), LastHash: s.LastHash, Intact: true},
		sheet: s,
	}
	for _, x := range evidence.Verify(evidence.Sheet{Worksheet: w.ID(), Records: records}, evidence.Known{}).Signatures {
		r.Signatures = append(r.Signatures, Signature{x.Kind, x.By, x.Capacity, x.At, x.Open, x.Reason, x.Text, x.Fingerprint})
	}
	if err := w.Check(); err != nil {
		r.Chain.Intact, r.Chain.Broken = false, err.Error()
		r.Verdict = verdict.Undecided // records that were changed prove nothing
	}
	for _, x := range s.Steps {
		r.Steps = append(r.Steps, stepOf(x))
	}
	for _, x := range s.Superseded {
		r.Superseded = append(r.Superseded, stepOf(x))
	}
	for _, h := range s.Hands {
		r.Hands = append(r.Hands, Hands(h))
	}
	for _, g := range s.Gaps {
		r.Gaps = append(r.Gaps, Gap{g.At, g.For.Seconds(), g.Running, g.Confirmed})
	}
	for _, f := range s.Findings {
		r.Findings = append(r.Findings, Finding(f))
	}
	for _, c := range s.Cuts {
		r.Cuts = append(r.Cuts, Cut{c.Why, c.Circuit, c.Before, c.Value, c.Limit, c.Unit, orEmpty(c.Done), orEmpty(c.Failed), c.ByHand})
	}
	r.addCauses(w)
	return r, nil
}

// notReached are the circuits that an unfinished worksheet has no step of, if it has
// any of one: some procedures look at no circuit.
func notReached(s *procedure.Sheet) []string {
	has := map[string]bool{}
	for _, x := range s.Steps {
		has[x.Circuit] = true
	}
	out := []string{}
	for _, k := range s.Design.Circuits {
		if !has[k.Name] {
			out = append(out, k.Name)
		}
	}
	if s.Closed || len(out) == len(s.Design.Circuits) {
		return []string{}
	}
	return out
}

// notCovered is what no report of this program vouches for.
var notCovered = []string{
	"Radiated signals, receiver sensitivity, transponder replies, altimeter and encoder accuracy: licensed test equipment and people.",
	"Insulation under high voltage, vibration, heat and moisture: readings were taken at rest and at the stated temperature.",
	"The release to fly: that belongs to the people whom local rules name.",
}

func orEmpty(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}

func instruments(s *procedure.Sheet) []Instrument {
	out := []Instrument{}
	for _, x := range s.Instruments {
		id := x.Identity
		i := Instrument{Name: id.Name, Port: id.Port, Accuracy: []string{}, Calibration: "not stated", Certificate: id.Certificate}
		for _, part := range []string{id.Maker, id.Model, id.Serial, id.Firmware} {
			if part != "" {
				if i.Identity != "" {
					i.Identity += ", "
				}
				i.Identity += part
			}
		}
		if !id.Calibrated.IsZero() {
			i.Calibration = id.Calibrated.Format(time.DateOnly)
		}
		if !id.Due.IsZero() {
			i.Due = id.Due.Format(time.DateOnly)
			i.Warning = sources.DueWarning(id, s.Begun)
		}
		for _, c := range x.Channels {
			i.Accuracy = append(i.Accuracy, c.Name+" "+accuracyOf(c))
		}
		out = append(out, i)
	}
	return out
}

// accuracyOf is a channel's accuracy lines in words.
func accuracyOf(c probe.Channel) string {
	var lines []string
	for _, r := range c.Ranges {
		lines = append(lines, fmt.Sprintf("to %s %v", units.Format(r.UpTo, c.Quantity.Unit()), r.Accuracy))
	}
	if c.Accuracy != (probe.Accuracy{}) {
		lines = append(lines, c.Accuracy.String())
	}
	if len(lines) == 0 {
		return "accuracy not stated"
	}
	return strings.Join(lines, ", ")
}

// JSON writes the report for machines.
func (r *Report) JSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(r)
}

// Exit is the program's exit code for the verdict: 0 pass, 1 fail, 2 undecided
// or incomplete.
func (r *Report) Exit() int {
	switch r.Verdict {
	case verdict.Pass:
		return 0
	case verdict.Fail:
		return 1
	}
	return 2
}

// circuits lists the circuits of the steps in the order that they came up.
func (r *Report) circuits() []string {
	var out []string
	seen := map[string]bool{}
	for _, s := range r.Steps {
		if !seen[s.Circuit] {
			seen[s.Circuit] = true
			out = append(out, s.Circuit)
		}
	}
	return out
}

func called(d *design.Design, circuit string) string {
	if k := d.Circuit(circuit); k != nil {
		return k.Called()
	}
	if t := d.Terminal(circuit); t != nil {
		return t.Say
	}
	return circuit
}
