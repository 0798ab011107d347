package main

import (
	"fmt"

	"loomproof/checks/logbook"
	"loomproof/dashboard/crept"
)

type compareCommand struct {
	Worksheet string  `arg:"" help:"Number of a worksheet."`
	Later     string  `arg:"" optional:"" help:"Number of a later one. Default: the first is held against the one before it, of the same aircraft and procedure."`
	Logbook   string  `type:"path" default:"loomproof.db" help:"The logbook."`
	Rate      float64 `default:"0.05" help:"Rate of false alarms, over all comparisons together: above 0 and below 0.5."`
	JSON      bool    `name:"json" help:"Print it as JSON."`
	HTML      string  `name:"html" type:"path" placeholder:"FILE" help:"Write it as a page here."`
	replacing
}

func (compareCommand) Help() string {
	return `What has crept since the earlier worksheet: every quantity brought to the same temperature, source voltage and
load current; the change with its uncertainty; what shares a cause said as one; what the design has changed. With three
worksheets or more of one aircraft and procedure, also the trend over the years and when it would meet its limit.

Example:

    loomproof compare 3 7

Exit codes: 0 nothing has become worse, 1 something has, 2 nothing could be compared, 3 could not (file, store),
64 wrong usage.`
}

func (c compareCommand) Run(w *world) error {
	if !(c.Rate > 0 && c.Rate < 0.5) {
		return usage{fmt.Errorf("a rate of false alarms of %v; write one above 0 and below 0.5, as 0.05", c.Rate)}
	}
	book, first, err := openWorksheet(w, c.Logbook, c.Worksheet)
	if err != nil {
		return err
	}
	defer book.Close()
	var later *logbook.Worksheet
	if c.Later != "" {
		second, sheet, err := openWorksheet(w, c.Logbook, c.Later)
		if err != nil {
			return err
		}
		defer second.Close()
		later = sheet
	}
	found, err := crept.New(w.ctx, book, first, later, c.Rate)
	if err != nil {
		return err
	}
	if err := c.write(c.HTML, found.HTML); err != nil {
		return err
	}
	write := found.Text
	if c.JSON {
		write = found.JSON
	}
	if err := write(w.out); err != nil {
		return err
	}
	if code := found.Exit(); code != 0 {
		return exit(code)
	}
	return nil
}
