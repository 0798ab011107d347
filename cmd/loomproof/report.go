package main

import (
	"fmt"
	"strconv"

	"loomproof/checks/logbook"
	"loomproof/dashboard/report"
)

type reportCommand struct {
	Worksheet string `arg:"" optional:"" help:"Number of the worksheet. Default: the latest."`
	Logbook   string `type:"path" default:"loomproof.db" help:"The logbook."`
	JSON      bool   `name:"json" help:"Print it as JSON."`
	HTML      string `name:"html" type:"path" placeholder:"FILE" help:"Write it as HTML here, to print or to send."`
}

func (reportCommand) Help() string {
	return `Example: loomproof report 3 --html worksheet-3.html

The exit code is the worksheet's verdict.
` + exitCodes
}

func (c reportCommand) Run(w *world) error {
	id := int64(0)
	if c.Worksheet != "" {
		var err error
		if id, err = strconv.ParseInt(c.Worksheet, 10, 64); err != nil || id < 1 {
			return usage{fmt.Errorf("%q is no worksheet number; type one like 3, or none for the latest", c.Worksheet)}
		}
	}
	book, err := logbook.OpenExisting(c.Logbook)
	if err != nil {
		return err
	}
	defer book.Close()
	if id == 0 {
		list, err := book.Worksheets(w.ctx)
		if err != nil {
			return err
		}
		if len(list) == 0 {
			return fmt.Errorf("logbook %s: it is empty; perform a procedure first, or name another with --logbook", c.Logbook)
		}
		id = list[0].ID
	}
	sheet, err := book.Worksheet(w.ctx, id)
	if err != nil {
		return err
	}
	rep, err := report.New(sheet)
	if err != nil {
		return err
	}
	return finish(w.out, rep, c.JSON, c.HTML)
}
