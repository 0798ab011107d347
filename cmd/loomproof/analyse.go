package main

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/groundrun"
	"loomproof/checks/logbook"
	"loomproof/checks/recording"
	"loomproof/checks/recording/csvlog"
	"loomproof/checks/recording/store"
	"loomproof/checks/verdict"
	"loomproof/probe"
)

type analyseCommand struct {
	Recording string            `arg:"" help:"Number of a recording in the logbook, or a CSV file with a column of time and one for each channel, the unit in its heading."`
	Logbook   string            `type:"path" default:"loomproof.db" help:"The logbook."`
	Design    string            `type:"path" placeholder:"FILE" help:"The design file: system voltage and the battery's resistance are taken from it."`
	Role      map[string]string `placeholder:"NAME=ROLE" help:"What a column of a CSV file is of, where its heading does not say: --role 'U1=bus voltage'. Roles: ${roles}."`
	Nominal   float64           `placeholder:"VOLTS" help:"System voltage: 14 or 28. Default: by the design, else by what the bus shows."`
	PolePairs float64           `placeholder:"N" help:"Pole pairs of the alternator's rotor, to know its ripple by the engine's speed."`
	Ratio     float64           `placeholder:"N" help:"The alternator's speed over the engine's."`
	Accuracy  string            `default:"0.5% + 1 digit" help:"Accuracy of every channel of a CSV file, as the instrument's manual prints it."`
	JSON      bool              `name:"json" help:"Print it as JSON."`
}

func (analyseCommand) Help() string {
	return `What a recording of the charging system shows: its parts (off, crank, idle, each steady speed, shutdown), loads in and
out, set-point, ripple and its lines, charge, crank and battery, each with uncertainty and, where a rule is known, a verdict;
and what it could not tell.

Example: loomproof analyse 3 --design marsh-hen.yaml
Example: loomproof analyse run.csv --design marsh-hen.yaml --pole-pairs 6 --ratio 2.2

` + exitCodes
}

func (c analyseCommand) Run(w *world) error {
	o, err := c.options()
	if err != nil {
		return err
	}
	r, err := c.analyse(w, o)
	if err != nil {
		return err
	}
	write := r.Text
	if c.JSON {
		write = r.JSON
	}
	if err := write(w.out); err != nil {
		return err
	}
	switch r.Verdict {
	case verdict.Pass:
		return nil
	case verdict.Fail:
		return exit(exitFail)
	}
	return exit(exitIncomplete)
}

// options are those of the command, and of the design where they are not given.
func (c analyseCommand) options() (groundrun.Options, error) {
	o := groundrun.Options{Nominal: c.Nominal, PolePairs: c.PolePairs, Ratio: c.Ratio}
	if o.Nominal != 0 && o.Nominal != 14 && o.Nominal != 28 {
		return o, usage{fmt.Errorf("--nominal %g: the limits are known for 14 and 28", o.Nominal)}
	}
	if o.PolePairs < 0 || o.Ratio < 0 {
		return o, usage{fmt.Errorf("--pole-pairs and --ratio are above 0")}
	}
	if c.Design == "" {
		return o, nil
	}
	d, err := readDesign(c.Design)
	if err != nil {
		return o, err
	}
	if o.Nominal == 0 {
		o.Nominal = float64(d.Aircraft.Nominal)
	}
	if b := d.SourceOf(design.Battery); b != nil {
		o.BatteryOhms = float64(b.Resistance)
	}
	return o, nil
}

// analyse reads the recording and says what it shows.
func (c analyseCommand) analyse(w *world, o groundrun.Options) (*groundrun.Report, error) {
	if id, err := strconv.ParseInt(c.Recording, 10, 64); err == nil {
		return c.analyseKept(w, id, o)
	}
	log, err := c.read()
	if err != nil {
		return nil, err
	}
	r, err := groundrun.Analyse(log, o)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.Recording, err)
	}
	return r, nil
}

// analyseKept is for a recording in the logbook.
func (c analyseCommand) analyseKept(w *world, id int64, o groundrun.Options) (r *groundrun.Report, err error) {
	book, err := logbook.OpenExisting(c.Logbook)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, book.Close()) }()
	s, err := store.Open(book)
	if err != nil {
		return nil, err
	}
	kept, err := s.Recording(w.ctx, id)
	if err != nil {
		return nil, err
	}
	if r, err = groundrun.Analyse(kept, o); err != nil {
		return nil, fmt.Errorf("recording %d: %w", id, err)
	}
	return r, nil
}

// read reads a CSV file.
func (c analyseCommand) read() (recording.Recording, error) {
	accuracy, err := probe.ParseAccuracy(c.Accuracy)
	if err != nil {
		return nil, usage{err}
	}
	roles := map[string]recording.Role{}
	for name, text := range c.Role {
		role := recording.Role(text)
		if role.Quantity() == "" {
			return nil, usage{fmt.Errorf("--role %s=%s: there is no such role; there are: %s", name, text, roleNames())}
		}
		roles[name] = role
	}
	file, err := os.Open(c.Recording)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return csvlog.Read(file, csvlog.Options{Name: c.Recording, Roles: roles, Accuracy: accuracy})
}

func roleNames() string {
	names := []string{}
	for _, r := range recording.Roles() {
		names = append(names, string(r))
	}
	return strings.Join(names, ", ")
}
