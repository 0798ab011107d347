package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"

	"loomproof/checks/groundrun"
	"loomproof/checks/logbook"
	"loomproof/checks/recording"
	"loomproof/checks/recording/csvlog"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/recording/store"
	"loomproof/checks/verdict"
	"loomproof/dashboard/report"
	"loomproof/probe"
)

type analyseCommand struct {
	Recording string   `arg:"" help:"Number of a recording in the logbook, or a CSV file with a column of time and one for each channel, the unit in its heading."`
	Logbook   string   `type:"path" default:"loomproof.db" help:"The logbook."`
	Design    string   `type:"path" placeholder:"FILE" help:"The design file: system voltage and the battery's resistance are taken from it."`
	Channel   []string `sep:"none" placeholder:"NAME=ROLE" help:"What a column of a CSV file is of, where its heading does not tell: --channel 'U1=bus voltage'. May be given several times."`
	Nominal   string   `placeholder:"VOLTS" help:"System voltage: 14 V or 28 V. Default: by the design, else by what the bus shows."`
	PolePairs float64  `placeholder:"N" help:"Pole pairs of the alternator's rotor, to know its ripple by the engine's speed."`
	Ratio     float64  `placeholder:"N" help:"The alternator's speed over the engine's."`
	Accuracy  string   `default:"0.5% + 1 digit" help:"Accuracy of every channel of a CSV file, as the instrument's manual prints it."`
	JSON      bool     `name:"json" help:"Print it as JSON."`
	HTML      string   `name:"html" type:"path" placeholder:"FILE" help:"Write it with its pictures as a page here, to print or to send."`
	Pictures  string   `type:"path" placeholder:"DIR" help:"Write the pictures into this folder, each as SVG and as PNG."`
	replacing
}

func (analyseCommand) Help() string {
	return `What a recording of the charging system shows: its parts (off, crank, idle, each steady speed, shutdown), loads in and
out, set-point, ripple and its lines, charge, crank and battery, each with uncertainty and, where a rule is known, a verdict;
and what it could not tell.

Example:

    loomproof analyse 3 --design marsh-hen.yaml
    loomproof analyse run.csv --design marsh-hen.yaml --pole-pairs 6 --ratio 2.2
    loomproof analyse 3 --html run-3.html --pictures run-3

What a column can be of: ` + recorder.RoleNames() + `.

` + exitCodes
}

func (c analyseCommand) Run(w *world) error {
	o, err := c.options()
	if err != nil {
		return err
	}
	if err := c.free(c.HTML); err != nil {
		return err
	}
	run, err := c.analyse(w, o)
	if err != nil {
		return err
	}
	if run.Analysis == nil {
		return fmt.Errorf("%s: %s", c.name(), run.Why)
	}
	r := run.Analysis
	if err := c.draw(w, run); err != nil {
		return err
	}
	if err := c.write(c.HTML, func(f io.Writer) error { return run.HTML(f, version()) }); err != nil {
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
	o := groundrun.Options{PolePairs: c.PolePairs, Ratio: c.Ratio}
	if c.Nominal != "" {
		volts, err := systemVolts(c.Nominal)
		if err != nil {
			return o, usage{err}
		}
		o.Nominal = float64(volts)
	}
	for flag, v := range map[string]float64{"pole-pairs": o.PolePairs, "ratio": o.Ratio} {
		if !(v >= 0 && v < 1000) {
			return o, usage{fmt.Errorf("--%s %g: write a number above 0, as --%[1]s 6", flag, v)}
		}
	}
	if c.Design == "" {
		return o, nil
	}
	d, err := readDesign(c.Design)
	if err != nil {
		return o, err
	}
	of := groundrun.OptionsOf(d)
	if o.Nominal != 0 {
		of.Nominal = o.Nominal
	}
	of.PolePairs, of.Ratio = o.PolePairs, o.Ratio
	return of, nil
}

// name is what messages call the recording.
func (c analyseCommand) name() string {
	if _, err := strconv.ParseInt(c.Recording, 10, 64); err == nil {
		return "recording " + c.Recording
	}
	return c.Recording
}

// analyse reads the recording, says what it shows and draws it.
func (c analyseCommand) analyse(w *world, o groundrun.Options) (*report.Run, error) {
	if id, err := strconv.ParseInt(c.Recording, 10, 64); err == nil {
		return c.analyseKept(w, id, o)
	}
	log, err := c.read(w)
	if err != nil {
		return nil, err
	}
	run, err := c.run(log, o)
	if err != nil {
		return nil, err
	}
	run.Title = filepath.Base(c.Recording)
	return run, nil
}

// analyseKept is for a recording in the logbook.
func (c analyseCommand) analyseKept(w *world, id int64, o groundrun.Options) (run *report.Run, err error) {
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
	if run, err = c.run(kept, o); err != nil {
		return nil, err
	}
	seal, _ := s.Seal(w.ctx, id) // without one there is no digest to print; verify says more
	run.Recording, run.Title, run.Aircraft, run.By, run.Digest = id, kept.Title, kept.Aircraft, kept.By, seal.Digest
	return run, nil
}

// run analyses a recording and draws it, if anybody wants to see it.
func (c analyseCommand) run(r recording.Recording, o groundrun.Options) (*report.Run, error) {
	run, err := report.NewRun(r, o)
	if err == nil && c.HTML+c.Pictures != "" {
		err = run.Draw(r)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.name(), err)
	}
	return run, nil
}

// draw writes the pictures and says where they are.
func (c analyseCommand) draw(w *world, run *report.Run) error {
	if c.Pictures == "" {
		return nil
	}
	if err := os.MkdirAll(c.Pictures, 0o755); err != nil {
		return err
	}
	drawn, missing := run.Pictures()
	var files []string
	for _, p := range drawn {
		files = append(files, filepath.Join(c.Pictures, p.Name)+".svg", filepath.Join(c.Pictures, p.Name)+".png")
	}
	if err := c.free(files...); err != nil {
		return err
	}
	for _, p := range drawn {
		path := filepath.Join(c.Pictures, p.Name)
		if err := errors.Join(c.write(path+".svg", p.SVG), c.write(path+".png", p.PNG)); err != nil {
			return err
		}
		fmt.Fprintf(w.err, "%s: %s.svg, %s.png\n", p.Heading, path, path)
	}
	for _, why := range missing {
		fmt.Fprintln(w.err, why)
	}
	return nil
}

// read reads a CSV file.
func (c analyseCommand) read(w *world) (recording.Recording, error) {
	accuracy, err := probe.ParseAccuracy(c.Accuracy)
	if err != nil {
		return nil, usage{err}
	}
	roles, err := recorder.Roles(c.Channel)
	if err != nil {
		return nil, usage{err}
	}
	fmt.Fprintf(w.err, "%s: each channel is taken as good to %s; --accuracy says what yours are\n", c.Recording, accuracy)
	file, err := os.Open(c.Recording)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return csvlog.Read(file, csvlog.Options{Name: c.Recording, Roles: roles, Accuracy: accuracy, Tell: func(s string) { fmt.Fprintln(w.err, s) }})
}
