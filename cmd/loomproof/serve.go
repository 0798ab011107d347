package main

import "fmt"

type serveCommand struct {
	Design    string `arg:"" type:"path" help:"The design file."`
	Procedure string `default:"first-power-on" help:"The procedure to stand by for."`
	instruments
	Logbook string `type:"path" default:"loomproof.db" help:"The logbook."`
	Listen  string `default:"${dashboard}" help:"Address of the dashboard, on this machine."`
}

func (serveCommand) Help() string {
	return `The daemon: it holds the instruments, serves the dashboard and /metrics, and performs the procedure when
somebody starts it on the page. Ctrl-C ends it, with the power off.

Example: loomproof serve marsh-hen.yaml --meter /dev/ttyUSB0,9600-8N1 --supply /dev/ttyUSB1

` + exitCodes
}

func (c serveCommand) Run(w *world) error {
	if err := c.check(c.Procedure); err != nil {
		return usage{err}
	}
	s, done, err := open(w, c.Design, c.Logbook, c.Listen, c.instruments, w.out)
	if err != nil {
		return err
	}
	defer done()
	for {
		if err := s.Start(w.ctx, c.Procedure); err != nil {
			return err
		}
		rep, err := s.Perform(w.ctx, c.Procedure)
		switch {
		case w.ctx.Err() != nil:
			return w.ctx.Err()
		case err != nil:
			fmt.Fprintln(w.err, "loomproof:", err)
		default:
			fmt.Fprintf(w.out, "Worksheet %d finished: %s\n", rep.Worksheet, rep.Verdict)
		}
	}
}
