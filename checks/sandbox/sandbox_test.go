package sandbox

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	Serve()
	goleak.VerifyTestMain(m)
}

var errWord = errors.New("there is no such circuit")

// asked makes the words of these tests; calls are kept.
func asked(calls *[]string) starlark.StringDict {
	word := func(name string, do func(args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error)) *starlark.Builtin {
		return starlark.NewBuiltin(name, func(t *starlark.Thread, _ *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			*calls = append(*calls, fmt.Sprintf("%s %s %v %v", Place(t), name, args, kwargs))
			return do(args, kwargs)
		})
	}
	return starlark.StringDict{
		"circuits": starlark.NewList([]starlark.Value{starlarkstruct.FromStringDict(starlark.String("circuit"), starlark.StringDict{"name": starlark.String("radio"), "rating": starlark.Float(7.5)})}),
		"echo": word("echo", func(args starlark.Tuple, _ []starlark.Tuple) (starlark.Value, error) {
			return args[0], nil
		}),
		"wrong": word("wrong", func(starlark.Tuple, []starlark.Tuple) (starlark.Value, error) { return nil, errWord }),
	}
}

// Whatever crosses the pipe comes back as it was, and both ways to run a script
// do the same.
func TestApartDoesAsHere(t *testing.T) {
	for name, script := range map[string]string{
		"values": `
x = [None, True, 3, 1 << 80, 0.1, float("inf"), "µ\n", (1, "a"), {"k": [1, 2]}, circuits[0], [[]]]
for v in x:
    if echo(v) != v or type(echo(v)) != type(v): wrong()
if circuits[0].rating != 7.5 or circuits[0].name != "radio": wrong()
`,
		"named":          "echo(1, b = [2], a = 'x')\n",
		"a word fails":   "def f():\n    wrong(3)\nf()\n",
		"a range":        "echo(range(3))\n",
		"no such name":   "echo(1)\nno_such(2)\nnor_this = other\n",
		"syntax":         "echo(1)\ndef (\n",
		"divided":        "echo(1)\nx = 1 / (2 - 2)\n",
		"stopped":        "def f(n):\n    fail('no good: ' + str(n))\nf(3)\n",
		"recursion":      "def f(n):\n    return f(n + 1)\nf(1)\n",
		"answer is kept": "x = echo([1])\nx.append(2)\n",
	} {
		t.Run(name, func(t *testing.T) {
			var here, apart []string
			inHere := Here(t.Context(), Program{Name: "x.star", Text: []byte(script), Words: asked(&here)})
			inApart := Apart(t.Context(), Program{Name: "x.star", Text: []byte(script), Words: asked(&apart)})
			if name == "answer is kept" { // Here has no copy to freeze
				require.NoError(t, inHere)
				assert.ErrorContains(t, inApart, "x.star:2:9: append: cannot append to frozen list")
				return
			}
			if name == "a range" {
				assert.Equal(t, []string{"x.star:1:5 echo ([0, 1, 2],) []"}, apart)
				return
			}
			assert.Equal(t, here, apart)
			assert.Equal(t, fmt.Sprint(inHere), fmt.Sprint(inApart))
			if inHere != nil {
				var e *Error
				require.ErrorAs(t, inApart, &e)
				assert.True(t, strings.HasPrefix(e.At, "x.star:"), e.At)
				assert.Equal(t, errors.Is(inHere, errWord), errors.Is(inApart, errWord))
			}
		})
	}
}

func TestErrorsPointAtTheLine(t *testing.T) {
	var calls []string
	err := Apart(t.Context(), Program{Name: "mine.star", Text: []byte("echo(1)\ndef f():\n    wrong()\nf()\n"), Words: asked(&calls)})
	assert.EqualError(t, err, "mine.star:3:10: there is no such circuit")
	err = Apart(t.Context(), Program{Name: "mine.star", Text: []byte("one()\ntwo()\n"), Words: asked(&calls)})
	assert.EqualError(t, err, "mine.star:1:1: undefined: one\nmine.star:2:1: undefined: two")
}

