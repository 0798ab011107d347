package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"loomproof/checks/evidence"
	"loomproof/checks/photograph"
	"loomproof/checks/procedure"
)

// signer are the flags of who signs.
type signer struct {
	By       string `placeholder:"NAME" help:"Who signs."`
	Capacity string `placeholder:"TEXT" help:"In what capacity: builder, inspector, ..."`
	Key      string `type:"path" placeholder:"FILE" help:"Private key, Ed25519 in PEM. Default: your own, made on first use in your configuration folder."`
	Logbook  string `type:"path" default:"loomproof.db" help:"The logbook."`
	JSON     bool   `name:"json" help:"Print what was signed as JSON."`
}

func (s signer) check() error {
	if s.By == "" || s.Capacity == "" {
		return usage{errors.New("say who signs, with --by NAME, and in what capacity, with --capacity TEXT")}
	}
	return nil
}

// key opens the key to sign with.
func (s signer) key(w *world) (*evidence.Key, error) {
	if s.Key != "" {
		return evidence.OpenKey(s.Key)
	}
	dir, err := stateDir()
	if err != nil {
		return nil, err
	}
	k, made, err := evidence.OwnKey(dir)
	if made {
		fmt.Fprintf(w.err, "A new signing key was made: %s. Keep a copy where nobody else gets at it.\n", k.Path)
	}
	return k, err
}

// ownKey opens this person's key, and makes it if there is none.
func ownKey() (*evidence.Key, error) {
	dir, err := stateDir()
	if err != nil {
		return nil, err
	}
	k, _, err := evidence.OwnKey(dir)
	return k, err
}

// say prints what was signed.
func (s signer) say(out io.Writer, key *evidence.Key, st *evidence.Statement, hash string) error {
	if s.JSON {
		return writeJSON(out, struct {
			*evidence.Statement
			Hash        string `json:"hash"`
			Fingerprint string `json:"fingerprint"`
		}{st, hash, evidence.Fingerprint(key.Public())})
	}
	_, err := fmt.Fprintf(out, `Worksheet %d, record %d: signed by %s, %s.
Key   %s
Hash  %s

Write key and hash down elsewhere, on paper: who has them can tell if a record
is changed or cut off later. The signature proves that who held this key put
that name to these records, and that they have stood unchanged since. It does
not prove who held the key, that the clock was right, or where the probes were.
`, st.Worksheet, st.Record, st.By, st.Capacity, evidence.Fingerprint(key.Public()), hash)
	return err
}

type signCommand struct {
	Worksheet string `arg:"" help:"Number of the worksheet."`
	signer
	Reason string `placeholder:"TEXT" help:"Why what remains open may remain open; needed if anything does."`
}

func (signCommand) Help() string {
	return `Closes a worksheet and signs it. What remains open is listed: steps that failed, are undecided or were
not done, cuts, a clock that went back. It must be acknowledged with --reason, and is signed along.
Several people may sign one after the other. Nothing can be changed afterwards; see amend.

Example:

    loomproof sign 3 --by "R. Example" --capacity builder --reason "strobe not fitted yet"

Exit codes: 0 signed, 2 something is open and no reason was given, 3 could not, 64 wrong usage.`
}

func (c signCommand) Run(w *world) error {
	if err := c.check(); err != nil {
		return err
	}
	book, sheet, err := openWorksheet(w, c.Logbook, c.Worksheet)
	if err != nil {
		return err
	}
	defer book.Close()
	word := evidence.Word{By: c.By, Capacity: c.Capacity, Reason: c.Reason}
	_, err = evidence.MaySign(sheet, word)
	var open *evidence.StillOpen
	if errors.As(err, &open) {
		fmt.Fprintf(w.out, "Worksheet %d: this remains open:\n", sheet.ID())
		for _, item := range open.Items {
			fmt.Fprintln(w.out, "  "+item)
		}
		fmt.Fprintln(w.err, "loomproof: nothing was signed; say with --reason why that may remain open.")
		return exit(exitIncomplete)
	}
	if err != nil {
		return err
	}
	key, err := c.key(w)
	if err != nil {
		return err
	}
	st, err := evidence.Sign(w.ctx, sheet, key, word)
	if err != nil {
		return err
	}
	records := sheet.Records()
	return c.say(w.out, key, st, records[len(records)-1].Hash)
}

type amendCommand struct {
	Worksheet string `arg:"" help:"Number of the worksheet."`
	Text      string `arg:"" help:"What is to be said."`
	signer
	Photo string `type:"path" placeholder:"FILE" help:"A photograph to go with it: JPEG, PNG or WebP. Where it was taken is taken out of it first."`
	Step  string `placeholder:"ID" help:"The step that it is about; report --json lists them. Default: the whole worksheet."`
}

func (amendCommand) Help() string {
	return `Adds a signed remark to a closed worksheet: a correction, a repair. What stands is never changed.

Example:

    loomproof amend 3 "strobe fitted; see worksheet 7" --by "R. Example" --capacity builder --photo strobe.jpg

Exit codes: 0 added, 3 could not, 64 wrong usage.`
}

func (c amendCommand) Run(w *world) error {
	if err := c.check(); err != nil {
		return err
	}
	book, sheet, err := openWorksheet(w, c.Logbook, c.Worksheet)
	if err != nil {
		return err
	}
	defer book.Close()
	word := evidence.Word{By: c.By, Capacity: c.Capacity}
	if err := evidence.MayAmend(sheet, word, c.Step, c.Text); err != nil {
		return err
	}
	var picture []byte
	if c.Photo != "" {
		if picture, err = readPhoto(c.Photo); err != nil {
			return err
		}
	}
	key, err := c.key(w)
	if err != nil {
		return err
	}
	st, err := evidence.AmendWith(w.ctx, sheet, key, word, c.Step, c.Text, picture)
	if err != nil {
		return err
	}
	records := sheet.Records()
	return c.say(w.out, key, st, records[len(records)-1].Hash)
}

// readPhoto reads a picture that can be kept.
func readPhoto(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("photograph: %w", err)
	}
	defer f.Close()
	picture, err := io.ReadAll(io.LimitReader(f, photograph.MostBytes+1))
	if err == nil && len(picture) == 0 {
		err = errors.New("it is empty")
	}
	if err != nil {
		return nil, fmt.Errorf("photograph %s: %w", path, err)
	}
	if _, _, err := procedure.NewPhotograph(picture); err != nil {
		return nil, err
	}
	return picture, nil
}
