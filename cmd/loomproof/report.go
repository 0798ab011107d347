package main

import (
	"errors"
	"fmt"
	"io"
	"strconv"

	"loomproof/checks/evidence"
	"loomproof/checks/logbook"
	"loomproof/dashboard/report"
)

type reportCommand struct {
	Worksheet string `arg:"" optional:"" help:"Number of the worksheet. Default: the latest."`
	Logbook   string `type:"path" default:"loomproof.db" help:"The logbook."`
	JSON      bool   `name:"json" help:"Print it as JSON."`
	PDF       string `name:"pdf" type:"path" placeholder:"FILE" help:"Have an installed browser print it here."`
	CSV       string `name:"csv" type:"path" placeholder:"FILE" help:"Write its steps as CSV here."`
	HTML      string `name:"html" type:"path" placeholder:"FILE" help:"Write it as HTML here, to print or to send."`
	replacing
}

func (reportCommand) Help() string {
	return `Example:

    loomproof report 3 --html worksheet-3.html

The exit code is the worksheet's verdict.

` + exitCodes
}

func (c reportCommand) Run(w *world) error {
	if err := c.free(c.PDF, c.CSV, c.HTML); err != nil {
		return err
	}
	book, sheet, err := openWorksheet(w, c.Logbook, c.Worksheet)
	if err != nil {
		return err
	}
	defer book.Close()
	rep, err := report.New(sheet)
	if err != nil {
		return err
	}
	if err := rep.AddSince(w.ctx, book, sheet); err != nil {
		return err
	}
	if err := rep.AddRuns(w.ctx, book); err != nil {
		return err
	}
	if err := c.write(c.PDF, func(f io.Writer) error { return rep.PDF(w.ctx, f) }); err != nil {
		return err
	}
	if err := c.write(c.CSV, evidence.Of(sheet).Steps); err != nil {
		return err
	}
	return finish(w.out, rep, c.JSON, c.HTML, c.replacing)
}

// openWorksheet opens a logbook and a worksheet in it: by its number, or the
// latest.
func openWorksheet(w *world, path, number string) (*logbook.Book, *logbook.Worksheet, error) {
	id := int64(0)
	if number != "" {
		var err error
		if id, err = strconv.ParseInt(number, 10, 64); err != nil || id < 1 {
			return nil, nil, usage{fmt.Errorf("%q is no worksheet number; type one like 3, or none for the latest", number)}
		}
	}
	book, err := logbook.OpenExisting(path)
	if err != nil {
		return nil, nil, err
	}
	sheet, err := latestOr(w, book, id)
	if err != nil {
		return nil, nil, errors.Join(err, book.Close())
	}
	return book, sheet, nil
}

func latestOr(w *world, book *logbook.Book, id int64) (*logbook.Worksheet, error) {
	if id == 0 {
		list, err := book.Worksheets(w.ctx)
		if err != nil {
			return nil, err
		}
		if len(list) == 0 {
			return nil, fmt.Errorf("logbook %s: it is empty; perform a procedure first, or name another with --logbook", book.Path())
		}
		id = list[0].ID
	}
	return book.Worksheet(w.ctx, id)
}
