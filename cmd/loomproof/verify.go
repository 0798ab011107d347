package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"

	"loomproof/checks/evidence"
	"loomproof/checks/logbook"
	"loomproof/checks/recording/store"
)

type verifyCommand struct {
	Worksheet string   `arg:"" optional:"" help:"Number of a worksheet, or an exported one: its folder or file. Default: every worksheet of the logbook."`
	Recording int64    `placeholder:"N" help:"Verify this recording instead."`
	Key       []string `placeholder:"KEY" help:"A key that you vouch for, besides your own: its fingerprint, or a file with the public key in PEM. May be given several times."`
	Head      string   `placeholder:"HASH" help:"The last hash as it was written down at sign-off, or a recording's digest."`
	Logbook   string   `type:"path" default:"loomproof.db" help:"The logbook."`
	JSON      bool     `name:"json" help:"Print what was found as JSON."`
}

func (verifyCommand) Help() string {
	return `Looks at each record of a worksheet: whether any was changed, is missing, was moved or comes from
another worksheet, and whether the signatures are right and by keys that somebody vouches for. In an exported
folder it holds steps, readings and keys against the records, and names what else lies there. Of recordings it looks at every stored byte: those of the worksheet, with no number named all, and one alone with --recording.

Example:

    loomproof verify --recording 3
    loomproof verify worksheet-3 --key "4f0c 11d2 93aa 7e60 b1c8 2d5e 6f33 90ab"

Exit codes: 0 nothing is wrong and all of it is signed by known keys; 1 something was tampered with;
2 nothing is wrong, but not all of it is signed, or by a key that is not known; 3 could not; 64 wrong usage.`
}

func (c verifyCommand) Run(w *world) error {
	known, err := c.known()
	if err != nil {
		return err
	}
	r, err := c.look(w, known)
	if err != nil {
		return err
	}
	if c.Head != "" && c.Recording == 0 {
		if len(r.Worksheets) != 1 {
			return usage{errors.New("--head is the last hash of one worksheet: name it")}
		}
		if f := r.Worksheets[0]; f.Head != c.Head {
			f.Faults = append(f.Faults, evidence.Fault{What: "its last hash is not the one that was written down: records were added or cut off"})
		}
	}
	if c.JSON {
		err = writeJSON(w.out, r)
	} else {
		r.say(w.out)
	}
	return errors.Join(err, r.exit())
}

// verified is what was found in all worksheets that were looked at.
type verified struct {
	Faults     []evidence.Fault          `json:"faults"` // of the list of worksheets
	Worksheets []*evidence.Found         `json:"worksheets"`
	Recordings []evidence.FoundRecording `json:"recordings"`
}

// known are the keys that somebody vouches for, our own among them.
func (c verifyCommand) known() (evidence.Known, error) {
	known := ownKnown()
	for _, k := range c.Key {
		if err := known.Add(k); err != nil {
			return nil, usage{err}
		}
	}
	return known, nil
}

// ownKnown vouches for one's own key, if there is one.
func ownKnown() evidence.Known {
	known := evidence.Known{}
	if dir, err := stateDir(); err == nil {
		if own, err := evidence.KeyIn(dir); err == nil {
			known.AddKey(own.Public())
		}
	}
	return known
}

// look verifies what is named, while the logbook with what is attached is open.
func (c verifyCommand) look(w *world, known evidence.Known) (r verified, err error) {
	r.Worksheets = []*evidence.Found{}
	id, err := strconv.ParseInt(c.Worksheet, 10, 64)
	switch {
	case c.Worksheet != "" && c.Recording != 0:
		return r, usage{errors.New("a worksheet and --recording: name one of them")}
	case c.Worksheet != "" && err != nil:
		x, err := evidence.ReadFile(c.Worksheet)
		if errors.Is(err, os.ErrNotExist) {
			return r, usage{fmt.Errorf("%q is neither the number of a worksheet nor a file", c.Worksheet)}
		}
		if err == nil {
			r.Worksheets = append(r.Worksheets, evidence.Verify(x, known))
		}
		return r, err
	}
	book, err := logbook.OpenExisting(c.Logbook)
	if err != nil {
		return r, err
	}
	defer book.Close()
	var sheets []evidence.Sheet
	var faults []evidence.Fault
	if c.Worksheet == "" {
		sheets, faults, err = evidence.All(w.ctx, book)
	} else {
		var sheet *logbook.Worksheet
		if sheet, err = book.Worksheet(w.ctx, id); err == nil {
			sheets = []evidence.Sheet{evidence.Of(sheet)}
		}
	}
	if err != nil {
		return r, err
	}
	if r.Recordings, err = c.recordings(w, book, sheets); err != nil || c.Recording != 0 {
		return r, err
	}
	r.Faults = faults
	for _, x := range sheets {
		r.Worksheets = append(r.Worksheets, evidence.Verify(x, known))
	}
	return r, nil
}

