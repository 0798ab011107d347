package main

import (
	"errors"
	"io"

	"loomproof/dashboard/schedule"
)

type scheduleCommand struct {
	Design string `arg:"" type:"path" help:"The design file."`
	CSV    string `name:"csv" type:"path" placeholder:"FILE" help:"Write a row for each wire here, for a spreadsheet. Default: standard output, if no --html is asked for."`
	HTML   string `name:"html" type:"path" placeholder:"FILE" help:"Write the schedule, pin-out sheets and wire labels here, to print."`
}

func (scheduleCommand) Help() string {
	return `Every wire with the length to cut it to, its mass and the fittings of its ends; the pin-out of each
connector, with spare pins; a label for both ends of each wire. A file of that name is replaced.

Example: loomproof schedule marsh-hen.yaml --csv wires.csv --html wires.html

` + exitCodes
}

func (c scheduleCommand) Run(w *world) error {
	d, err := readDesign(c.Design)
	if err != nil {
		return err
	}
	s := schedule.New(d)
	if c.CSV == "" && c.HTML == "" {
		return s.CSV(w.out)
	}
	return errors.Join(writeFile(c.CSV, s.CSV), writeFile(c.HTML, s.HTML))
}

// writeFile writes a file; an empty path is none.
func writeFile(path string, write func(io.Writer) error) error {
	if path == "" {
		return nil
	}
	f, err := create(path)
	if err != nil {
		return err
	}
	return errors.Join(write(f), f.Close())
}
