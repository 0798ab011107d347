package evidence

import (
	"context"
	"crypto/ed25519"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/verdict"
)

// format is in every statement and every exported file.
const format = "loomproof worksheet 1"

// A Statement is what is signed.
type Statement struct {
	Format    string   `json:"format"`
	Kind      string   `json:"kind"` // sign or amend, as the record's
	Worksheet int64    `json:"worksheet"`
	Record    int      `json:"record"` // its own number: those before it are covered
	Head      string   `json:"head"`   // hash of the record before
	At        string   `json:"at"`     // as the record's
	By        string   `json:"by"`
	Capacity  string   `json:"capacity"`
	Open      []string `json:"open,omitempty"`   // what remains open, of a sign-off
	Reason    string   `json:"reason,omitempty"` // why it may
	Step      string   `json:"step,omitempty"`   // id of the step that an amendment is about
	Text      string   `json:"text,omitempty"`   // of an amendment

	Photograph *procedure.Photograph `json:"photograph,omitempty"` // of an amendment; its bytes are attached
}

// signed is the body of a record of kind sign or amend.
type signed struct {
	Statement string `json:"statement"` // a [Statement] as JSON; these bytes are signed
	Key       string `json:"key"`       // public key, 32 bytes in hexadecimal
	Signature string `json:"signature"` // 64 bytes in hexadecimal
}

// A Word is what a person who signs says.
type Word struct {
	By       string
	Capacity string // builder, inspector, licensed engineer, ...
	Reason   string // why what remains open may remain open; needed if anything does
}

func (w Word) check() error {
	switch {
	case strings.TrimSpace(w.By) == "":
		return errors.New("say who signs")
	case strings.TrimSpace(w.Capacity) == "":
		return errors.New("say in what capacity: builder, inspector or another")
	}
	return nil
}

// StillOpen is returned by [Sign] when something remains open and no reason is
// given. Nothing has been signed then.
type StillOpen struct{ Items []string }

func (e *StillOpen) Error() string {
	return fmt.Sprintf("nothing was signed: %d things remain open; look at each, and say why they may", len(e.Items))
}

// Open lists what remains open on a worksheet: each step that did not pass, each
// cut, an end that was not reached, a clock that went back.
func Open(records []logbook.Record) ([]string, error) {
	sheet, err := procedure.Fold(records)
	if err != nil {
		return nil, err
	}
	var out []string
	if !sheet.Closed {
		out = append(out, "the procedure did not come to its end")
	}
	if sheet.Stopped != "" {
		out = append(out, "it was stopped early: "+sheet.Stopped)
	}
	for _, c := range sheet.Cuts {
		by := "the watch cut the power"
		if c.Smoke {
			by = "a person stopped it"
		}
		out = append(out, fmt.Sprintf("%s: %s, %s", by, c.Why, c.Circuit))
	}
	for _, s := range sheet.Steps {
		if s.Verdict == string(verdict.Pass) {
			continue
		}
		item := fmt.Sprintf("%s: %s (%s)", s.Verdict, s.Title, s.ID)
		if s.Note != "" {
			item += ": " + s.Note
		}
		out = append(out, item)
	}
	return append(out, clockNotes(records)...), nil
}

// MaySign tells what [Sign] would refuse, and lists what remains open: it is asked
// before a key is opened, so that none is made for nothing. With something open and
// no reason given the error is a [*StillOpen].
func MaySign(w *logbook.Worksheet, said Word) (open []string, err error) {
	if err := said.check(); err != nil {
		return nil, err
	}
	if err := w.Check(); err != nil {
		return nil, fmt.Errorf("it was tampered with, so that there is nothing to sign: %w", err)
	}
	if open, err = Open(w.Records()); err != nil {
		return nil, err
	}
	if len(open) > 0 && strings.TrimSpace(said.Reason) == "" {
		return nil, &StillOpen{open}
	}
	return open, nil
}

// Sign closes a worksheet, if it is not closed yet, and signs it, if [MaySign] has
// nothing against it; otherwise nothing is done. A worksheet may be signed by
// several people, one after the other.
func Sign(ctx context.Context, w *logbook.Worksheet, key *Key, said Word) (*Statement, error) {
	open, err := MaySign(w, said)
	if err != nil {
		return nil, err
	}
	if !w.Closed() {
		if _, err := w.Append(ctx, logbook.KindClose, map[string]any{"verdict": verdict.NotDone, "by": said.By}); err != nil {
			return nil, err
		}
	}
	return add(ctx, w, key, nil, Statement{Kind: logbook.KindSign, By: said.By, Capacity: said.Capacity, Open: open, Reason: said.Reason})
}

// Amend adds what has to be said later to a closed worksheet: a correction, a
// repair, a remark. step is the id of the step that it is about; "" is the whole.
func Amend(ctx context.Context, w *logbook.Worksheet, key *Key, said Word, step, text string) (*Statement, error) {
	return AmendWith(ctx, w, key, said, step, text, nil)
}

// MayAmend tells what [Amend] would refuse: it is asked before a key is opened.
func MayAmend(w *logbook.Worksheet, said Word, step, text string) error {
	if err := said.check(); err != nil {
		return err
	}
	if strings.TrimSpace(text) == "" {
		return errors.New("say what is to be amended")
	}
	if !w.Closed() {
		return fmt.Errorf("worksheet %d is not closed: go on with it, or sign it first", w.ID())
	}
	if err := w.Check(); err != nil {
		return fmt.Errorf("it was tampered with: %w", err)
	}
	if step != "" {
		return hasStep(w.Records(), step)
	}
	return nil
}

// AmendWith is Amend with a photograph: a picture as [procedure.NewPhotograph]
// takes it; nil is none.
func AmendWith(ctx context.Context, w *logbook.Worksheet, key *Key, said Word, step, text string, picture []byte) (*Statement, error) {
	if err := MayAmend(w, said, step, text); err != nil {
		return nil, err
	}
	st := Statement{Kind: logbook.KindAmend, By: said.By, Capacity: said.Capacity, Step: step, Text: text}
	if picture == nil {
		return add(ctx, w, key, nil, st)
	}
	kept, p, err := procedure.NewPhotograph(picture)
	if err != nil {
		return nil, err
	}
	p.Step, p.By = step, said.By
	st.Photograph = &p
	return add(ctx, w, key, kept, st)
}

func hasStep(records []logbook.Record, id string) error {
	sheet, err := procedure.Fold(records)
	if err != nil {
		return err
	}
	for _, s := range sheet.Steps {
		if s.ID == id {
			return nil
		}
	}
	return fmt.Errorf("there is no step %q on this worksheet; report --json lists them", id)
}

// add appends a signed record, with what is attached to it; nil is nothing.
func add(ctx context.Context, w *logbook.Worksheet, key *Key, attached []byte, s Statement) (*Statement, error) {
	s.Format, s.Worksheet = format, w.ID()
	_, err := w.AppendAttached(ctx, s.Kind, attached, func(r logbook.Record, before string) (any, error) {
		s.Record, s.Head, s.At = r.Seq, before, r.Stamp
		text, err := json.Marshal(s)
		if err != nil {
			return nil, err
		}
		return signed{string(text), hex.EncodeToString(key.Public()), hex.EncodeToString(ed25519.Sign(key.private, text))}, nil
	})
	return &s, err
}