// recordings verifies those of the worksheets; all, when everything is looked at.
func (c verifyCommand) recordings(w *world, book *logbook.Book, sheets []evidence.Sheet) (out []evidence.FoundRecording, err error) {
	st, err := store.Open(book)
	if err != nil {
		return nil, err
	}
	digests := map[int64][]string{}
	for _, x := range sheets {
		for id, d := range evidence.Digests(x.Records) {
			digests[id] = append(digests[id], d)
		}
	}
	if c.Worksheet == "" {
		list, err := st.List(w.ctx)
		if err != nil {
			return nil, err
		}
		for _, r := range list {
			digests[r.ID] = append(digests[r.ID], nil...) // none, unless a worksheet has it
		}
	}
	for _, id := range slices.Sorted(maps.Keys(digests)) {
		if c.Recording == 0 || c.Recording == id {
			d := digests[id]
			if c.Recording != 0 && c.Head != "" {
				d = append(d, c.Head)
			}
			f, err := evidence.VerifyRecording(w.ctx, st, id, d...)
			if err != nil {
				return out, err
			}
			out = append(out, f)
		}
	}
	if c.Recording != 0 && len(out) == 0 {
		_, err = st.Recording(w.ctx, c.Recording) // says which there are
	}
	return out, err
}

func (v verified) exit() error {
	worst := 0
	if len(v.Faults) > 0 {
		return exit(exitFail)
	}
	for _, f := range v.Worksheets {
		switch {
		case len(f.Faults) > 0:
			return exit(exitFail)
		case !f.Proven():
			worst = exitIncomplete
		}
	}
	for _, f := range v.Recordings {
		switch {
		case len(f.Faults) > 0:
			return exit(exitFail)
		case !f.Proven():
			worst = exitIncomplete
		}
	}
	if worst != 0 {
		return exit(worst)
	}
	return nil
}

func (v verified) say(out io.Writer) {
	for _, f := range v.Faults {
		fmt.Fprintln(out, "WRONG  "+f.What)
	}
	for _, f := range v.Worksheets {
		sayFound(out, f)
	}
	for _, f := range v.Recordings {
		fmt.Fprintf(out, "Recording %d: %s\n", f.Recording, f)
		for _, x := range f.Faults {
			fmt.Fprintln(out, "  WRONG  "+x)
		}
		if f.Note != "" {
			fmt.Fprintln(out, "  note: "+f.Note)
		}
		if f.Digest != "" {
			fmt.Fprintln(out, "  digest "+f.Digest)
		}
	}
	if len(v.Worksheets) == 0 && len(v.Recordings) == 0 {
		fmt.Fprintln(out, "There is no worksheet.")
	}
}

func sayFound(out io.Writer, f *evidence.Found) {
	fmt.Fprintf(out, "Worksheet %d, %s, %s: %d records\n", f.Worksheet, f.Aircraft, f.Procedure, f.Records)
	for _, x := range f.Faults {
		fmt.Fprintln(out, "  WRONG  "+x.String())
	}
	if len(f.Faults) == 0 {
		fmt.Fprintln(out, "  no record was changed or moved, and none is missing between the first and the last")
		if f.Photographs > 0 {
			fmt.Fprintf(out, "  photographs, as they were kept: %d\n", f.Photographs)
		}
	}
	if len(f.Copies) > 0 {
		fmt.Fprintln(out, "  say what the records say: "+strings.Join(f.Copies, ", "))
	}
	for _, s := range f.Signatures {
		what := "signed off"
		if s.Kind == logbook.KindAmend {
			what = "amended: " + s.Text
		}
		fmt.Fprintf(out, "  record %d, %s: %s\n    by %s, %s\n    key %s", s.Record, s.At, what, s.By, s.Capacity, s.Fingerprint)
		if s.Known {
			fmt.Fprintln(out)
		} else {
			fmt.Fprintln(out, ": NOT KNOWN here.\n    Ask the signer for the fingerprint, and give it with --key.")
		}
		if len(s.Open) > 0 {
			fmt.Fprintf(out, "    %d things were open: %s\n", len(s.Open), s.Reason)
		}
	}
	switch {
	case len(f.Signatures) == 0:
		fmt.Fprintln(out, "  NOT SIGNED: whether records are missing at its end cannot be told")
	case f.Unsigned > 0:
		fmt.Fprintf(out, "  the last %d records are not signed\n", f.Unsigned)
	}
	for _, n := range f.Notes {
		fmt.Fprintln(out, "  note: "+n)
	}
	fmt.Fprintf(out, "  last hash %s\n", f.Head)
}

func writeJSON(out io.Writer, v any) error {
	e := json.NewEncoder(out)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
