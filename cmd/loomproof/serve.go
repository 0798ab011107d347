package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"

	"golang.org/x/term"

	"loomproof/dashboard/station"
)

type serveCommand struct {
	Design    string `arg:"" type:"path" help:"The design file."`
	Procedure string `default:"first-power-on" help:"The procedure to stand by for."`
	instruments
	Logbook string `type:"path" default:"loomproof.db" help:"The logbook."`
	Listen  string `default:"${dashboard}" help:"Address of the dashboard, on this machine."`
	lan
	pushing
}

// lan are the flags that open the dashboard to the hangar's network.
type lan struct {
	LAN       bool   `name:"lan" help:"Open the dashboard to phones on the network, too; they are paired by a code that is printed."`
	LANListen string `name:"lan-listen" default:":8471" help:"Address for them."`
	TLSCert   string `name:"tls-cert" type:"path" placeholder:"FILE" help:"Certificate to use for them. Default: one of our own, made on first use."`
	TLSKey    string `name:"tls-key" type:"path" placeholder:"FILE" help:"Its key."`
}

// take takes the addresses of the dashboard, that of the network if it is opened to it.
func (l lan) take(local string) (*station.Door, error) {
	if !l.LAN {
		return station.TakeLocal(local)
	}
	dir, err := stateDir()
	if err != nil {
		return nil, err
	}
	return station.TakeShared(local, l.LANListen, dir, l.TLSCert, l.TLSKey)
}

// pairing says how devices of the network are paired.
func pairing(out io.Writer, d *station.Door) error {
	f, ok := out.(*os.File)
	return d.Text(out, ok && term.IsTerminal(int(f.Fd())))
}

// stateDir is where the program keeps what is this person's: paired devices,
// keys.
func stateDir() (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("there is no place for keys and paired devices: %w", err)
	}
	return filepath.Join(dir, "loomproof"), nil
}

func (serveCommand) Help() string {
	return `The daemon: it holds the instruments, serves the dashboard and /metrics, and performs the procedure when
somebody starts it on the page. With --lan, phones of the hangar's network may watch or answer once they
are paired by the code that is printed. With --push the metrics are sent to a server that cannot come for
them; without a network they are kept on disk until it takes them. Ctrl-C ends it, with the power off.

Example:

    loomproof serve marsh-hen.yaml --meter /dev/ttyUSB0,9600-8N1 --supply /dev/ttyUSB1

` + exitCodes
}

func (c serveCommand) Run(w *world) error {
	if err := c.check(c.Procedure); err != nil {
		return usage{err}
	}
	if err := c.checkPush(); err != nil {
		return err
	}
	s, door, done, err := open(w, c.Design, c.Logbook, c.instruments, func() (*station.Door, error) { return c.take(c.Listen) }, w.out)
	if err != nil {
		return err
	}
	defer done()
	stop, err := c.start(w, s)
	if err != nil {
		return err
	}
	defer stop()
	if c.LAN {
		if err := pairing(w.out, door); err != nil {
			return err
		}
	}
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
