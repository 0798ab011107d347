package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"loomproof/checks/logbook"
	"loomproof/checks/recording"
	"loomproof/checks/recording/csvlog"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/recording/store"
	"loomproof/checks/recording/tables"
)

type importCommand struct {
	File    string   `arg:"" type:"path" help:"The log: CSV, or Parquet where its name ends in .parquet."`
	Rate    float64  `placeholder:"HZ" help:"Samples a second, of a file without a column of time."`
	Channel []string `sep:"none" placeholder:"NAME=ROLE" help:"What a column is of, where its heading does not tell. May be given several times."`
	Title   string   `help:"What it is, in your words. Default: the file's name."`
	Logbook string   `type:"path" default:"loomproof.db" help:"The logbook."`
	JSON    bool     `name:"json" help:"Print the summary as JSON."`
}

func (importCommand) Help() string {
	return `Copies somebody else's log into the logbook as a recording. The first column is the time: seconds, a time of day, or date and
time; each other one is a channel, with its unit in the heading: bus_V, "bus (V)", Bus Volts. Units: V, mV, A, mA, Hz, rpm, °C, °F;
a column of anything else is left out, and named. Columns are parted by commas, semicolons or tabs. Empty cells and missing rows are gaps.
A mistake is told with its line, and nothing is copied then.

Example:

    loomproof import friend.csv --channel "amps=battery current"

What a column can be of: ` + recorder.RoleNames() + `.

` + exitCodes
}

func (c importCommand) Run(w *world) error {
	if c.Rate < 0 {
		return usage{fmt.Errorf("--rate %g: samples a second are above 0", c.Rate)}
	}
	roles, err := recorder.Roles(c.Channel)
	if err != nil {
		return usage{err}
	}
	m, err := c.read(csvlog.Options{Name: filepath.Base(c.File), Roles: roles, Tell: func(s string) { fmt.Fprintln(w.err, s) }})
	if err != nil {
		return err
	}
	book, err := logbook.Open(c.Logbook)
	if err != nil {
		return err
	}
	defer book.Close()
	st, err := store.Open(book)
	if err != nil {
		return err
	}
	title := c.Title
	if title == "" {
		title = filepath.Base(c.File)
	}
	id, err := st.Keep(w.ctx, m, store.Opening{Title: title, Program: version()})
	if err != nil {
		return err
	}
	return printSummary(w, st, id, c.JSON)
}

func (c importCommand) read(o csvlog.Options) (*recording.Memory, error) {
	f, err := os.Open(c.File)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if strings.EqualFold(filepath.Ext(c.File), ".parquet") {
		return tables.ReadParquet(f, info.Size(), c.Rate, o)
	}
	return tables.ReadCSV(f, c.Rate, o)
}

// printSummary says what a recording holds.
func printSummary(w *world, st *store.Store, id int64, asJSON bool) error {
	rec, err := st.Recording(w.ctx, id)
	if err != nil {
		return err
	}
	sum, err := recorder.Summarise(id, rec)
	if err != nil {
		return err
	}
	seal, err := st.Seal(w.ctx, id)
	if err != nil && !errors.Is(err, store.ErrNoSeal) {
		return err
	}
	sum.Digest = seal.Digest
	if asJSON {
		return json.NewEncoder(w.out).Encode(sum)
	}
	return sum.Text(w.out)
}
