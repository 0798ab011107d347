// Package e2e tests what people and machines see, from outside: a real browser
// on the pages, printed reports read back, the metrics as another program reads
// them. Everything behind the pages is the program itself, on the demo's
// emulated bench.
//
//	go test ./dashboard/e2e            needs chromium, poppler-utils, prometheus (Debian packages)
//	go test ./dashboard/e2e -update    writes the README's pictures anew
package e2e

import (
	"bytes"
	"cmp"
	"context"
	"flag"
	"fmt"
	"net/url"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	browser "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the README's pictures anew")

// patience is how long something may take on a busy machine before it counts
// as never.
const patience = 30 * time.Second

// A page is a tab of a browser, with what the browser complained about.
type page struct {
	t    testing.TB
	ctx  context.Context
	host string // where it was opened first

	waiting time.Duration // how long until waits; 0 is patience
	asked   func()        // answers a question of the browser's own

	mu         sync.Mutex
	complaints []string
	elsewhere  []string // requests to other hosts
}

// tool is the path of a program that the tests need.
func tool(t testing.TB, name, debianPackage string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	require.NoErrorf(t, err, "this test needs %s: install the Debian package %s", name, debianPackage)
	return path
}

// openPage starts a browser and opens the address in it.
func openPage(t testing.TB, address string, more ...chromedp.ExecAllocatorOption) *page {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(tool(t, "chromium", "chromium")))
	options = append(options, more...)
	allocator, endBrowser := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(endBrowser)
	return openTab(t, allocator, address)
}

// another opens the address in another window of the same browser, with
// settings of its own.
func (p *page) another(address string) *page {
	p.t.Helper()
	return openTab(p.t, p.ctx, address, chromedp.WithNewBrowserContext())
}

func openTab(t testing.TB, parent context.Context, address string, more ...chromedp.ContextOption) *page {
	t.Helper()
	first, err := url.Parse(address)
	require.NoError(t, err)
	p := &page{t: t, host: first.Hostname()}
	ctx, closeTab := chromedp.NewContext(parent, append(more, chromedp.WithListener(p.hear))...)
	t.Cleanup(closeTab)
	p.ctx = ctx
	_, err = chromedp.Call(ctx, network.Enable, network.EnableParams{})
	require.NoError(t, err)
	p.laptop()
	p.open(address)
	return p
}

// hear keeps errors of the page and requests that leave this machine.
func (p *page) hear(event any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch e := event.(type) {
	case *browser.EventJavascriptDialogOpening:
		if p.asked != nil {
			go p.asked()
		}
	case *runtime.EventExceptionThrown:
		p.complaints = append(p.complaints, fmt.Sprintf("exception: %+v", e.ExceptionDetails))
	case *runtime.EventConsoleAPICalled:
		if e.Type == "error" || e.Type == "assert" {
			p.complaints = append(p.complaints, fmt.Sprintf("console: %+v", e.Args))
		}
	case *log.EventEntryAdded:
		if e.Entry.Level == "error" {
			p.complaints = append(p.complaints, fmt.Sprintf("log: %s %s", e.Entry.Text, e.Entry.URL))
		}
	case *network.EventRequestWillBeSent:
		u, err := url.Parse(e.Request.URL)
		if err != nil || u.Hostname() != p.host && u.Scheme != "data" {
			p.elsewhere = append(p.elsewhere, e.Request.URL)
		}
	}
}

// heard gives the complaints since the last call, and the requests elsewhere.
func (p *page) heard() (complaints, elsewhere []string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	complaints, p.complaints = p.complaints, nil
	return complaints, p.elsewhere
}

func (p *page) open(address string) {
	p.t.Helper()
	p.do(chromedp.Navigate(address))
}

func (p *page) do(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	require.NoError(p.t, chromedp.Do(ctx, steps...))
}

func (p *page) laptop() { p.do(chromedp.EmulateViewport(1366, 768)) }

func (p *page) phone() {
	p.do(chromedp.EmulateViewport(360, 740, chromedp.EmulateMobile, chromedp.EmulateTouch))
}

// value is what a script expression gives.
func value[T any](p *page, expression string) T {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	require.NoError(p.t, err, expression)
	return v
}

// leaving is what the browser says of a page that gives way to another.
var leaving = regexp.MustCompile("context with specified id|navigated or closed|context was destroyed")

