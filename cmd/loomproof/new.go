package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

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

Example:

    loomproof new --name "Marsh Hen" --output marsh-hen.yaml
    loomproof new --sources --output sources.yaml
    loomproof new --alerts --output loomproof-alerts.yaml
    loomproof new --from wires.csv --output marsh-hen.yaml

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
	nominal, err := systemVolts(c.Nominal)
	if err != nil {
		return usage{err}
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

// systemVolts reads --nominal: the published rules know two.
func systemVolts(text string) (units.Volts, error) {
	bare, _ := strings.CutSuffix(strings.ToUpper(strings.TrimSpace(text)), "V")
	switch strings.TrimSpace(bare) {
	case "14":
		return 14, nil
	case "28":
		return 28, nil
	}
	return 0, fmt.Errorf("--nominal %s: the rules are published for 14 V, which charges a battery of 12 V, and for 28 V, which charges one of 24 V; write --nominal 14V or --nominal 28V", text)
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
	if err := writeNew(c.Output, bytesOf(text)); err != nil {
		return err
	}
	fmt.Fprintf(w.err, "Written to %s, which is yours to change; then: %s %s\n", c.Output, next, c.Output)
	return nil
}
