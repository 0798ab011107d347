package main

import (
	"fmt"

	"loomproof/checks/evidence"
)

type exportCommand struct {
	Worksheet string `arg:"" optional:"" help:"Number of the worksheet. Default: the latest."`
	To        string `type:"path" placeholder:"FOLDER" help:"The new folder. Default: worksheet-NUMBER."`
	Logbook   string `type:"path" default:"loomproof.db" help:"The logbook."`
}

func (exportCommand) Help() string {
	return `Writes a worksheet into a folder of its own, to hand over: worksheet.json has the records as they are
chained and signed, for verify or any other program; steps and readings are there as CSV and JSON.

Example: loomproof export 3 --to inspector

` + exitCodes
}

func (c exportCommand) Run(w *world) error {
	book, sheet, err := openWorksheet(w, c.Logbook, c.Worksheet)
	if err != nil {
		return err
	}
	defer book.Close()
	dir := c.To
	if dir == "" {
		dir = fmt.Sprintf("worksheet-%d", sheet.ID())
	}
	names, err := evidence.Export(evidence.Of(sheet), dir)
	for _, name := range names {
		fmt.Fprintln(w.out, name)
	}
	return err
}
