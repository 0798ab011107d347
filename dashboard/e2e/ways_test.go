package e2e

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	browser "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/procedure"
	"loomproof/dashboard/access"
	"loomproof/dashboard/report"
	"loomproof/dashboard/web"
	"loomproof/scripts"
)

// stubEars stands for the recognition of speech, that a browser without a
// microphone has not: it hears what say is given, while it listens.
const stubEars = `window.SpeechRecognition = class {
	start() { window.listening = this; }
	stop() { window.listening = null; if (this.onend) this.onend(); }
};
window.say = (words) => {
	if (window.listening) listening.onresult({ results: [Object.assign([{ transcript: words }], { isFinal: true })] });
};`

var (
	enter = input.DispatchKeyEventParams{Key: "Enter", Code: "Enter", WindowsVirtualKeyCode: 13}
	tab   = input.DispatchKeyEventParams{Key: "Tab", Code: "Tab", WindowsVirtualKeyCode: 9}
)

// Each kind of hold point is answered by each way there is: by its button, by the
// key of its place, by each key that a foot switch sends, by voice. What is typed
// is typed and sent from the keyboard. Then every page is gone through by the Tab
// key alone.
func TestEachHoldByEachWay(t *testing.T) {
	holds := []struct{ name, script, first, second string }{
		{"one word", `hold("Look at the loom.", answers = ["Seen"])`, "Seen", ""},
		{"one word or its contrary", `hold("Is the loom tied?", answers = ["Done", "Not done"])`, "Done", "Not done"},
		{"what a person sees", `observe("chafing", "gps", "No bare wire at the GPS?", finding = "bare wire", attempt = "tape it")`, "Yes", "No"},
	}
	ways := []string{"button", "digit", "space", "enter", "page down", "voice", "second button", "second digit", "second by voice"}
	type turn struct{ name, way, want string }
	var turns []turn
	script := ""
	for _, h := range holds {
		for _, way := range ways {
			want := h.first
			if strings.HasPrefix(way, "second") {
				want = h.second
			}
			if want == "" {
				continue
			}
			turns = append(turns, turn{h.name, way, want})
			script += h.script + "\n"
		}
	}
	script += `note("plate " + words("What stands on the plate?"))
check_marking("radio", number("Which rating is marked?", "A", circuit = "radio"))
hold("The end.")
`
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	desk, book := perform(t, d, script)
	server := httptest.NewServer(access.Local(web.New(web.Options{Desk: desk, Book: book, Design: d})))
	t.Cleanup(server.Close)
	b := &bench{page: openPage(t, "about:blank")}
	at, err := url.Parse(server.URL)
	require.NoError(t, err)
	b.host = at.Hostname()
	_, err = chromedp.Call(b.ctx, browser.AddScriptToEvaluateOnNewDocument, browser.AddScriptToEvaluateOnNewDocumentParams{Source: stubEars})
	require.NoError(t, err)
	b.open(server.URL)
	b.do(chromedp.SendKeys(chromedp.ID("by"), builder+"\r"), chromedp.Click(chromedp.ID("ears")))
	value[bool](b.page, `(document.activeElement.blur(), true)`)
	b.until(`window.listening`)

	for _, turn := range turns {
		b.asked = b.question(b.asked)
		place := 1
		if strings.HasPrefix(turn.way, "second") {
			place = 2
		}
		require.Equal(t, turn.want, value[string](b.page, fmt.Sprintf(`now.answers[%d]`, place-1)), turn)
		switch turn.way {
		case "button", "second button":
			b.do(chromedp.Click(chromedp.CSS(fmt.Sprintf("#answers button:nth-child(%d)", place))))
			value[bool](b.page, `(document.activeElement.blur(), true)`)
		case "digit":
			b.press(one)
		case "second digit":
			b.press(input.DispatchKeyEventParams{Key: "2", Code: "Digit2", WindowsVirtualKeyCode: 50})
		case "space":
			b.press(space)
		case "enter":
			b.press(enter)
		case "page down":
			b.press(pageDown)
		case "voice", "second by voice":
			value[chromedp.Void](b.page, fmt.Sprintf(`say("so, " + %q.toLowerCase() + ".")`, turn.want))
		}
		b.until(fmt.Sprintf(`now.id !== %d || document.getElementById("refused").textContent`, b.asked))
		require.Empty(t, value[string](b.page, `document.getElementById("refused").textContent`), turn)
	}

	b.asked = b.question(b.asked)
	b.tabTo(`#answers input`)
	b.do(chromedp.SendKeys("#answers input", "RX-1\r"))
	b.until(`now.number === "A"`)
	b.asked = b.question(b.asked)
	b.tabTo(`#answers input`)
	b.do(chromedp.SendKeys("#answers input", "5\r"))
	b.until(`now.say === "The end."`)
	b.tabThrough("the bench, at work")
	b.asked = b.question(b.asked)
	b.tabTo(`#answers button`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`now.kind === "ended"`)

	sheet, err := book.Worksheet(t.Context(), 1)
	require.NoError(t, err)
	rep, err := report.New(sheet)
	require.NoError(t, err)
	assert.Equal(t, []string{builder}, rep.People)
	var want, said []string
	for _, turn := range turns {
		want = append(want, turn.want)
	}
	for _, r := range sheet.Records() {
		for _, choice := range regexp.MustCompile(`"choice":"([^"]*)"`).FindAllStringSubmatch(string(r.Body), -1) {
			said = append(said, choice[1])
		}
	}
	assert.Equal(t, append(want, "", "", "Done"), said, "each once, in order; what was typed has no word")

	for _, path := range []string{"", "aircraft", "aircraft/radio", "design", "logbook", "why/1", "verify/1", "report/1"} {
		b.open(server.URL + "/" + path)
		b.until(`!document.getElementById("steps") || typeof now !== "undefined" && now && now.kind === "ended"`) // the bench page has been told
		b.tabThrough(path)
	}
	complaints, elsewhere := b.heard()
	assert.Empty(t, complaints)
	assert.Empty(t, elsewhere)
}

