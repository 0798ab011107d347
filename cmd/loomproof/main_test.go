package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"image"
	"image/png"
	"os"
	"os/exec"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/sandbox"
	"loomproof/probe/bench"
	"loomproof/probe/port"
	"loomproof/scripts"
)

// asProgram in the environment makes this test binary be the program.
const asProgram = "LOOMPROOF_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	sandbox.Serve()
	if os.Getenv(asProgram) != "" {
		mainAtTheTestsDesk()
	}
	testscript.Main(m, map[string]func(){"loomproof": mainAtTheTestsDesk})
}

func TestScripts(t *testing.T) {
	busy := busyPort(t)
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		Cmds:                map[string]func(*testscript.TestScript, bool, []string){"exits": exits, "matches": matches, "oneobject": oneObject},
		Setup: func(e *testscript.Env) error {
			e.Setenv("BUSY_PORT", busy)
			if err := plugIn(e); err != nil {
				return err
			}
			var picture bytes.Buffer
			if err := errors.Join(png.Encode(&picture, image.NewGray(image.Rect(0, 0, 8, 6))), os.WriteFile(e.WorkDir+"/picture.png", picture.Bytes(), 0o600)); err != nil {
				return err
			}
			text, _ := scripts.Design("marsh-hen")
			return os.WriteFile(e.WorkDir+"/marsh-hen.yaml", text, 0o600)
		},
	})
}

// exits runs a program and asks for its exact exit code: exits 64 loomproof perform.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE PROGRAM ARGUMENT...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	var exit *exec.ExitError
	if err := ts.Exec(args[1], args[2:]...); errors.As(err, &exit) {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}

// matches compares two files that must be the same: matches first.json second.json.
func matches(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: matches FILE FILE")
	}
	if same := ts.ReadFile(args[0]) == ts.ReadFile(args[1]); same == neg {
		ts.Fatalf("%s and %s: same is %v", args[0], args[1], same)
	}
}

// oneObject asks for a file that is one JSON object and nothing else, with a
// text in a field: oneobject out.json verdict fail.
func oneObject(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: oneobject FILE FIELD TEXT")
	}
	var object map[string]any
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[0])), &object))
	if object[args[1]] != args[2] {
		ts.Fatalf("%s is %v, want %s", args[1], object[args[1]], args[2])
	}
}

// busyPort is a serial port that another program, this test, has open.
func busyPort(t *testing.T) string {
	t.Helper()
	cable, err := bench.NewCable()
	require.NoError(t, err)
	conn, err := cable.Open(port.Mode{})
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close(); cable.Close() })
	return cable.Name()
}

// names are the commands there are.
func names() []string {
	var out []string
	for f := range reflect.TypeFor[commands]().Fields() {
		out = append(out, strings.ToLower(f.Name))
	}
	return out
}

// Every command explains itself on standard output, with an example and its
// exit codes, and turns down a flag that it does not have.
func TestEveryCommandHelpsAndRefuses(t *testing.T) {
	require.Greater(t, len(names()), 4)
	for _, name := range names() {
		t.Run(name, func(t *testing.T) {
			var out, errOut bytes.Buffer
			assert.Equal(t, 0, run([]string{name, "--help"}, nil, &out, &errOut))
			assert.Contains(t, out.String(), "Example:\n\n    loomproof "+name, "each on a line of its own")
			assert.NotRegexp(t, `\w.* loomproof .* loomproof`, out.String(), "no two run together")
			assert.Contains(t, out.String(), "Exit codes:")
			assert.Empty(t, errOut.String())

			out.Reset()
			assert.Equal(t, exitUsage, run([]string{name, "--no-such-flag"}, nil, &out, &errOut))
			assert.Contains(t, errOut.String(), "--no-such-flag")
			assert.Contains(t, errOut.String(), "Try: loomproof "+name+" --help\n")
			assert.Empty(t, out.String(), "standard output is for what was asked for")
		})
	}
}
