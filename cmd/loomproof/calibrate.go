package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"loomproof/checks/calibrate"
	"loomproof/probe"
	"loomproof/probe/sources"
)

type calibrateCommand struct {
	What string `arg:"" name:"source" help:"Which source and channel: 'bench meter/voltage'."`
	named
	Reference         string       `required:"" help:"What it is compared with: maker, model, serial number."`
	Certificate       string       `help:"Number of the reference's certificate."`
	ReferenceAccuracy string       `placeholder:"LINE" help:"The reference's accuracy line: 0.01 % + 3 digits; for digits give --reference-digit."`
	ReferenceDigit    float64      `placeholder:"VALUE" help:"One step of the reference's last place, in the SI unit."`
	Expanded          float64      `placeholder:"VALUE" help:"Instead: the expanded uncertainty (k = 2) that its certificate states, in the SI unit."`
	Due               sources.Date `placeholder:"DATE" help:"When it is to be calibrated again, as 2027-11-25. Default: in a year."`
	By                string       `help:"Who does it. Default: the user's name."`
}

func (calibrateCommand) Help() string {
	return `Compares a source with a better instrument on the same terminals, at two points or more, and keeps gain, offset and
their uncertainty with the date and the reference. Readings are corrected from then on, reports name the
calibration, and its due date warns. A node keeps it on the board. Type what the reference says at each point; the
source is read by itself when it is steady. Work at low voltage, with the current limited.

Example:

    loomproof calibrate "bench meter/voltage" --sources sources.yaml --reference "Reedbed R8 no. 12" \
      --certificate 4711 --reference-accuracy "0.01 % + 2 digits" --reference-digit 0.0001

Ends with 2 where the calibration has a note that a person must look at.

` + exitCodes
}

func (c calibrateCommand) Run(w *world) error {
	accuracy, err := c.reference()
	if err != nil {
		return usage{err}
	}
	name, channel, ok := strings.Cut(c.What, "/")
	if !ok {
		return usage{fmt.Errorf("%q: name the channel, too, as %s/voltage", c.What, c.What)}
	}
	f, err := c.file()
	if err != nil {
		return err
	}
	found, err := chosen(f, []string{name})
	if err != nil {
		return err
	}
	s := sources.Of(found[0].Source)
	defer s.Close()
	today := sources.Today(time.Now())
	due := c.Due
	if due.IsZero() {
		due = calibrate.Year(today)
	}
	if !due.After(today.Time) {
		return usage{fmt.Errorf("--due %s is not after today", due.Format(time.DateOnly))}
	}
	session := calibrate.Session{
		Source: s, Channel: channel, In: w.in, Out: w.out, Reference: c.Reference, Certificate: c.Certificate, By: by(c.By),
		Accuracy: accuracy, Digit: c.ReferenceDigit, Expanded: c.Expanded, Date: today, Due: due,
	}
	results, err := session.Run(w.ctx)
	if err != nil {
		return err
	}
	for _, r := range results {
		if len(r.Notes) > 0 {
			return exit(exitIncomplete)
		}
	}
	return nil
}

// reference is how far the reference can be trusted.
func (c calibrateCommand) reference() (a probe.Accuracy, err error) {
	if c.Expanded < 0 || c.ReferenceDigit < 0 {
		return a, errors.New("--expanded and --reference-digit are above 0")
	}
	if c.ReferenceAccuracy == "" {
		if c.Expanded == 0 {
			return a, errors.New("how far can the reference be trusted? Give --reference-accuracy from its manual, or --expanded from its certificate")
		}
		return a, nil
	}
	if a, err = probe.ParseAccuracy(c.ReferenceAccuracy); err != nil {
		return a, fmt.Errorf("--reference-accuracy: %w", err)
	}
	switch {
	case a.OfRange > 0:
		return a, errors.New("--reference-accuracy: the reference's range is not known here; give its worst case as percent of reading, or --expanded")
	case a.Digits > 0 && c.ReferenceDigit == 0:
		return a, errors.New("--reference-accuracy counts digits; say what one is worth with --reference-digit, as 0.001")
	}
	return a, nil
}
