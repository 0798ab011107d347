// Package plugged says what is plugged in: the serial ports, what the system knows
// of each, and with asking what answers there.
//
//	l, err := plugged.List(ctx, plugged.Options{Ask: true})
//	l.Text(w); l.JSON(w)
package plugged

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"sync"

	"loomproof/probe/hail"
	"loomproof/probe/port"
)

// Options say what to find out.
type Options struct {
	Ask bool // open each port, listen and ask; see package hail
	hail.Options
}

// A Port is one port, with what answers there.
type Port struct {
	port.Info
	Answer *hail.Answer `json:"answer,omitempty"` // nil when it was not asked
}

// Ports are all there are.
type Ports []Port

// List finds the ports. Those that cannot be opened now are not asked.
func List(ctx context.Context, o Options) (Ports, error) {
	infos, err := port.List()
	if err != nil {
		return nil, err
	}
	all := make(Ports, len(infos))
	var asking sync.WaitGroup
	for i := range infos {
		all[i].Info = infos[i]
		if o.Ask && infos[i].Problem == "" {
			asking.Go(func() {
				a := hail.Ask(ctx, infos[i].Name, o.Options)
				all[i].Answer = &a
			})
		}
	}
	asking.Wait()
	return all, ctx.Err()
}

// Unreadable tells whether there is a port that cannot be used now.
func (p Ports) Unreadable() bool {
	for _, one := range p {
		if one.Problem != "" || one.Answer != nil && one.Answer.Problem {
			return true
		}
	}
	return false
}

// JSON writes one list for machines.
func (p Ports) JSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(p)
}

// Text writes the list for people.
func (p Ports) Text(w io.Writer) error {
	var b strings.Builder
	if len(p) == 0 {
		b.WriteString("No serial port is there. Plug the lead in; if it is, look for its driver.\n")
	}
	for _, one := range p {
		one.text(&b)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (p Port) text(b *strings.Builder) {
	fmt.Fprintln(b, p.String())
	line := func(name, text string) {
		if text != "" {
			fmt.Fprintf(b, "    %-11s %s\n", name, text)
		}
	}
	line("in a file", fileLine(p))
	line("device", p.Lasting)
	line("socket", p.Socket)
	line("driver", p.Driver)
	line("PROBLEM", p.Problem)
	if p.Answer == nil {
		return
	}
	if p.Answer.Problem {
		line("PROBLEM", p.Answer.Says)
		return
	}
	line("there", p.Answer.Says)
	if p.Answer.Kind != "" {
		line("", fmt.Sprintf("kind: %s, mode: %s", p.Answer.Kind, p.Answer.Mode))
	}
}

// fileLine is how a source file names the port, so that it is found wherever it
// is plugged in.
func fileLine(p Port) string {
	if usb := p.USB(); usb != "" {
		return "port: " + usb
	}
	return "port: " + p.Name
}
