package procedure

import (
	"time"

	"loomproof/checks/airframe"
	"loomproof/checks/wire"
	"loomproof/probe"
)

// The kinds of record that a performance writes. Their meaning never changes;
// new ones are added at the end.
const (
	kindEffect = "effect" // an effect of the script: [effectRecord]
	kindBench  = "bench"  // the instruments in use from here on: [BenchRecord]
	kindCut    = "cut"    // the watch took the power away: [Cut]
	kindResume = "resume" // a person confirmed the state after a gap: [Resume]
	kindStep   = "step"   // a verdict: [Step]
	kindRedo   = "redo"   // a step was read again: [Redo]
	kindHands  = "hands"  // another person answers from here on: [Hands]
	kindNote   = "note"   // a caution that was shown, a remark: [Note]

	// KindPhotograph is a photograph of the work; its bytes are attached.
	KindPhotograph = "photograph"

	// KindRecording is a recording that was made for the worksheet, once as it began
	// and once as it ended: [Recorded].
	KindRecording = "recording"
)

// effectRecord is what an effect was asked and what it brought.
type effectRecord struct {
	Call   string `json:"call"`
	Args   any    `json:"args"`
	Result any    `json:"result"`
}

// A Note is something said.
type Note struct {
	Caution bool   `json:"caution,omitempty"`
	Stop    bool   `json:"stop,omitempty"`    // why the procedure ended early
	Section bool   `json:"section,omitempty"` // a heading
	Row     *Row   `json:"row,omitempty"`     // of a table
	Text    string `json:"text,omitempty"`
	Source  string `json:"source,omitempty"` // where a caution comes from
}

// Said is the note with its source.
func (n Note) Said() string {
	if n.Source == "" {
		return n.Text
	}
	return n.Text + " (" + n.Source + ")"
}

// Hands is who holds the probes, and answers, from here on.
type Hands struct {
	By   string `json:"by"`
	As   string `json:"as,omitempty"`   // in what capacity
	From string `json:"from,omitempty"` // who held them before
}

// A Resume is the confirmation after a gap.
type Resume struct {
	By    string         `json:"by"`
	State airframe.State `json:"state"`
}

// A Cut is what the watch did.
type Cut struct {
	Why     string   `json:"why"`
	Source  string   `json:"source"` // whose reading passed the limit
	Value   float64  `json:"value"`
	Unit    string   `json:"unit"`
	Limit   float64  `json:"limit"`
	Circuit string   `json:"circuit"`           // the one switched on last, or being switched on just then
	Before  string   `json:"before,omitempty"`  // the one before it, if the hand may not have moved yet
	Done    []string `json:"done"`              // what was cut: names of sources
	Smoke   bool     `json:"smoke,omitempty"`   // a person said it
	Blind   bool     `json:"blind,omitempty"`   // no limit was passed: nobody could watch any more
	ByHand  []string `json:"by_hand,omitempty"` // what a person had to switch off
	Failed  []string `json:"failed"`            // what could not be cut, and why
}

// A BenchRecord lists the instruments.
type BenchRecord struct {
	Instruments []Instrument `json:"instruments"`
}

// An Instrument is a source as reports name it.
type Instrument struct {
	Identity probe.Identity  `json:"identity"`
	Channels []probe.Channel `json:"channels"`
}

// A Recorded is one recording that was made for a worksheet. One that was killed
// and gone on with has several: what is between them is missing.
type Recorded struct {
	Recording int64     `json:"recording"` // its number in the logbook
	Title     string    `json:"title"`
	Begun     time.Time `json:"begun"`
	Channels  []string  `json:"channels"` // what is in them, as bus voltage, or their names

	// Of one that has ended.
	Ended   time.Time `json:"ended,omitzero"`
	Why     string    `json:"why,omitempty"` // it ended
	Seconds float64   `json:"seconds,omitempty"`
	Samples int64     `json:"samples,omitempty"`
	Gaps    int       `json:"gaps,omitempty"`   // in its channels
	Digest  string    `json:"digest,omitempty"` // of its seal: it stands for every stored byte
}

