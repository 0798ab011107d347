package main

import (
	"loomproof/dashboard/expected"
)

type expectCommand struct {
	Design  string   `arg:"" type:"path" help:"The design file."`
	State   string   `default:"all-on" help:"Which state: all-on, essential, master-only, asleep, off."`
	Source  []string `default:"battery" help:"What feeds the aircraft: names of sources, with commas between."`
	Working []string `placeholder:"CIRCUIT" help:"Circuits that do their intermittent work, as a radio that transmits."`
	JSON    bool     `name:"json" help:"Print it as JSON."`
}

func (expectCommand) Help() string {
	return `The design value of every point in a state, with what sound parts can show there and what is allowed.

Example:

    loomproof expect marsh-hen.yaml --source battery,alternator --working radio

` + exitCodes
}

func (c expectCommand) Run(w *world) error {
	d, err := readDesign(c.Design)
	if err != nil {
		return err
	}
	t, err := expected.New(d, c.State, c.Source, c.Working)
	if err != nil {
		return usage{err}
	}
	if c.JSON {
		return t.JSON(w.out)
	}
	return t.Text(w.out)
}