// Each way to take more than there is ends within its bound, with what it was
// and where. What the script asked before has been done.
func TestBounds(t *testing.T) {
	for name, c := range map[string]struct{ script, want string }{
		"one long text":     {"x = 'x' * 1000000000", "MB of memory"},
		"a list doubled":    {"x = [1]\nwhile True:\n    x = x + x", "MB of memory"},
		"many small":        {"x = []\nwhile True:\n    x.append([1] * 100)", "MB of memory"},
		"no end":            {"x = 0\nwhile True:\n    x += 1", "does a loop never end?"},
		"recursion":         {"f()", "called recursively"},
		"prints":            {"while True:\n    print('y' * 1000)", "does a loop never end?"},
		"too much to say":   {"echo('x' * 5000000)", "too much for one call"},
		"a list in itself":  {"x = []\nx.append(x)\necho(x)", "lists in lists go deeper"},
		"a long range":      {"echo(range(1000000000))", "a list of more than"},
		"a function handed": {"echo(len)", "cannot be handed"},
		"a large number":    {"x = 3\nwhile True:\n    x = x * x", "asks for nothing"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var calls []string
			text := "echo('before')\ndef f():\n    " + strings.ReplaceAll(c.script, "\n", "\n    ") + "\nf()\n"
			silence := time.Minute
			if c.want == "asks for nothing" {
				silence = 300 * time.Millisecond // one multiplication of large numbers cannot be stopped otherwise
			}
			err := Apart(t.Context(), Program{Name: "mine.star", Text: []byte(text), Words: asked(&calls), silence: silence})
			var e *Error
			require.ErrorAs(t, err, &e)
			assert.ErrorContains(t, err, c.want)
			assert.True(t, strings.HasPrefix(e.At, "mine.star:"), "%v", err)
			assert.Len(t, calls, 1, "what it asked before was done")
			t.Log(err)
		})
	}
}

// A script that only reckons is ended by the parent's clock, even inside one
// operation.
func TestSilenceIsBounded(t *testing.T) {
	var calls []string
	script := "echo('before')\nwhile True: pass\n"
	err := Apart(t.Context(), Program{Name: "mine.star", Text: []byte(script), Words: asked(&calls), silence: time.Millisecond})
	assert.ErrorContains(t, err, "asks for nothing")
}

func TestTheContextEndsIt(t *testing.T) {
	ctx, cancel := context.WithCancelCause(t.Context())
	stop := starlark.NewBuiltin("stop", func(*starlark.Thread, *starlark.Builtin, starlark.Tuple, []starlark.Tuple) (starlark.Value, error) {
		cancel(errWord)
		return starlark.None, nil
	})
	for name, run := range map[string]func(context.Context, Program) error{"here": Here, "apart": Apart} {
		err := run(ctx, Program{Name: "x.star", Text: []byte("stop()\nwhile True:\n    pass\n"), Words: starlark.StringDict{"stop": stop}})
		assert.ErrorIs(t, err, errWord, name)
	}
}

// A child that is killed is told with what it asked for last.
func TestAKilledChildIsTold(t *testing.T) {
	var pid int
	words := starlark.StringDict{"die": starlark.NewBuiltin("die", func(*starlark.Thread, *starlark.Builtin, starlark.Tuple, []starlark.Tuple) (starlark.Value, error) {
		p, err := os.FindProcess(pid)
		require.NoError(t, err)
		return starlark.None, p.Kill()
	})}
	spawned = func(n int) { pid = n }
	defer func() { spawned = func(int) {} }()
	err := Apart(t.Context(), Program{Name: "x.star", Text: []byte("x = 1\ndie()\nwhile True:\n    pass\n"), Words: words})
	assert.ErrorContains(t, err, "x.star:2:4: its process ended by itself")
}

// A word's cost over the pipe, and in this process.
func BenchmarkCall(b *testing.B) {
	for name, run := range map[string]func(context.Context, Program) error{"here": Here, "apart": Apart} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			words := starlark.StringDict{"say": starlark.NewBuiltin("say", func(*starlark.Thread, *starlark.Builtin, starlark.Tuple, []starlark.Tuple) (starlark.Value, error) {
				return starlark.None, nil
			})}
			for left := b.N; left > 0; left -= 100_000 {
				text := fmt.Sprintf("for i in range(%d):\n    say('a question', 1.5)\n", min(left, 100_000))
				if err := run(b.Context(), Program{Name: "x.star", Text: []byte(text), Words: words}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// What a child process costs before the script's first line.
func BenchmarkStart(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if err := Apart(b.Context(), Program{Name: "x.star", Text: []byte("x = 1\n")}); err != nil {
			b.Fatal(err)
		}
	}
}