// until waits until a script expression is true.
func (p *page) until(expression string) {
	p.t.Helper()
	wait := cmp.Or(p.waiting, patience)
	ctx, cancel := context.WithTimeout(p.ctx, wait+patience)
	defer cancel()
	poll := chromedp.Poll[chromedp.Void](expression, chromedp.WithPollingTimeout(wait), chromedp.WithPollingInterval(20*time.Millisecond))
	_, err := chromedp.Run(ctx, poll)
	for err != nil && leaving.MatchString(err.Error()) && ctx.Err() == nil {
		_, err = chromedp.Run(ctx, poll) // the page that was asked gave way to another
	}
	if err != nil {
		require.NoErrorf(p.t, err, "never came true: %s\nthe page:\n%s", expression, value[string](p, `document.body.innerText.slice(0, 1500)`))
	}
}

// drawn waits until the page has had its say in what it looks like now.
func (p *page) drawn() {
	p.t.Helper()
	value[bool](p, `(window.wasDrawn = false, requestAnimationFrame(() => requestAnimationFrame(() => { window.wasDrawn = true; })), true)`)
	p.until(`window.wasDrawn`)
}

func (p *page) picture() []byte {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	require.NoError(p.t, err)
	return png
}

// outOfSight lists what sticks out of the window or is cut off: a script that
// gives one line for each such element.
const outOfSight = `(() => {
	const wide = document.documentElement.clientWidth, out = [];
	if (document.documentElement.scrollWidth > wide) out.push("the page scrolls sideways: " + document.documentElement.scrollWidth + " > " + wide);
	for (const e of document.body.querySelectorAll("*")) {
		const r = e.getBoundingClientRect();
		if (r.width === 0 || r.height === 0 || e.closest(".scroll")) continue; // what scrolls by itself may be wide
		const what = e.tagName + "#" + e.id + "." + (e.getAttribute("class") || "") + " " + (e.textContent || "").trim().slice(0, 40);
		if (r.right > wide + 1 || r.left < -1) out.push("sticks out: " + what + " " + r.left + ".." + r.right);
		if (e instanceof HTMLElement && e.tagName !== "INPUT" && getComputedStyle(e).display !== "inline" && e.scrollWidth > e.clientWidth + 1) out.push("overflows: " + what);
	}
	return out;
})()`

// fitsAndIsQuiet: on phone and laptop, by day and by night, nothing sticks out,
// nobody is shut out, and the browser has nothing to complain of.
func (p *page) fitsAndIsQuiet(when string) {
	p.t.Helper()
	for _, size := range []struct {
		name string
		set  func()
	}{{"phone", p.phone}, {"laptop", p.laptop}} {
		size.set()
		p.drawn()
		assert.Empty(p.t, value[[]string](p, outOfSight), "%s, %s", when, size.name)
		p.reachesEverybody(when + ", " + size.name)
		p.standsOut(when+", "+size.name, textByDay)
		look(p.t, when+" "+size.name, p.picture())
		if night := value[string](p, switchNight); night != "" {
			p.drawn()
			p.reachesEverybody(when + ", " + size.name + ", night")
			p.standsOut(when+", "+size.name+", night", textByNight)
			p.keepsTheDark(when + ", " + size.name)
			look(p.t, when+" "+size.name+" night", p.picture())
			value[string](p, switchNight)
		}
	}
	complaints, elsewhere := p.heard()
	assert.Empty(p.t, complaints, when)
	assert.Empty(p.t, elsewhere, "nothing is loaded from another host")
}

// switchNight turns the night look on, or off again: by the page's button, or as the
// program does on a page without scripts. It gives "" where there is no such look.
const switchNight = `(() => {
	const button = document.getElementById("night");
	if (button) { button.click(); return "button"; }
	if (!document.querySelector("head style, link[href='/static/bench.css']")) return "";
	document.documentElement.classList.toggle("night");
	return "class";
})()`

// read runs a program and gives what it wrote.
func read(t testing.TB, input []byte, name string, arguments ...string) string {
	t.Helper()
	command := exec.CommandContext(t.Context(), name, arguments...)
	command.Stdin = bytes.NewReader(input)
	var out, problem strings.Builder
	command.Stdout, command.Stderr = &out, &problem
	require.NoErrorf(t, command.Run(), "%s %s\n%s%s", name, arguments, problem.String(), out.String())
	return out.String()
}
