package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"loomproof/probe/node"
)

type nodeCommand struct {
	Image nodeImageCommand `cmd:"" help:"Write the firmware that belongs to this program, in Intel HEX."`
}

func (nodeCommand) Help() string {
	return `Our own board: an ATmega328P that reads up to eight inputs and can cut power. How to wire it and what it
speaks stand in probe/node/WIRING.md and PROTOCOL.md of the sources.

Example: loomproof node image --output node.hex

` + exitCodes
}

type nodeImageCommand struct {
	Output string `short:"o" type:"path" placeholder:"FILE" help:"Write it here, to a new file. Default: standard output."`
}

func (nodeImageCommand) Help() string {
	return `Writes the image that was built from the sources of this very program. What it is, its size, its SHA-256 and what to
do with it are printed beside: to standard output with --output, else to standard error.

Example: loomproof node image --output node.hex

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
	if err := writeNew(c.Output, image.Hex); err != nil {
		return fmt.Errorf("the image cannot be written: %w", err)
	}
	_, err := fmt.Fprintf(w.out, "%s: %v\n", c.Output, image)
	return err
}

// writeNew writes a file that is not there yet.
func writeNew(path string, content []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already and was left as it is; choose another name", path)
	}
	if err != nil {
		return err
	}
	_, err = f.Write(content)
	return errors.Join(err, f.Close())
}