// A Captured is one reading that was kept: the mean of several that were
// steady.
type Captured struct {
	ID        string         `json:"id"`
	Red       string         `json:"red,omitempty"`     // terminal, for a meter moved by hand
	Black     string         `json:"black,omitempty"`   // terminal
	Joined    []string       `json:"joined,omitempty"`  // terminals that were tied to black
	Circuit   string         `json:"circuit,omitempty"` // of a current: the circuit that it flows into; "" for one out of the supply
	Quantity  probe.Quantity `json:"quantity"`
	Value     float64        `json:"value"`
	Deviation float64        `json:"deviation"` // of the single reading
	Count     int            `json:"count"`     // readings in the mean
	Drift     float64        `json:"drift"`     // from the first to the last of them, at most
	Last      probe.Reading  `json:"last"`      // the last of them: source, accuracy, range
	At        time.Time      `json:"at"`
	By        string         `json:"by,omitempty"`          // who typed it
	Open      bool           `json:"open,omitempty"`        // of a resistance: above the range; Value says nothing
	Above     float64        `json:"above,omitempty"`       // with Open: what it is above; 0 for every range of the meter
	Reversed  bool           `json:"reversed,omitempty"`    // a voltage below zero where the design has one above, and the leads are right
	Extreme   bool           `json:"extreme,omitempty"`     // the least or greatest of Count readings, no mean
	Recorded  bool           `json:"recorded,omitempty"`    // the mean of a stretch of a recording, with the engine turning
	TakenAsIs bool           `json:"taken_as_is,omitempty"` // a person said that the probe was on the point
}

// Earlier is what a worksheet before this one found at a step.
type Earlier struct {
	Worksheet int64     `json:"worksheet"`
	At        time.Time `json:"at"`
	Verdict   string    `json:"verdict"`
	Reading   *float64  `json:"reading"`
}

// A Step is one verdict with everything that it rests on. Numbers are in the
// SI unit named; a nil number is one that there is none of.
type Step struct {
	ID          string        `json:"id"`
	Circuit     string        `json:"circuit"`
	Title       string        `json:"title"`
	What        string        `json:"what"`
	Point       string        `json:"point"`           // terminals
	Place       string        `json:"place,omitempty"` // the same in words
	From        string        `json:"from,omitempty"`  // terminals of a voltage
	To          string        `json:"to,omitempty"`
	Quantity    string        `json:"quantity"`
	Unit        string        `json:"unit"`
	Reading     *float64      `json:"reading"`
	Uncertainty *float64      `json:"uncertainty"` // expanded, k = 2
	Design      *float64      `json:"design_value"`
	Low         *float64      `json:"low"`
	High        *float64      `json:"high"`
	Rule        wire.Citation `json:"rule"`
	Verdict     string        `json:"verdict"`
	Probability *float64      `json:"probability"`
	Decide      string        `json:"decide,omitempty"`
	Why         string        `json:"why,omitempty"`   // of a cut
	Blind       bool          `json:"blind,omitempty"` // likewise: no limit was passed, see [Cut]
	Note        string        `json:"note,omitempty"`
	Unproven    bool          `json:"unproven,omitempty"` // not done, and the whole cannot pass without it
	Section     string        `json:"section,omitempty"`  // the heading that it stands under
	Finding     string        `json:"finding,omitempty"`  // what is wrong, where the script says it
	Try         string        `json:"try,omitempty"`      // and what to try
	Last        *Earlier      `json:"last,omitempty"`     // what was found there before
	Fell        bool          `json:"fell,omitempty"`     // of a current: what the source's fell by as the circuit went off
	Redo        int           `json:"redo,omitempty"`     // how often it was read again
	Captures    []string      `json:"captures,omitempty"` // ids of the readings used
	At          time.Time     `json:"at"`
}
