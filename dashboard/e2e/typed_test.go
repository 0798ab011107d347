package e2e

import (
	"context"
	"fmt"
	"io"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/dashboard/access"
	"loomproof/dashboard/report"
	"loomproof/dashboard/terminal"
	"loomproof/dashboard/web"
	"loomproof/scripts"
)

// A printout is what a terminal printed, for several to look at.
type printout struct {
	mu   sync.Mutex
	text strings.Builder
}

func (p *printout) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.text.Write(b)
}

func (p *printout) has(what string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return strings.Contains(p.text.String(), what)
}

// What is typed for a number on the page is read as at the terminal: with unit and
// prefix, a minus, above what the instrument shows; what is none is refused there
// and here in the same words, and the question stands.
func TestTypedOnThePageAsAtTheTerminal(t *testing.T) {
	const script = `
check("insulation", "radio", typed("Insulation tester?", "resistance", "radio.load+", what = "insulation", least = 0, most = 1e12), low = 1e6, rule = "a test")
check("noise", "intercom", typed("At the jack?", "voltage", "intercom.load+", what = "noise", least = -1, most = 10), high = 0.1, rule = "a test")
check("heading", "panel", typed("Compass?", "angle", "090", what = "compass heading", least = 0, most = 360), low = 80, high = 100, rule = "a test")
`
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	desk, book := perform(t, d, script)
	server := httptest.NewServer(access.Local(web.New(web.Options{Desk: desk, Book: book})))
	t.Cleanup(server.Close)

	in, fingers := io.Pipe()
	said := &printout{}
	ctx, stop := context.WithCancel(t.Context())
	shown := make(chan struct{})
	go func() {
		defer close(shown)
		(&terminal.Terminal{Desk: desk, Out: said, In: in, By: builder}).Run(ctx)
	}()
	t.Cleanup(func() { stop(); _ = fingers.Close(); <-shown })

	b := &bench{page: openPage(t, server.URL)}
	b.do(chromedp.SendKeys(chromedp.ID("by"), builder+"\r"))
	asked := 0
	for _, x := range []struct {
		how  string // what the page says of how to type it
		no   map[string]string
		take string
	}{
		{"as > 550M", map[string]string{
			"12.4 V": "wrong unit", "OL": "above what?", "lots": "is no number", "1,200": "two ways", "-5": "cannot be", ">2e3": "wrong unit",
		}, "> 550 M"},
		{"as 12.4 or -0.3", map[string]string{
			"OL": "choose a higher range", "> 20": "choose a higher range", "-2": "cannot be", "4 V AC": "turn the meter to DC", "20": "cannot be", "3 Ω": "wrong unit",
		}, "-40 mV"},
		{"In °", map[string]string{"east": "digits only", "370": "cannot be", "  ": "is no number"}, "92,5"},
	} {
		asked = b.question(asked)
		assert.Contains(t, value[string](b.page, `document.querySelector("#answers .how").textContent`), x.how)
		assert.Contains(t, value[string](b.page, `document.querySelector("#answers input").getAttribute("aria-label")`), x.how)
		for line, why := range x.no {
			value[bool](b.page, `(document.getElementById("refused").textContent = "", document.querySelector("#answers input").value = "", true)`)
			b.do(chromedp.SendKeys("#answers input", line+"\r"))
			b.until(`document.getElementById("refused").textContent`)
			refused := value[string](b.page, `document.getElementById("refused").textContent.trim()`)
			assert.Contains(t, refused, why, line)
			_, err := fmt.Fprintln(fingers, line)
			require.NoError(t, err)
			same := strings.ReplaceAll(refused, `"  "`, `""`) // the terminal takes the spaces off first
			assert.Eventually(t, func() bool { return said.has(same) }, patience, 10*time.Millisecond, "the terminal on %q: %s", line, same)
			assert.Equal(t, asked, value[int](b.page, `now.id`), "the question stands")
		}
		_, _ = b.heard() // the browser logs each refusal, too
		if x.take == "> 550 M" {
			b.fitsAndIsQuiet("a number is asked for")
			b.laptop()
		}
		value[bool](b.page, `(document.querySelector("#answers input").value = "", true)`)
		b.do(chromedp.SendKeys("#answers input", x.take+"\r"))
	}
	b.until(`now.kind === "ended"`)

	sheet, err := book.Worksheet(t.Context(), 1)
	require.NoError(t, err)
	rep, err := report.New(sheet)
	require.NoError(t, err)
	require.Len(t, rep.Steps, 3)
	assert.Equal(t, []string{"pass", "pass", "pass"}, []string{rep.Steps[0].Verdict, rep.Steps[1].Verdict, rep.Steps[2].Verdict})
	assert.InDelta(t, -0.04, *rep.Steps[1].Reading, 1e-12)
	assert.InDelta(t, 92.5, *rep.Steps[2].Reading, 1e-12)
	assert.Contains(t, value[string](b.page, `document.querySelector("#steps").innerText`), "550 MΩ")
}
