package main

import (
	"fmt"

	"loomproof/probe/node"
)

type nodeCommand struct {
	Image nodeImageCommand `cmd:"" help:"Write the firmware that belongs to this program, in Intel HEX."`
}

func (nodeCommand) Help() string {
	return `Our own board: an ATmega328P that reads up to eight inputs and can cut power. How to wire it and what it
speaks stand in probe/node/WIRING.md and PROTOCOL.md of the sources.

Example:

    loomproof node image --output node.hex

` + exitCodes
}

type nodeImageCommand struct {
	Output string `short:"o" type:"path" placeholder:"FILE" help:"Write it here, to a new file. Default: standard output."`
}

func (nodeImageCommand) Help() string {
	return `Writes the image that was built from the sources of this very program. What it is, its size, its SHA-256 and what to
do with it are printed beside: to standard output with --output, else to standard error.

Example:

    loomproof node image --output node.hex

` + exitCodes
}

func (c nodeImageCommand) Run(w *world) error {
	image := node.Firmware()
	if c.Output == "" {
		if _, err := w.out.Write(image.Hex); err != nil {
			return err
		}
		_, err := fmt.Fprintln(w.err, image)
		return err
	}
	if err := writeNew(c.Output, bytesOf(image.Hex)); err != nil {
		return fmt.Errorf("the image cannot be written: %w", err)
	}
	_, err := fmt.Fprintf(w.out, "%s: %v\n", c.Output, image)
	return err
}
