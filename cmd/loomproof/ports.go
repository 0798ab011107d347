package main

import (
	"errors"
	"fmt"

	"loomproof/dashboard/plugged"
	"loomproof/probe/hail"
	"loomproof/probe/port"
)

type portsCommand struct {
	Ask    bool       `help:"Open each port, listen, and ask what is there. It may disturb a device that does not understand the question: ask only on ports whose devices you know to bear it."`
	Mode   *port.Mode `placeholder:"MODE" help:"With --ask: how the line of an instrument is set, as 19200-7E2. Default: the usual ones are tried."`
	Modbus int        `placeholder:"ADDRESS" help:"With --ask: also ask one register of the Modbus device with this address, 1 to 247. None is asked without: every device on such a line hears every question."`
	JSON   bool       `name:"json" help:"Print it as JSON."`
}

func (portsCommand) Help() string {
	return `What is plugged in, and how to name it in a source file so that it is found wherever it is plugged in. Ports
that cannot be opened say why: the group to join, the program that holds it. Without --ask nothing is opened.

With --ask it listens before it asks, since asking may disturb an unknown device: first for a handheld meter
that sends its display, then a hello for our node, then *IDN?, which changes nothing in an instrument. What
sends unasked and is not understood is not asked anything.

Example:

    loomproof ports --ask

Ends with 2 when a port is there that cannot be opened. ` + exitCodes
}

func (c portsCommand) Run(w *world) error {
	if !c.Ask && (c.Mode != nil || c.Modbus != 0) {
		return usage{errors.New("--mode and --modbus say how to ask; add --ask")}
	}
	if c.Modbus < 0 || c.Modbus > 247 {
		return usage{fmt.Errorf("--modbus %d: an address is 1 to 247", c.Modbus)}
	}
	ports, err := plugged.List(w.ctx, plugged.Options{Ask: c.Ask, Options: hail.Options{Mode: c.Mode, Modbus: c.Modbus}})
	if err != nil {
		return err
	}
	write := ports.Text
	if c.JSON {
		write = ports.JSON
	}
	if err := write(w.out); err != nil {
		return err
	}
	if ports.Unreadable() {
		return exit(exitIncomplete)
	}
	return nil
}
