// Package hail finds out what hangs on a serial port: it listens first, and asks
// only what does no harm.
//
//	answer := hail.Ask(ctx, "/dev/ttyUSB0", hail.Options{})
//
// Asking an unknown device may disturb it: a question in the wrong language is
// noise to it, and some boards start anew when their port is opened. So this is
// done only when a person wants it, in this order:
//
//  1. Listen at 2400 baud, for a handheld meter that sends its display unasked.
//  2. If something else comes unasked, listen at the node's speed. What goes on and
//     is not understood is not asked anything: it may be a device at work.
//  3. Say hello to a node. It changes nothing there.
//  4. Ask *IDN?, which every IEEE 488.2 instrument has and which changes nothing.
//  5. Ask one register of a Modbus meter, only when told its address: on a line with
//     several devices every question goes to all, and one that takes the bytes for
//     another protocol's could switch something.
package hail

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"loomproof/probe"
	"loomproof/probe/lcdframe"
	"loomproof/probe/modbus"
	"loomproof/probe/node"
	"loomproof/probe/port"
	"loomproof/probe/scpi"
)

// Options say how to ask.
type Options struct {
	Mode   *port.Mode // of an instrument that speaks SCPI or Modbus; nil tries the usual ones
	Modbus int        // address of a Modbus meter, 1 to 247; 0 asks none
}

// An Answer is what was found out.
type Answer struct {
	Kind    string `json:"kind,omitempty"` // of source, as the source file has it; empty when nothing was understood
	Mode    string `json:"mode,omitempty"` // how the line was set
	Says    string `json:"says"`           // who answers, or why it is not known
	Problem bool   `json:"problem,omitempty"`
}

// How long to wait for each. A handheld meter sends three times a second; a board
// whose boot loader starts when its port is opened is deaf for a second or two.
const (
	listenFor    = 1200 * time.Millisecond
	helloFor     = 2500 * time.Millisecond
	helloEvery   = 500 * time.Millisecond
	identityFor  = 1200 * time.Millisecond
	unaskedWords = "something sends unasked that is not understood at 2400 or 1000000 baud, so it was not asked anything; see its manual, then watch it with its kind and mode"
)

// usualModes are what instruments come with (common practice).
var usualModes = []port.Mode{{Baud: 9600}, {Baud: 115200}}

// Ask listens to a port, and asks what hangs there.
func Ask(ctx context.Context, name string, o Options) Answer {
	heard, err := hear(ctx, name, lcdframe.Line, listenFor, nil, 0, func(b []byte) bool { return frames(b) > 1 })
	switch {
	case err != nil:
		return problem(err)
	case frames(heard) > 1:
		return Answer{Kind: "handheld meter", Mode: lcdframe.Line.String(), Says: "frames of a handheld meter's display"}
	}
	if len(heard) > 0 {
		if a, more, err := listenForNode(ctx, name); more || err != nil {
			return orProblem(a, err)
		}
	}
	if a, ok, err := askNode(ctx, name); ok || err != nil {
		return orProblem(a, err)
	}
	modes := usualModes
	if o.Mode != nil {
		modes = []port.Mode{*o.Mode}
	}
	for _, mode := range modes {
		if a, ok, err := askIdentity(ctx, name, mode); ok || err != nil {
			return orProblem(a, err)
		}
	}
	if o.Modbus > 0 {
		return askModbus(ctx, name, o)
	}
	return Answer{Says: "nothing answers: " + said(modes) + " were asked for *IDN?, 1000000 for a node; check that it is on, and its speed in its menu (--mode)"}
}

func said(modes []port.Mode) string {
	texts := make([]string, len(modes))
	for i, m := range modes {
		texts[i] = m.String()
	}
	return strings.Join(texts, " and ")
}

func problem(err error) Answer { return Answer{Says: err.Error(), Problem: true} }

func orProblem(a Answer, err error) Answer {
	if err != nil {
		return problem(err)
	}
	return a
}

// frames counts the good frames of a display.
func frames(b []byte) (n int) {
	var d lcdframe.Decoder
	for len(b) > 0 {
		f, ok, rest, _ := d.Next(b)
		if b = rest; ok {
			if _, err := f.Display(); err == nil {
				n++
			}
		}
	}
	return n
}

// hello finds a node's greeting in what came.
func hello(b []byte) (h node.Hello, ok bool) {
	var d node.Decoder
	for len(b) > 0 {
		f, rest, err := d.Next(b)
		if b = rest; err == nil && f.Type == node.HelloMessage {
			if h, err = node.ParseHello(f.Body); err == nil {
				return h, true
			}
		}
	}
	return h, false
}

// listenForNode listens for a board that has started when its port was opened.
// More is false when what spoke before has fallen silent: a greeting that is over.
func listenForNode(ctx context.Context, name string) (a Answer, more bool, err error) {
	heard, err := hear(ctx, name, node.Line, helloFor, nil, 0, hasHello)
	if h, ok := hello(heard); ok {
		return nodeAnswer(h), true, nil
	}
	return Answer{Says: unaskedWords}, len(heard) > 0, err
}

func hasHello(b []byte) bool { _, ok := hello(b); return ok }

