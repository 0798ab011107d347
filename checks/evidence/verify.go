package evidence

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"loomproof/checks/logbook"
)

// A Fault is something that is not as it was written.
type Fault struct {
	Record int    `json:"record"` // its number; 0 is the whole
	At     string `json:"at"`     // its time, as it stands now
	What   string `json:"what"`
}

func (f Fault) String() string {
	if f.Record == 0 {
		return f.What
	}
	return fmt.Sprintf("record %d, %s: %s", f.Record, f.At, f.What)
}

// A Signature is a sign-off or an amendment that was found.
type Signature struct {
	Statement
	Fingerprint string `json:"fingerprint"`
	Known       bool   `json:"known"` // whether somebody vouches for the key
}

// Found is what verifying brought.
type Found struct {
	Worksheet   int64       `json:"worksheet"`
	Aircraft    string      `json:"aircraft"`
	Procedure   string      `json:"procedure"`
	Records     int         `json:"records"`
	Head        string      `json:"head"`        // hash of the last record
	Faults      []Fault     `json:"faults"`      // none if it is as it was written
	Photographs int         `json:"photographs"` // how many it has, good or not
	Copies      []string    `json:"copies"`      // files of an export that say what the records say
	Signatures  []Signature `json:"signatures"`  // good ones
	Unsigned    int         `json:"unsigned"`    // records behind the last good signature
	Notes       []string    `json:"notes"`       // what is no fault and should be known: a clock set back
}

// Proven tells whether nothing is wrong and a known key has signed all of it.
func (f *Found) Proven() bool {
	if len(f.Faults) > 0 || f.Unsigned > 0 || len(f.Signatures) == 0 {
		return false
	}
	for _, s := range f.Signatures {
		if !s.Known {
			return false
		}
	}
	return true
}

// Verify looks at every record of a worksheet, however many are wrong.
func Verify(x Sheet, known Known) *Found {
	f := &Found{Worksheet: x.Worksheet, Records: len(x.Records), Faults: []Fault{}, Copies: []string{}, Signatures: []Signature{}, Notes: clockNotes(x.Records)}
	if len(x.Records) == 0 {
		f.Faults = append(f.Faults, Fault{What: "there are no records"})
		return f
	}
	var o logbook.Opening
	if x.Records[0].Decode(&o) == nil {
		f.Aircraft, f.Procedure = o.Aircraft, o.Procedure
	}
	before, due := "", 1
	for i, r := range x.Records {
		for _, what := range linkFaults(x.Records, i, before, due) {
			f.fault(r, what)
		}
		if r.Kind == logbook.KindSign || r.Kind == logbook.KindAmend {
			f.signature(r, before, known)
		} else {
			f.Unsigned++
		}
		before, due = r.Hash, r.Seq+1
	}
	f.Head = before
	f.lookAtPhotographs(x)
	f.lookAtCopies(x)
	return f
}

func (f *Found) fault(r logbook.Record, what string) {
	f.Faults = append(f.Faults, Fault{r.Seq, r.Stamp, what})
}

// linkFaults is what is wrong with a record in its place.
func linkFaults(records []logbook.Record, i int, before string, due int) (out []string) {
	r := records[i]
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	switch {
	case r.Seq > due+1:
		say("the records %d to %d are missing before it", due, r.Seq-1)
	case r.Seq == due+1:
		say("record %d is missing before it", due)
	case r.Seq < due:
		say("it stands where record %d should: moved, or there twice", due)
	}
	switch {
	case (i == 0) != (r.Kind == logbook.KindOpen):
		say("its kind is %q: a worksheet has one opening record, the first", r.Kind)
	case i > 0 && closedBefore(records[:i]) && r.Kind != logbook.KindSign && r.Kind != logbook.KindAmend:
		say("it stands behind the close: only sign-offs and amendments can")
	}
	if at, err := time.Parse(time.RFC3339Nano, r.Stamp); err != nil || at.UTC().Format(time.RFC3339Nano) != r.Stamp {
		say("its time was changed: it is no time as the program writes it")
	}
	if r.Link(before) == r.Hash {
		return out
	}
	for _, other := range records {
		if other.Seq != r.Seq && r.Link(other.Hash) == r.Hash {
			say("it was moved: it belongs behind record %d", other.Seq)
			return out
		}
	}
	say("it was changed, it comes from another worksheet, or what stands before it was")
	return out
}

