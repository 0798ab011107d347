package e2e

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/procedure"
	"loomproof/checks/recording/recorder"
	"loomproof/dashboard/access"
	"loomproof/dashboard/station"
)

// A phone scans the code that the computer shows, answers a hold point in the
// name that it was paired under, and is shut out when its pass is withdrawn. A
// second one may watch only.
func TestPairing(t *testing.T) {
	book, st := recordings(t)
	rec := recorder.New(st, nil, "Marsh Hen", "v1.0.0")
	t.Cleanup(func() { require.NoError(t, rec.Close()) })
	s := station.Station{Desk: procedure.NewDesk(), Version: "v1.0.0", Book: book, Recorder: rec}
	answered := make(chan error, 1)
	ctx, stop := context.WithCancel(t.Context())
	t.Cleanup(stop)
	go func() { answered <- s.Desk.Ask(ctx, "Close breaker RADIO.", "Closed") }()
	require.NoError(t, s.Desk.Until(t.Context(), func(v procedure.View) bool { return v.Now.Kind == procedure.DoHold }))
	n, err := station.TakeShared("127.0.0.1:0", ":0", t.TempDir(), "", "")
	require.NoError(t, err)
	require.NoError(t, s.Open(ctx, n))
	untrusting := chromedp.Flag("ignore-certificate-errors", true) // the person compares the fingerprint

	computer := openPage(t, n.Local+"devices")
	computer.until(`document.body.innerText.includes("None yet")`)
	code := computer.newCode("answer")
	assert.Equal(t, access.PairingURL(n.Address, strings.ReplaceAll(code, "-", "")), scan(t, computer), "what a camera reads off the screen")

	phone := openPage(t, access.PairingURL(n.Address, code), untrusting)
	phone.phone()
	phone.until(`document.getElementById("code").value !== "" && location.hash === ""`)
	phone.fitsAndIsQuiet("pairing")
	phone.phone()
	phone.do(chromedp.SendKeys("#name", "Tove's phone"+kb.Enter))
	phone.until(`document.getElementById("say") && document.getElementById("say").textContent === "Close breaker RADIO."`)
	assert.Empty(t, value[[]string](phone, outOfSight))

	watcher := openPage(t, access.PairingURL(n.Address, computer.newCode("watch")), untrusting)
	watcher.until(`document.getElementById("code").value !== ""`)
	watcher.do(chromedp.SendKeys("#name", "A friend"+kb.Enter))
	watcher.until(`document.getElementById("say") && document.getElementById("say").textContent === "Close breaker RADIO."`)
	watcher.do(chromedp.KeyEvent(kb.Enter))
	assert.Equal(t, "none", value[string](watcher, `getComputedStyle(document.getElementById("answers")).display`))
	assert.Equal(t, 403, value[int](watcher, `(() => { const r = new XMLHttpRequest(); r.open("POST", "/answer", false); r.send('{"id":1,"choice":"Closed","by":"x"}'); return r.status; })()`))

	// The recorder's page shows the watcher how it goes, and no buttons.
	watcher.open(n.Address + "recording")
	watcher.until(`document.getElementById("phase")?.textContent === "Nothing is being recorded."`)
	assert.Zero(t, value[int](watcher, `document.querySelectorAll("#recorder button, #recorder input").length`))
	assert.Equal(t, 403, value[int](watcher, `(() => { const r = new XMLHttpRequest(); r.open("POST", "/recorder/start", false); r.send('{"by":"x"}'); return r.status; })()`))
	_, _ = watcher.heard() // the refusals that it was after
	watcher.fitsAndIsQuiet("the recorder, watched")

	phone.until(`document.querySelector("#answers button")`)
	phone.do(chromedp.Click("#answers button"))
	require.NoError(t, <-answered)

	computer.open(n.Local + "devices")
	computer.until(`document.body.innerText.includes("Tove's phone")`)
	keys := &bench{page: computer}
	keys.tabThrough("devices")
	keys.tabTo(`button[value=watch]`)
	keys.do(chromedp.KeyEvent(kb.Enter))
	computer.until(`document.querySelector("h2").textContent.endsWith("may watch")`)
	keys.tabThrough("devices, with a code")
	keys.tabTo(`.passes li:first-child button`)
	keys.do(chromedp.KeyEvent(kb.Enter))
	computer.until(`!document.body.innerText.includes("Tove's phone")`)
	phone.open(n.Address)
	phone.until(`document.querySelector("h1").textContent === "Pair this device"`)
	computer.newCode("answer")
	_, _ = phone.heard() // it was sent away, and told so
	phone.fitsAndIsQuiet("no longer paired")
	computer.fitsAndIsQuiet("devices")
}

// newCode has the computer show a code, and reads it.
func (p *page) newCode(right string) string {
	p.t.Helper()
	p.do(chromedp.Click(`button[value=` + right + `]`))
	p.until(`document.querySelector(".letters") && document.querySelector("h2").textContent.endsWith("may ` + right + `")`)
	return value[string](p, `document.querySelector(".letters").textContent`)
}

// scan reads the QR code off the screen, as a camera does.
func scan(t *testing.T, p *page) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "screen.png")
	require.NoError(t, os.WriteFile(file, p.picture(), 0o644))
	out, err := exec.CommandContext(t.Context(), tool(t, "zbarimg", "zbar-tools"), "--quiet", "--raw", file).Output()
	require.NoError(t, err, "no code was found on the screen")
	return strings.TrimSpace(string(out))
}
