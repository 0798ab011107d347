package main

import (
	"errors"
	"fmt"
	"io"

	"loomproof/dashboard/demo"
	"loomproof/dashboard/report"
	"loomproof/dashboard/station"
)

type demoCommand struct {
	Procedure  string `default:"first-power-on" placeholder:"NAME" help:"Which procedure: first-power-on, or another that perform --help lists."`
	Bench      string `default:"all" placeholder:"NAME" help:"What is on the bench: all, meter-and-supply, meter (alone, on the aircraft's battery), handheld (a handheld meter alone)."`
	HandsOff   bool   `help:"Answer the hold points too, and end with the report."`
	Fault      string `placeholder:"NAME" help:"Which fault to plant; none for a sound aircraft. See --list-faults."`
	ListFaults bool   `help:"List the faults that can be planted, and stop."`
	JSON       bool   `name:"json" help:"Print the report as JSON."`
	Seed       uint64 `default:"1" help:"Which aircraft and instruments: another number, other small errors. 0 has every part at its usual value."`
	Listen     string `default:"${dashboard}" help:"Address of the dashboard, on this machine; port 0 takes a free one."`
	Logbook    string `type:"path" placeholder:"FILE" help:"Keep the worksheet here. Default: it goes with the demo."`
	HTML       string `name:"html" type:"path" placeholder:"FILE" help:"Write the report as HTML here."`
	replacing
	lan
}

func (demoCommand) Help() string {
	return `Emulated instruments stand on an emulated aircraft, each at the far end of a pseudo-terminal; the
program reads them as it reads real ones. Without --hands-off you answer the hold points, here or in
the browser. With --lan a phone may watch or answer, too, once it is paired by the code that is printed.

Example:

    loomproof demo --hands-off --fault bad-ground

` + exitCodes
}

func (c demoCommand) Run(w *world) error {
	if c.ListFaults {
		for _, f := range demo.Faults() {
			fmt.Fprintf(w.out, "%-22s %s\n", f[0], f[1])
		}
		return nil
	}
	o := demo.Options{
		Procedure: c.Procedure, Bench: c.Bench, Fault: c.Fault, HandsOff: c.HandsOff, Listen: c.Listen, Logbook: c.Logbook, Seed: c.Seed,
		Version: version(), Apart: true, Ahead: !c.HandsOff, Out: w.out, By: userName(),
	}
	if c.JSON {
		o.Out = w.err
	}
	if c.HandsOff {
		if c.Listen != dashboardAddress || c.LAN {
			return usage{errors.New("--hands-off answers by itself and opens no dashboard: leave --listen and --lan out; or leave --hands-off out, and answer on the pages")}
		}
		o.Listen = ""
	} else {
		o.In = w.in
		if c.LAN {
			o.Door = func() (*station.Door, error) { return c.take(c.Listen) }
			o.Opened = func(d *station.Door) { _ = pairing(o.Out, d) }
		}
	}
	if err := demo.Check(o); err != nil {
		return usage{err}
	}
	if err := c.free(c.HTML); err != nil {
		return err
	}
	rep, err := demo.Run(w.ctx, o)
	if err != nil {
		return err
	}
	return finish(w.out, rep, c.JSON, c.HTML, c.replacing)
}

// finish prints a report and turns its verdict into an exit code.
func finish(out io.Writer, rep *report.Report, asJSON bool, html string, to replacing) error {
	if err := to.write(html, rep.HTML); err != nil {
		return err
	}
	write := rep.Text
	if asJSON {
		write = rep.JSON
	}
	if err := write(out); err != nil {
		return err
	}
	if code := rep.Exit(); code != 0 {
		return exit(code)
	}
	return nil
}
