package main

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"golang.org/x/term"

	"loomproof/dashboard/watch"
	"loomproof/probe/sources"
)

type watchCommand struct {
	What []string `arg:"" optional:"" name:"source" help:"Which sources, or SOURCE/CHANNEL: 'bench meter/voltage'. Default: all, each with its first channel."`
	named
	AtLeast *float64      `placeholder:"VALUE" help:"Lower limit of what is watched, in its SI unit."`
	AtMost  *float64      `placeholder:"VALUE" help:"Upper limit of what is watched, in its SI unit."`
	Count   int           `help:"End after so many readings of each."`
	For     time.Duration `placeholder:"DURATION" help:"End after so long, as 30s or 5m."`
	JSON    bool          `name:"json" help:"One JSON object a line, for scripts: at, source, channel, value (null without a reading), unit, uncertainty (k = 2), limits, refused, trouble."`
}

func (watchCommand) Help() string {
	return `Live readings in large digits, with least, mean and most, the place between limits, the rate, and what is wrong
when there is no fresh reading. The space bar marks a reading, r resets, q ends. Where the output is no terminal
each reading is a line. NO_COLOR in the environment leaves colour out; nothing is said by colour alone.

Ends with 2 where something that was watched gave no reading.

Example:

    loomproof watch --sources sources.yaml "bench meter/voltage" --at-least 13.8 --at-most 14.4

` + exitCodes
}

func (c watchCommand) Run(w *world) error {
	if c.Count < 0 || c.For < 0 {
		return usage{errors.New("--count and --for are above 0")}
	}
	if c.AtLeast != nil && c.AtMost != nil && *c.AtLeast > *c.AtMost {
		return usage{fmt.Errorf("--at-least %g is above --at-most %g", *c.AtLeast, *c.AtMost)}
	}
	f, err := c.file()
	if err != nil {
		return err
	}
	if len(f.Names()) == 0 {
		return usage{errors.New("no sources; name them with --sources FILE or --source LINE")}
	}
	watched, err := chosen(f, c.What)
	if err != nil {
		return err
	}
	defer func() {
		for _, one := range watched {
			one.Source.Close()
		}
	}()
	o := watch.Options{Watched: watched, Limits: watch.Limits{Low: c.AtLeast, High: c.AtMost}, Out: w.out, JSON: c.JSON, Count: c.Count, For: c.For}
	defer onTerminal(w, &o)()
	err = watch.Run(w.ctx, o)
	if errors.Is(err, watch.ErrNothing) {
		return exit(exitIncomplete)
	}
	return err
}

// chosen finds the sources that were named, each as NAME or NAME/CHANNEL.
func chosen(f *sources.File, names []string) ([]watch.Watched, error) {
	all, err := f.Sources()
	if err != nil {
		return nil, err
	}
	if len(names) == 0 {
		names = f.Names()
	}
	var out []watch.Watched
	for _, text := range names {
		name, channel, _ := strings.Cut(text, "/")
		i := slices.Index(f.Names(), name)
		if i < 0 {
			return nil, usage{fmt.Errorf("there is no source %q; there are: %s", name, strings.Join(f.Names(), ", "))}
		}
		out = append(out, watch.Watched{Source: all[i], Name: name, Channel: channel})
	}
	return out, nil
}

// onTerminal makes a screen and takes keys where there is a terminal. It returns
// what puts the terminal back.
func onTerminal(w *world, o *watch.Options) (back func()) {
	screen, ok := w.out.(*os.File)
	if o.JSON || !ok || !term.IsTerminal(int(screen.Fd())) {
		return func() {}
	}
	o.Live = true
	o.Colour = os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"
	o.Width = func() int {
		if width, _, err := term.GetSize(int(screen.Fd())); err == nil && width > 0 {
			return width
		}
		return 80
	}
	keyboard, ok := w.in.(*os.File)
	if !ok || !term.IsTerminal(int(keyboard.Fd())) {
		return func() {}
	}
	was, err := term.MakeRaw(int(keyboard.Fd()))
	if err != nil {
		return func() {}
	}
	keys := make(chan byte)
	o.Keys = keys
	go func() { // ends with the program: a read of the keyboard cannot be stopped
		key := make([]byte, 1)
		for {
			if _, err := keyboard.Read(key); err != nil {
				return
			}
			keys <- key[0]
		}
	}()
	return func() { _ = term.Restore(int(keyboard.Fd()), was) }
}
