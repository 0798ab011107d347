package main

import (
	"errors"
	"io"

	"loomproof/checks/desk"
	"loomproof/dashboard/diagram"
	"loomproof/dashboard/schedule"
)

type deskCommand struct {
	Design   string `arg:"" type:"path" help:"The design file."`
	Wires    bool   `help:"Also find the lightest wire for every run that meets all rules, with what it saves."`
	Schedule string `type:"path" placeholder:"NAME" help:"Write the wire schedule: NAME.csv for a spreadsheet, NAME.html to print, with pin-outs and labels."`
	Diagram  string `type:"path" placeholder:"FILE" help:"Draw the one-line diagram as SVG here."`
	replacing
	JSON bool `name:"json" help:"Print it as JSON."`
}

func (deskCommand) Help() string {
	return `Is the design itself sound? Every rule, with the place in the file, the numbers of both sides, and where the rule comes from.

Example:

    loomproof desk marsh-hen.yaml --wires --schedule looms --diagram one-line.svg

` + exitCodes
}

func (c deskCommand) Run(w *world) error {
	d, err := readDesign(c.Design)
	if err != nil {
		return err
	}
	table, page := c.Schedule+".csv", c.Schedule+".html"
	if c.Schedule == "" {
		table, page = "", ""
	}
	if err := c.free(c.Diagram, table, page); err != nil {
		return err
	}
	err = c.write(c.Diagram, func(w io.Writer) error { _, err := io.WriteString(w, diagram.SVG(d, nil)); return err })
	if c.Schedule != "" {
		s := schedule.New(d)
		err = errors.Join(err, c.write(table, s.CSV), c.write(page, s.HTML))
	}
	if err != nil {
		return err
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