func closedBefore(records []logbook.Record) bool {
	for _, r := range records {
		if r.Kind == logbook.KindClose {
			return true
		}
	}
	return false
}

// signature checks a sign-off or an amendment.
func (f *Found) signature(r logbook.Record, before string, known Known) {
	s, key, err := readSigned(r)
	if err != nil {
		f.fault(r, err.Error())
		f.Unsigned++
		return
	}
	wrong := ""
	switch {
	case s.Format != format:
		wrong = "it was made to another format: " + s.Format
	case s.Worksheet != f.Worksheet:
		wrong = fmt.Sprintf("it signs worksheet %d, not this one", s.Worksheet)
	case s.Record != r.Seq || s.Head != before:
		wrong = fmt.Sprintf("it signs %d records before it, the last with the hash %.12s…: others stand there now", s.Record-1, s.Head)
	case s.At != r.Stamp || s.Kind != r.Kind:
		wrong = fmt.Sprintf("what is signed says %s at %s", s.Kind, s.At)
	}
	if wrong != "" {
		f.fault(r, wrong)
		f.Unsigned++
		return
	}
	f.Signatures = append(f.Signatures, Signature{s, Fingerprint(key), known.Has(key)})
	f.Unsigned = 0
}

// readSigned reads a signed record and checks its signature.
func readSigned(r logbook.Record) (s Statement, key ed25519.PublicKey, err error) {
	var body signed
	if err := strictly(r.Body, &body); err != nil {
		return s, nil, fmt.Errorf("it is no signed record: %w", err)
	}
	if again, err := json.Marshal(body); err != nil || !bytes.Equal(again, r.Body) {
		return s, nil, fmt.Errorf("it is not as the program writes it")
	}
	public, err := hex.DecodeString(body.Key)
	if err != nil || len(public) != ed25519.PublicKeySize {
		return s, nil, fmt.Errorf("its key is none")
	}
	signature, err := hex.DecodeString(body.Signature)
	if err != nil || !ed25519.Verify(public, []byte(body.Statement), signature) {
		return s, nil, fmt.Errorf("its signature is wrong")
	}
	if err := strictly([]byte(body.Statement), &s); err != nil {
		return s, nil, fmt.Errorf("what is signed cannot be read: %w", err)
	}
	return s, public, nil
}

// strictly decodes one JSON value that has no other fields.
func strictly(text []byte, v any) error {
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return fmt.Errorf("there is more behind it")
	}
	return nil
}

// clockNotes tells where the clock went back.
func clockNotes(records []logbook.Record) []string {
	notes := []string{}
	for i := 1; i < len(records); i++ {
		if back := records[i-1].At.Sub(records[i].At); back > 0 {
			notes = append(notes, fmt.Sprintf("the clock went back by %s between the records %d and %d, to %s",
				back.Round(time.Millisecond), records[i-1].Seq, records[i].Seq, records[i].Stamp))
		}
	}
	return notes
}

// All gives every worksheet of a logbook, and what is wrong with their list:
// numbers that are missing, and lines that say something else than the records.
func All(ctx context.Context, book *logbook.Book) ([]Sheet, []Fault, error) {
	list, err := book.Worksheets(ctx)
	if err != nil {
		return nil, nil, err
	}
	var sheets []Sheet
	faults := []Fault{}
	due := int64(1)
	for _, line := range slices.Backward(list) { // the newest stands first
		for ; due < line.ID; due++ {
			faults = append(faults, Fault{What: fmt.Sprintf("worksheet %d is missing from the logbook", due)})
		}
		due = line.ID + 1
		w, err := book.Worksheet(ctx, line.ID)
		if errors.Is(err, logbook.ErrNotFound) {
			faults = append(faults, Fault{What: fmt.Sprintf("worksheet %d has no records", line.ID)})
			continue
		}
		if err != nil {
			return nil, nil, err
		}
		if o, err := w.Opening(); err == nil && (o.Aircraft != line.Aircraft || o.Procedure != line.Procedure || !w.Records()[0].At.Equal(line.Begun)) {
			faults = append(faults, Fault{What: fmt.Sprintf("worksheet %d: the list of worksheets says %s, %s, %s; its records say otherwise", line.ID, line.Aircraft, line.Procedure, line.Begun.Format(time.RFC3339))})
		}
		sheets = append(sheets, Of(w))
	}
	return sheets, faults, nil
}