func askNode(ctx context.Context, name string) (Answer, bool, error) {
	say := append([]byte{0}, node.AppendFrame(nil, node.HelloRequest)...)
	heard, err := hear(ctx, name, node.Line, helloFor, say, helloEvery, hasHello)
	h, ok := hello(heard)
	return nodeAnswer(h), ok, err
}

func nodeAnswer(h node.Hello) Answer {
	return Answer{
		Kind: "node", Mode: node.Line.String(),
		Says: fmt.Sprintf("a node: %d inputs of %d bits, firmware %d.%d, number %d", h.Channels, h.Bits, h.Major, h.Minor, h.ID),
	}
}

func askIdentity(ctx context.Context, name string, mode port.Mode) (Answer, bool, error) {
	// The empty line ends what the instrument may have received in part.
	heard, err := hear(ctx, name, mode, identityFor, []byte("\n*IDN?\n"), 0, func(b []byte) bool { _, ok := identity(b); return ok })
	if err != nil {
		return Answer{}, false, err
	}
	id, ok := identity(heard)
	if !ok {
		return Answer{}, false, nil
	}
	kind := "scpi meter"
	if strings.Contains(strings.ToLower(id.Model), "supply") {
		kind = "scpi supply" // as far as its name says
	}
	return Answer{Kind: kind, Mode: mode.String(), Says: fmt.Sprintf("*IDN? is answered: %s, %s, %s, %s", id.Maker, id.Model, id.Serial, id.Firmware)}, true, nil
}

// identity finds a whole line that is an identity.
func identity(b []byte) (probe.Identity, bool) {
	text := string(b)
	if end := strings.LastIndexAny(text, "\r\n"); end >= 0 {
		for line := range strings.FieldsFuncSeq(text[:end], func(r rune) bool { return r == '\r' || r == '\n' }) {
			if id, ok := scpi.ParseIdentity(line); ok {
				return id, true
			}
		}
	}
	return probe.Identity{}, false
}

// askModbus reads one register. A meter that refuses it answers, too.
func askModbus(ctx context.Context, name string, o Options) Answer {
	mode := port.Mode{Baud: 19200, Parity: port.EvenParity}
	if o.Mode != nil {
		mode = *o.Mode
	}
	conn, err := port.Open(name, mode)
	if err != nil {
		return problem(err)
	}
	m, err := modbus.Open(ctx, conn, modbus.Options{
		Name: name, Address: byte(o.Modbus), Mode: mode, Retries: -1,
		Map: &modbus.Map{Model: "unknown", Address: byte(o.Modbus), Channels: []modbus.MapChannel{{
			Name: "register 0", Quantity: probe.Voltage, Function: 3, Kind: "uint16", Order: "AB", Scale: 1, Step: 1,
		}}},
	})
	var refused *probe.Refusal
	switch {
	case err == nil:
		m.Close()
		return Answer{Kind: "modbus meter", Mode: mode.String(), Says: fmt.Sprintf("a Modbus device answers at address %d; it needs a map file", o.Modbus)}
	case errors.As(err, &refused) && refused.Reason == probe.InstrumentErr:
		return Answer{Kind: "modbus meter", Mode: mode.String(), Says: fmt.Sprintf("a Modbus device answers at address %d, and refuses register 0: %s; it needs a map file", o.Modbus, refused.Detail)}
	case errors.Is(err, probe.ErrSilent):
		return Answer{Says: fmt.Sprintf("nothing answers, and no Modbus device at address %d, %s", o.Modbus, mode)}
	}
	return problem(err)
}

// hear opens a port, says something, again and again if every is above zero, and
// gathers what comes until it is enough or the time is over.
func hear(ctx context.Context, name string, mode port.Mode, wait time.Duration, say []byte, every time.Duration, enough func([]byte) bool) ([]byte, error) {
	conn, err := port.Open(name, mode)
	if err != nil {
		return nil, err
	}
	pieces, ended := make(chan []byte), make(chan struct{})
	go func() {
		defer close(pieces)
		for {
			chunk := make([]byte, 512)
			n, err := conn.Read(chunk)
			if err != nil {
				return
			}
			select {
			case pieces <- chunk[:n]:
			case <-ended:
				return
			}
		}
	}()
	defer func() {
		close(ended)
		conn.Close()
		for range pieces { // until the reader has ended
		}
	}()

	over := time.NewTimer(wait)
	defer over.Stop()
	again := time.NewTicker(max(every, time.Millisecond))
	defer again.Stop()
	if every == 0 {
		again.Stop()
	}
	if err := write(conn, say); err != nil {
		return nil, err
	}
	var heard []byte
	for {
		select {
		case p, ok := <-pieces:
			if !ok {
				return nil, fmt.Errorf("port %s: %w while it was listened to", name, probe.ErrGone)
			}
			if heard = append(heard, p...); enough(heard) || len(heard) > 1<<16 {
				return heard, nil
			}
		case <-again.C:
			if err := write(conn, say); err != nil {
				return nil, err
			}
		case <-over.C:
			return heard, nil
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
	}
}

func write(conn port.Conn, say []byte) error {
	if len(say) == 0 {
		return nil
	}
	_, err := conn.Write(say)
	return err
}