// reachable are the things on a page that can be used.
const reachable = `[...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex='0']")].filter((e) => e.checkVisibility() && !e.disabled && e.tabIndex >= 0)`

// tabTo goes by the Tab key to the first that fits.
func (b *bench) tabTo(selector string) {
	b.t.Helper()
	for range value[int](b.page, reachable+`.length`) + 2 {
		if value[bool](b.page, fmt.Sprintf(`document.activeElement.matches(%q)`, selector)) {
			return
		}
		b.press(tab)
	}
	assert.Fail(b.t, "not reached by Tab: "+selector)
}

// tabThrough: all that can be used on the page is reached by the Tab key, and
// shows that it is.
func (b *bench) tabThrough(page string) {
	b.t.Helper()
	b.until(`document.readyState === "complete"`)
	n := value[int](b.page, `(window.reached = new Set(), window.unseen = [], document.activeElement.blur(), `+reachable+`.length)`)
	for range n + 2 {
		b.press(tab)
		value[bool](b.page, `(reached.add(document.activeElement), document.activeElement !== document.body && getComputedStyle(document.activeElement).outlineStyle === "none" && unseen.push(document.activeElement.outerHTML.slice(0, 120)), true)`)
	}
	assert.Empty(b.t, value[[]string](b.page, `unseen`), "the place is shown: %q", page)
	assert.Empty(b.t, value[[]string](b.page, reachable+`.filter((e) => !reached.has(e)).map((e) => e.outerHTML.slice(0, 120))`), "not reached by Tab: %q", page)
}

// A page of another site, open in the same browser, can neither answer, nor cut,
// nor look, nor stand around the bench page; and a name of theirs that points
// here opens nothing.
func TestAnotherSitesPage(t *testing.T) {
	desk, server := asking(t)
	mine, err := url.Parse(server.URL)
	require.NoError(t, err)
	hostile := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		fmt.Fprintf(w, `<!doctype html><html lang="en"><title>weather</title><h1>Weather</h1>
<iframe name="into" title="into"></iframe><iframe id="around" title="around" src="%[1]s/"></iframe>
<form id="f" method="post" target="into" enctype="text/plain" action="%[1]s/answer"><input name='{"id":1,"choice":"Closed","by":"x","text":"' value='"}'></form>
<script>
const body = '{"id": 1, "choice": "Closed", "by": "x"}';
window.tried = [];
const tell = (what) => (r) => tried.push(what + " " + (r.type || r.name));
Promise.allSettled([
	fetch("%[1]s/answer", { method: "POST", mode: "no-cors", body }).then(tell("blind"), tell("blind")),
	fetch("%[1]s/answer", { method: "POST", headers: { "Content-Type": "application/json" }, body }).then(tell("answer"), tell("answer")),
	fetch("%[1]s/word", { method: "POST", mode: "no-cors", body: '{"kind": "smoke", "by": "x"}' }).then(tell("smoke"), tell("smoke")),
	fetch("%[1]s/events").then(tell("look"), tell("look")),
	new Promise((done) => addEventListener("load", done)),
	new Promise((done) => { document.querySelector("[name=into]").onload = done; document.getElementById("f").submit(); }),
]).then(() => { window.done = true; });
</script>`, server.URL)
	}))
	t.Cleanup(hostile.Close)
	_, port, _ := strings.Cut(strings.TrimPrefix(hostile.URL, "http://"), ":")
	p := openPage(t, "http://weather.example:"+port+"/", chromedp.Flag("host-resolver-rules", "MAP weather.example 127.0.0.1"))
	p.until(`window.done`)
	assert.ElementsMatch(t, []string{"blind opaque", "answer TypeError", "smoke opaque", "look TypeError"}, value[[]string](p, `tried`))
	require.Eventually(t, func() bool {
		complaints, _ := p.heard()
		return strings.Contains(strings.Join(complaints, "\n"), "frame-ancestors")
	}, patience, 20*time.Millisecond, "the bench page stands in no frame")
	v, _ := desk.View()
	assert.Equal(t, 1, v.Now.ID, "the question still stands")
	assert.Equal(t, procedure.DoHold, v.Now.Kind)

	p.open("http://weather.example:" + mine.Port() + "/")
	assert.Contains(t, value[string](p, `document.body.innerText`), "not served here")
	assert.NotContains(t, value[string](p, `document.body.innerText`), "RADIO")
}
