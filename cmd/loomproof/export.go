package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"loomproof/checks/evidence"
	"loomproof/checks/logbook"
	"loomproof/checks/recording/store"
	"loomproof/checks/recording/tables"
)

type exportCommand struct {
	Worksheet string   `arg:"" optional:"" help:"Number of the worksheet. Default: the latest."`
	Recording int64    `placeholder:"NUMBER" help:"Write this recording, and no worksheet."`
	Channel   []string `sep:"none" placeholder:"NAME" help:"Of a recording, only this channel. May be given several times."`
	To        string   `type:"path" placeholder:"PLACE" help:"The new folder, or of a recording the new file, .csv or .parquet. Default: worksheet-NUMBER, recording-NUMBER.csv."`
	Logbook   string   `type:"path" default:"loomproof.db" help:"The logbook."`
}

func (exportCommand) Help() string {
	return `Writes a worksheet into a folder of its own, to hand over: worksheet.json has the records as they are
chained and signed, for verify or any other program; steps and readings are there as CSV and JSON.

With --recording a recording is written as one table, for general data tools: time_s, and a column for each channel with its unit, as
bus_V. A channel that has no sample at a moment has an empty cell there; what is missing in the recording has no row.

Example:

    loomproof export 3 --to inspector
    loomproof export --recording 2 --to run.parquet

` + exitCodes
}

func (c exportCommand) Run(w *world) error {
	switch {
	case c.Recording < 0 || c.Recording > 0 && c.Worksheet != "":
		return usage{errors.New("give the number of a worksheet, or --recording with that of a recording")}
	case c.Recording == 0 && len(c.Channel) > 0:
		return usage{errors.New("--channel is for a recording; add --recording NUMBER")}
	case c.Recording > 0:
		return c.recording(w)
	}
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

func (c exportCommand) recording(w *world) error {
	book, err := logbook.OpenExisting(c.Logbook)
	if err != nil {
		return err
	}
	defer book.Close()
	st, err := store.Open(book)
	if err != nil {
		return err
	}
	rec, err := st.Recording(w.ctx, c.Recording)
	if err != nil {
		return err
	}
	channels, err := tables.Named(rec, c.Channel)
	if err != nil {
		return usage{err}
	}
	to := c.To
	if to == "" {
		to = fmt.Sprintf("recording-%d.csv", rec.ID)
	}
	write := tables.WriteCSV
	switch strings.ToLower(filepath.Ext(to)) {
	case ".parquet":
		write = tables.WriteParquet
	case ".csv":
	default:
		return usage{fmt.Errorf("--to %s: the name of the file ends in .csv or .parquet", c.To)}
	}
	if err := writeNew(to, func(f io.Writer) error { return write(f, rec, channels) }); err != nil {
		return err
	}
	_, err = fmt.Fprintln(w.out, to)
	return err
}
