// Loomproof checks the installed electrics of a light kit aircraft against
// their design, and leaves evidence. One file per command; what a command does
// is in the packages below.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strconv"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"

	"loomproof/checks/sandbox"
)

// The exit codes, the same for every command; they are interface.
const (
	exitFail       = 1  // a fail verdict, or a desk-check error
	exitIncomplete = 2  // undecided or incomplete
	exitCouldNot   = 3  // port, file or store
	exitUsage      = 64 // wrong usage
)

const exitCodes = `Exit codes: 0 done or pass, 1 fail, 2 undecided or incomplete, 3 could not (port, file, store), 64 wrong usage.`

// dashboardAddress is where the dashboard listens if nothing else is said.
const dashboardAddress = "127.0.0.1:8470"

type commands struct {
	Demo      demoCommand      `cmd:"" help:"Perform the first power-on of an invented aircraft on an emulated bench, with one planted fault."`
	Perform   performCommand   `cmd:"" help:"Perform a procedure on an aircraft, with real instruments."`
	Serve     serveCommand     `cmd:"" help:"Stand by as a daemon: instruments, worksheets, dashboard, metrics."`
	Record    recordCommand    `cmd:"" help:"Record channels of the instruments, as on a ground run."`
	Import    importCommand    `cmd:"" help:"Copy somebody else's log into the logbook as a recording."`
	Report    reportCommand    `cmd:"" help:"Print the report of a worksheet."`
	Compare   compareCommand   `cmd:"" help:"Say what has crept since an earlier worksheet."`
	Why       whyCommand       `cmd:"" help:"Say which faults explain the readings of a worksheet, and where to measure next."`
	Script    scriptCommand    `cmd:"" help:"Scripts of procedures: list ours, copy one, check one of your own, the words they can use."`
	Sign      signCommand      `cmd:"" help:"Close a worksheet and sign it."`
	Amend     amendCommand     `cmd:"" help:"Add a signed remark to a closed worksheet."`
	Verify    verifyCommand    `cmd:"" help:"Find what was changed in a worksheet since it was written and signed."`
	Export    exportCommand    `cmd:"" help:"Write a worksheet into a folder: its records to verify, steps and readings as CSV and JSON."`
	New       newCommand       `cmd:"" help:"Write a design file to start from, or make one of a spreadsheet wire list."`
	Desk      deskCommand      `cmd:"" help:"Check a design at the desk: wire, protectors, drops, sources, layout."`
	Expect    expectCommand    `cmd:"" help:"Print the design value and limit of every point in a state."`
	Node      nodeCommand      `cmd:"" help:"Our own board: its firmware."`
	Calibrate calibrateCommand `cmd:"" help:"Compare a source with a better instrument, and keep what its readings are worth."`
	Watch     watchCommand     `cmd:"" help:"Show live readings in large digits, or as lines for scripts."`
	Ports     portsCommand     `cmd:"" help:"List what is plugged in, why a port cannot be used, and with --ask what answers there."`
	Analyse   analyseCommand   `cmd:"" help:"Say what a recording of the charging system shows."`
	Version   versionCommand   `cmd:"" help:"Print the version."`
}

// world is what commands may touch.
type world struct {
	ctx context.Context
	in  io.Reader
	out io.Writer // what was asked for
	err io.Writer // everything else
}

// exit is an error that is only an exit code: what there is to say was said.
type exit int

func (e exit) Error() string { return fmt.Sprintf("exit %d", int(e)) }

// usage is a mistake in the command's words.
type usage struct{ error }

func main() {
	sandbox.Serve()
	os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

func run(args []string, in io.Reader, out, errOut io.Writer) (code int) {
	// The first signal stops in order: output off, then the journal. A second
	// one stops at once.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)

	helped := false
	parser, err := kong.New(&commands{},
		kong.Name("loomproof"),
		kong.Description("Checks the installed electrics of a light kit aircraft against their design, and leaves evidence.\n\n"+exitCodes),
		kong.Vars{"dashboard": dashboardAddress},
		kong.UsageOnError(), kong.Writers(out, errOut),
		kong.Exit(func(int) { helped = true }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 100}),
	)
	if err != nil {
		fmt.Fprintln(errOut, "loomproof:", err)
		return exitCouldNot
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	parsed, err := parser.Parse(withNegatives(args))
	if helped {
		return 0
	}
	if err != nil {
		return wrongUsage(errOut, parsed, err)
	}
	w := &world{ctx: ctx, in: in, out: out, err: errOut}
	err = parsed.Run(w)
	var code2 exit
	var wrong usage
	switch {
	case err == nil:
		return 0
	case errors.As(err, &code2):
		return int(code2)
	case errors.As(err, &wrong):
		return wrongUsage(errOut, parsed, wrong.error)
	case errors.Is(err, context.Canceled):
		fmt.Fprintln(errOut, "loomproof: stopped:", err)
		return exitIncomplete
	}
	fmt.Fprintln(errOut, "loomproof:", err)
	return exitCouldNot
}

// withNegatives joins a number below 0 to the flag before it: it is its value, not
// another flag. What it may be, the command says.
func withNegatives(args []string) []string {
	var out []string
	for _, a := range args {
		last := len(out) - 1
		if _, err := strconv.ParseFloat(a, 64); err == nil && strings.HasPrefix(a, "-") && last >= 0 && strings.HasPrefix(out[last], "--") && !strings.Contains(out[last], "=") {
			out[last] += "=" + a
			continue
		}
		out = append(out, a)
	}
	return out
}

func wrongUsage(out io.Writer, parsed *kong.Context, err error) int {
	name := "loomproof"
	var parse *kong.ParseError
	if errors.As(err, &parse) {
		parsed = parse.Context
	}
	if parsed != nil && parsed.Command() != "" {
		name, _, _ = strings.Cut("loomproof "+parsed.Command(), " <")
	}
	fmt.Fprintf(out, "loomproof: %v\n", err)
	switch {
	case parsed != nil && parsed.Selected() != nil:
		fmt.Fprintf(out, "Type: loomproof %s\n", parsed.Selected().Summary())
	case parsed != nil:
		fmt.Fprintf(out, "Commands: %s\n", strings.Join(commandNames(parsed), ", "))
	}
	fmt.Fprintf(out, "Try: %s --help\n", name)
	return exitUsage
}

func commandNames(c *kong.Context) []string {
	var names []string
	for _, n := range c.Model.Children {
		names = append(names, n.Name)
	}
	return names
}

// version is what reports name the program by.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "loomproof (unknown build)"
	}
	v := "loomproof " + strings.Trim(info.Main.Version, "()")
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			v += " " + s.Value[:12]
		}
	}
	return v
}

type versionCommand struct{}

func (versionCommand) Help() string {
	return `Reports name the program by it.

Example:

    loomproof version

` + exitCodes
}

func (versionCommand) Run(w *world) error {
	_, err := fmt.Fprintln(w.out, version())
	return err
}
