package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"loomproof/checks/starter"
	"loomproof/checks/units"
	"loomproof/checks/wirelist"
	"loomproof/dashboard/metrics"
	"loomproof/probe/sources"
)

type newCommand struct {
	Name    string `default:"My aircraft" help:"What the aircraft is called."`
	Nominal string `default:"14 V" help:"Nominal system voltage while charging: 14 V or 28 V."`
	From    string `type:"path" placeholder:"FILE" help:"Make it of a spreadsheet wire list, saved as CSV."`
	Sources bool   `help:"Write a source file to start from, not a design: the instruments, their ports and accuracies."`
	Alerts  bool   `help:"Write alert rules for Prometheus, not a design: over-voltage, under-voltage, a source lost, a disk that fills."`
	Output  string `type:"path" placeholder:"FILE" help:"Write it here; a file that is there already stays as it is. Default: standard output."`
}

func (newCommand) Help() string {
	return `A commented design file to start from, or with --sources a source file, or with --alerts the
alert rules that go with /metrics. Of a wire list, what was guessed and what is missing is told on
standard error; every row of the list stays in the design, and what to fill in is marked CHECK THIS.
Ends with 2 where a row could not be read whole.

Example: loomproof new --name "Marsh Hen" --output marsh-hen.yaml
Example: loomproof new --sources --output sources.yaml
Example: loomproof new --alerts --output loomproof-alerts.yaml
Example: loomproof new --from wires.csv --output marsh-hen.yaml

` + exitCodes
}

func (c newCommand) Run(w *world) error {
	switch {
	case c.Sources && c.Alerts:
		return usage{errors.New("--sources and --alerts are two files; write one after the other")}
	case c.From != "" && (c.Sources || c.Alerts):
		return usage{errors.New("--from: a wire list says nothing of instruments or of alerts; write one after the other")}
	case c.Alerts:
		return c.write(w, metrics.Alerts, "promtool check rules")
	case c.Sources:
		return c.write(w, sources.Starter(), "loomproof watch --sources")
	}
	var nominal units.Volts
	if err := nominal.UnmarshalText([]byte(c.Nominal)); err != nil {
		return usage{fmt.Errorf("--nominal: %w", err)}
	}
	if nominal != 14 && nominal != 28 {
		return usage{fmt.Errorf("--nominal %v: the published rules know 14 V and 28 V; write one of them", nominal)}
	}
	if c.From != "" {
		return c.fromList(w, nominal)
	}
	text, err := starter.Design(c.Name, nominal)
	if err != nil {
		return usage{err}
	}
	return c.write(w, text, "loomproof desk")
}

func (c newCommand) fromList(w *world, nominal units.Volts) error {
	text, err := os.ReadFile(c.From)
	if err != nil {
		return fmt.Errorf("the wire list cannot be read: %w; check its name and folder", err)
	}
	made, err := wirelist.Convert(filepath.Base(c.From), text, wirelist.Options{Name: c.Name, Nominal: nominal})
	if err != nil {
		return err
	}
	if err := c.write(w, made.Design, "loomproof desk"); err != nil {
		return err
	}
	for _, n := range made.Notes {
		fmt.Fprintln(w.err, n.String())
	}
	mistakes := len(made.Of(wirelist.Mistake))
	fmt.Fprintf(w.err, "Rows that became runs: %d; kept as comments because they could not be placed: %d. Mistakes: %d, guesses: %d, missing: %d.\n",
		made.Runs, made.Kept, mistakes, len(made.Of(wirelist.Guess)), len(made.Of(wirelist.Missing)))
	if mistakes > 0 {
		return exit(exitIncomplete)
	}
	return nil
}

// write writes the file, never over a file that is there.
func (c newCommand) write(w *world, text []byte, next string) error {
	if c.Output == "" {
		_, err := w.out.Write(text)
		return err
	}
	f, err := os.OpenFile(c.Output, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already and was left as it is; choose another name with --output, or move it away first", c.Output)
	}
	if err != nil {
		return fmt.Errorf("the file cannot be written: %w", err)
	}
	_, err = f.Write(text)
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("the file cannot be written: %w", err)
	}
	fmt.Fprintf(w.err, "Written to %s, which is yours to change; then: %s %s\n", c.Output, next, c.Output)
	return nil
}
