package main

import (
	"fmt"
	"os"
	"path/filepath"
	"sync/atomic"

	"github.com/rogpeppe/go-internal/testscript"

	"loomproof/probe/bench"
	"loomproof/probe/port"
)

// testsTree in the environment is the folder that stands for what the system
// knows of its ports.
const testsTree = "LOOMPROOF_TEST_TREE"

// mainAtTheTestsDesk is the program on a computer with emulated leads.
func mainAtTheTestsDesk() {
	if dir := os.Getenv(testsTree); dir != "" {
		port.UseTree(port.Tree{Sys: filepath.Join(dir, "sys"), Dev: filepath.Join(dir, "dev"), Proc: filepath.Join(dir, "proc")})
	}
	main()
}

// plugIn gives a script that has a folder called leads its own computer: a meter
// at 12.6 V (its noise a tenth of a millivolt) behind ttyUSB0, a supply behind ttyUSB1,
// and a lead that a program called logger holds behind ttyUSB2.
func plugIn(e *testscript.Env) error {
	if _, err := os.Stat(filepath.Join(e.WorkDir, "leads")); err != nil {
		return nil
	}
	hub, err := bench.NewHub(filepath.Join(e.WorkDir, "desk"))
	if err != nil {
		return err
	}
	e.Setenv(testsTree, filepath.Join(e.WorkDir, "desk"))
	var turn atomic.Int64
	meter := bench.NewMeter(func() (float64, bool) { return 12.6 + float64(turn.Add(1)%3-1)/10000, true }, bench.MeterOptions{})
	supply := bench.NewSupply(fixedWorld{}, bench.SupplyOptions{})
	for i, serve := range []func(*bench.Cable){
		func(c *bench.Cable) { _ = meter.Serve(c.Device()) },
		func(c *bench.Cable) { _ = supply.Serve(c.Device()) },
		func(*bench.Cable) {},
	} {
		cable, err := bench.NewCable()
		if err != nil {
			return err
		}
		e.Defer(func() { cable.Close() })
		go serve(cable)
		lead := bench.Adapter{Vendor: "16c0", Product: "05dc", Serial: fmt.Sprintf("MH004%d", i+2), Maker: "Reedbed", Text: "Serial lead", Driver: "ftdi_sio", Socket: fmt.Sprintf("1-%d", i+1)}
		if err := hub.Plug(fmt.Sprintf("ttyUSB%d", i), lead, cable); err != nil {
			return err
		}
	}
	return hub.Hold("ttyUSB2", 4242, "logger")
}

// fixedWorld is what the supply feeds.
type fixedWorld struct{}

func (fixedWorld) Drive(float64, float64, bool)     {}
func (fixedWorld) Output() (volts, amperes float64) { return 13.8, 1.5 }
