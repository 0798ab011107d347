package main

import (
	"errors"
	"io"

	"loomproof/checks/desk"
	"loomproof/dashboard/diagram"
)

type deskCommand struct {
	Design  string `arg:"" type:"path" help:"The design file."`
	Wires   bool   `help:"Also find the lightest wire for every run that meets all rules, with what it saves."`
	Diagram string `type:"path" placeholder:"FILE" help:"Draw the one-line diagram as SVG here."`
	JSON    bool   `name:"json" help:"Print it as JSON."`
}

func (deskCommand) Help() string {
	return `Is the design itself sound? Every rule, with the place in the file, the numbers of both sides, and where the rule comes from.

Example: loomproof desk marsh-hen.yaml --wires

` + exitCodes
}

func (c deskCommand) Run(w *world) error {
	d, err := readDesign(c.Design)
	if err != nil {
		return err
	}
	if c.Diagram != "" {
		f, err := create(c.Diagram)
		if err != nil {
			return err
		}
		_, err = io.WriteString(f, diagram.SVG(d, nil))
		if err := errors.Join(err, f.Close()); err != nil {
			return err
		}
	}
	r := desk.Check(d)
	if c.Wires {
		r.AddWires(desk.Wires(d))
	}
	write := r.Text
	if c.JSON {
		write = r.JSON
	}
	if err := write(w.out); err != nil {
		return err
	}
	if r.Errors() > 0 {
		return exit(exitFail)
	}
	return nil
}
