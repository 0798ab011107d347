package main

import (
	"loomproof/checks/faultfind"
	"loomproof/dashboard/why"
)

type whyCommand struct {
	Worksheet string   `arg:"" optional:"" help:"Number of the worksheet. Default: the latest."`
	Logbook   string   `type:"path" default:"loomproof.db" help:"The logbook."`
	Next      bool     `help:"Also say where to measure next, and what each outcome would mean."`
	Read      []string `placeholder:"READING" sep:"none" help:"What was read since, in the state that --next asks for: \"strobe.load- battery- = 12.3 mV\", \"current = 4.2 A\", \"open strobe = 3.1 A\". Repeat it for each reading, in their order."`
	Rates     string   `type:"path" placeholder:"FILE" help:"How common each kind of fault is; what the file leaves out keeps its usual rate."`
	JSON      bool     `name:"json" help:"Print it as JSON."`
	HTML      string   `name:"html" type:"path" placeholder:"FILE" help:"Write it as a page here."`
	replacing
}

func (whyCommand) Help() string {
	return `Which faults explain the readings of a worksheet, by probability: one fault, or two together. A joint that
will get hot at full load is said first.

Example:

    loomproof why 3 --next

Exit codes: 0 nothing is wrong, 1 a fault explains the readings, 2 none does, or not well enough, 3 could not
(file, store), 64 wrong usage.`
}

func (c whyCommand) Run(w *world) error {
	rates := faultfind.Usual()
	if c.Rates != "" {
		var err error
		if rates, err = faultfind.ReadRates(c.Rates); err != nil {
			return err
		}
	}
	var typed []why.Typed
	for _, text := range c.Read {
		t, err := why.ParseTyped(text)
		if err != nil {
			return usage{err}
		}
		typed = append(typed, t)
	}
	book, sheet, err := openWorksheet(w, c.Logbook, c.Worksheet)
	if err != nil {
		return err
	}
	defer book.Close()
	found, err := why.New(sheet, rates, typed...)
	if err != nil {
		return err
	}
	if err := c.write(c.HTML, found.HTML); err != nil {
		return err
	}
	if c.JSON {
		err = found.JSON(w.out)
	} else {
		err = found.Text(w.out, c.Next)
	}
	if err != nil {
		return err
	}
	if code := found.Exit(); code != 0 {
		return exit(code)
	}
	return nil
}
