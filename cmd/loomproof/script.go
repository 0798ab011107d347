package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"loomproof/checks/design"
	"loomproof/checks/mockup"
	"loomproof/checks/procedure"
	"loomproof/checks/rehearsal"
	"loomproof/checks/sandbox"
	"loomproof/scripts"
)

type scriptCommand struct {
	List  scriptListCommand  `cmd:"" help:"List the procedures that come with the program."`
	Copy  scriptCopyCommand  `cmd:"" help:"Copy one into a file, to change it."`
	Check scriptCheckCommand `cmd:"" help:"Find what is wrong with a script before anything is live."`
	Words scriptWordsCommand `cmd:"" help:"What a script can use, each with an example."`
}

func (scriptCommand) Help() string {
	return `Copy a procedure, change it, check it, and perform it: loomproof perform mine.star my-aircraft.yaml

Example:

    loomproof script copy first-power-on -o mine.star

` + exitCodes
}

type scriptListCommand struct{}

func (scriptListCommand) Help() string {
	return `In the order of the job, with the instruments that each needs.

Example:

    loomproof script list

` + exitCodes
}

func (scriptListCommand) Run(w *world) error {
	for _, name := range scripts.Procedures() {
		text, _ := scripts.Procedure(name)
		needs := strings.Join(scripts.Needs(text), ", ")
		if needs == "" {
			needs = "no instrument"
		}
		fmt.Fprintf(w.out, "%-16s needs %s\n", name, needs)
	}
	return nil
}

type scriptCopyCommand struct {
	Name   string `arg:"" help:"Which procedure."`
	Output string `short:"o" type:"path" placeholder:"FILE" help:"Write it here, to a new file that ends in .star. Default: standard output."`
}

func (scriptCopyCommand) Help() string {
	return `Example:

    loomproof script copy first-power-on -o mine.star

` + exitCodes
}

func (c scriptCopyCommand) Run(w *world) error {
	text, ok := scripts.Procedure(c.Name)
	switch {
	case !ok:
		return usage{fmt.Errorf("there is no procedure %q; there are: %s", c.Name, strings.Join(scripts.Procedures(), ", "))}
	case c.Output == "":
		_, err := w.out.Write(text)
		return err
	case !scripts.IsFile(c.Output):
		return usage{fmt.Errorf("%s: a script's file ends in .star", c.Output)}
	}
	if err := writeNew(c.Output, bytesOf(text)); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w.out, "%s: change it, then type: loomproof script check %s\n", c.Output, filepath.Base(c.Output))
	return err
}

type scriptCheckCommand struct {
	File   string   `arg:"" help:"The script: a file that ends in .star, or one of ours by name."`
	Design []string `type:"path" placeholder:"FILE" help:"Rehearse it on this design; may be given several times. Default: our two examples."`
	Fault  []string `placeholder:"NAME" help:"Rehearse it with this fault, too; may be given several times, or all. demo --list-faults lists them. Default: short-to-airframe."`
	JSON   bool     `name:"json" help:"Print what was found as JSON."`
}

func (scriptCheckCommand) Help() string {
	return `Compiles the script and rehearses it on each design, and on the first of them with each fault. Wrong is what
would end it with an error; look is what no rehearsal has come to, or never will. Nothing is touched.

Example:

    loomproof script check mine.star --design my-aircraft.yaml --fault all

Exit codes: 0 nothing is wrong, 1 something is, 3 could not, 64 wrong usage.`
}

func (c scriptCheckCommand) Run(w *world) error {
	name, text, err := scripts.Load(c.File)
	if err != nil {
		return usage{err}
	}
	designs, err := c.designs()
	if err != nil {
		return err
	}
	faults, err := c.faults()
	if err != nil {
		return usage{err}
	}
	kit := rehearsal.GoodKit()
	var all []rehearsal.Options
	for _, d := range designs {
		all = append(all, rehearsal.Options{Design: d, Name: name, Script: text, Kit: kit, Interpreter: sandbox.Apart})
	}
	if needs := scripts.Needs(text); slices.Contains(needs, "meter") && !slices.Contains(needs, "supply") {
		alone := rehearsal.Kit{Meter: kit.Meter}
		all = append(all, rehearsal.Options{Design: designs[0], Name: name, Script: text, Kit: alone, Interpreter: sandbox.Apart})
	}
	found, err := rehearsal.Check(w.ctx, all, faults)
	if err != nil {
		return err
	}
	if c.JSON {
		err = writeJSON(w.out, found)
	} else {
		for _, x := range found.Complaints {
			fmt.Fprintln(w.out, x)
		}
		fmt.Fprintf(w.out, "%s: %d of %d rehearsals came to their end, %d of %d calls were reached\n", name, found.Runs, len(all)+len(faults), found.Reached, found.Calls)
	}
	if err == nil && found.Wrong() {
		return exit(exitFail)
	}
	return err
}

func (c scriptCheckCommand) designs() ([]*design.Design, error) {
	var out []*design.Design
	for _, path := range c.Design {
		d, err := readDesign(path)
		if err != nil {
			return nil, err
		}
		out = append(out, d)
	}
	if len(out) > 0 {
		return out, nil
	}
	for _, name := range []string{"marsh-hen", "marsh-hen-28"} {
		text, _ := scripts.Design(name)
		d, err := design.Parse(name+".yaml", text)
		if err != nil {
			return nil, err
		}
		out = append(out, d)
	}
	return out, nil
}

// faults are those to rehearse with. They are made for the Marsh Hen: with designs
// of one's own there is none by default.
func (c scriptCheckCommand) faults() ([]mockup.Planted, error) {
	names := c.Fault
	if len(names) == 0 && len(c.Design) == 0 {
		names = []string{"short-to-airframe"}
	}
	var out []mockup.Planted
	for _, name := range names {
		if name == "all" {
			return mockup.Everything(), nil
		}
		f, ok := mockup.Find(name)
		if !ok {
			return nil, errors.New("there is no fault \"" + name + "\"; demo --list-faults lists them")
		}
		out = append(out, f)
	}
	return out, nil
}

type scriptWordsCommand struct{}

func (scriptWordsCommand) Help() string {
	return `The same list stands in scripts/WORDS.md of the sources.

Example:

    loomproof script words

` + exitCodes
}

func (scriptWordsCommand) Run(w *world) error { return procedure.ListScriptWords(w.out) }
