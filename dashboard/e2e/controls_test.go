package e2e

import (
	"net/http/httptest"
	"strconv"
	"testing"

	browser "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/dashboard/access"
	"loomproof/dashboard/report"
	"loomproof/dashboard/web"
	"loomproof/scripts"
)

const friend = "Per Holm"

// Three screens follow one worksheet: the one who holds the probes answers,
// leaves out what is not on this aircraft and looks once more; a friend takes
// the probes over; the third only follows. Every word is in the report, by name.
func TestWordsOnThePage(t *testing.T) {
	const script = `
observe("chafing", "radio", "No bare wire at the radio?", finding = "bare wire", attempt = "tape it")
observe("chafing", "strobe", "No bare wire at the strobe?", finding = "bare wire", attempt = "tape it")
observe("chafing", "gps", "No bare wire at the GPS?", finding = "bare wire", attempt = "tape it")
hold("Is all of the loom tied?", answers = ["Tied"])
`
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	desk, book := perform(t, d, script)
	server := httptest.NewServer(access.Local(web.New(web.Options{Desk: desk, Book: book})))
	t.Cleanup(server.Close)
	holder := &bench{page: openPage(t, server.URL)}
	other, third := &bench{page: holder.another(server.URL)}, &bench{page: holder.another(server.URL)}
	screens := []*bench{holder, other, third}
	say := func(what string) {
		t.Helper()
		for _, b := range screens {
			b.until(`now && now.say === ` + strconv.Quote(what) + ` && document.getElementById("answers").dataset.ready === String(now.id)`)
		}
	}
	choose := func(b *bench, answer string) {
		t.Helper()
		value[chromedp.Void](b.page, `[...document.querySelectorAll("#answers button")].find((e) => e.textContent === `+strconv.Quote(answer)+`).click()`)
	}
	as := func(b *bench, name string) { b.do(chromedp.SendKeys(chromedp.ID("by"), name+"\r")) }
	as(holder, builder)
	as(other, friend)

	say("No bare wire at the radio?")
	choose(holder, "No")
	say("No bare wire at the strobe?")
	for _, b := range screens {
		assert.Equal(t, "so far 1 fail", value[string](b.page, `document.getElementById("verdict").innerText.replace(/\s+/g, " ").trim()`), "no verdict before the end")
		assert.Equal(t, "fail", value[string](b.page, `document.querySelector("#steps li .stamp").innerText.trim()`), "every screen shows what was found")
	}

	// Who does not hold the probes is told who does, for an answer and for a word.
	choose(other, "Yes")
	other.until(`document.getElementById("refused").textContent.includes("Tove Lind holds the probes")`)
	answered := other.answering("n/a no strobe")
	other.do(chromedp.Click(chromedp.ID("skip")))
	<-answered
	other.until(`document.getElementById("refused").textContent.includes("Tove Lind holds the probes")`)
	assert.Equal(t, "No bare wire at the strobe?", value[string](holder.page, `now.say`))

	// Without a reason nothing is left out; n/a is told from a mere leaving out.
	answered = holder.answering("")
	holder.do(chromedp.Click(chromedp.ID("skip")))
	<-answered
	assert.Equal(t, "No bare wire at the strobe?", value[string](holder.page, `now.say`))
	answered = holder.answering("n/a: no strobe is fitted")
	holder.do(chromedp.Click(chromedp.ID("skip")))
	<-answered
	say("No bare wire at the GPS?")
	assert.Contains(t, value[string](third.page, `document.querySelector("#steps li").innerText`), "no strobe is fitted")
	answered = holder.answering("cannot reach behind the panel")
	holder.do(chromedp.Click(chromedp.ID("skip")))
	<-answered
	say("Is all of the loom tied?")
	assert.Contains(t, value[string](third.page, `document.querySelector("#steps li").innerText`), "cannot reach behind the panel")

	// The friend takes over; a step is looked at once more, and its first answer stays.
	choose(other, "Tied")
	other.until(`!document.getElementById("take").hidden`)
	holder.do(chromedp.Click(chromedp.CSS(`#steps li[data-step="radio/chafing"] button.again`)))
	say("Once more. No bare wire at the radio?")
	other.do(chromedp.Click(chromedp.ID("take")))
	choose(other, "Yes")
	say("Is all of the loom tied?")
	for _, b := range screens {
		assert.Equal(t, []string{"pass", "fail"}, value[[]string](b.page, `[...document.querySelectorAll('#steps li[data-step="radio/chafing"] .stamp')].map((e) => e.innerText.trim())`), "the latest first, the one before it still there")
	}
	choose(holder, "Tied")
	holder.until(`document.getElementById("refused").textContent.includes("Per Holm holds the probes")`)
	for _, b := range screens {
		complaints, _ := b.heard()
		for _, c := range complaints {
			assert.Contains(t, c, "423", "only the browser's own word of the refusals")
		}
	}
	other.fitsAndIsQuiet("words were said")
	other.laptop()
	choose(other, "Tied")
	for _, b := range screens {
		b.until(`now.kind === "ended"`)
	}
	sheet, err := book.Worksheet(t.Context(), 1)
	require.NoError(t, err)
	rep, err := report.New(sheet)
	require.NoError(t, err)
	require.Len(t, rep.Steps, 3)
	require.Len(t, rep.Superseded, 1)
	assert.Equal(t, "pass", rep.Steps[0].Verdict)
	assert.Equal(t, "fail", rep.Superseded[0].Verdict)
	assert.Equal(t, "not applicable: no strobe is fitted (Tove Lind)", rep.Steps[1].Note)
	assert.Equal(t, "left out: cannot reach behind the panel (Tove Lind)", rep.Steps[2].Note)
	assert.Equal(t, []string{builder, friend}, rep.People)
}

// answering answers the next question of the browser's own: with those words,
// or with Cancel if there are none. What it gives is closed when that is done.
func (p *page) answering(words string) <-chan struct{} {
	done := make(chan struct{})
	p.mu.Lock()
	defer p.mu.Unlock()
	p.asked = func() {
		defer close(done)
		_, err := chromedp.Call(p.ctx, browser.HandleJavaScriptDialog, browser.HandleJavaScriptDialogParams{Accept: words != "", PromptText: words})
		assert.NoError(p.t, err)
	}
	return done
}

// What is to be done is spoken when the person wants it, each thing once; the
// screen is kept on while there is something to do.
func TestSpokenInstructionsAndAScreenThatStaysOn(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	desk, book := perform(t, d, `
hold("Close breaker RADIO.", answers = ["Closed"])
hold("Close breaker GPS.", answers = ["Closed"])
hold("Lift the probes.", answers = ["Done"])
`)
	server := httptest.NewServer(access.Local(web.New(web.Options{Desk: desk, Book: book})))
	t.Cleanup(server.Close)
	b := &bench{page: openPage(t, "about:blank")}
	_, err = chromedp.Call(b.ctx, browser.AddScriptToEvaluateOnNewDocument, browser.AddScriptToEvaluateOnNewDocumentParams{Source: `
		window.aloud = [];
		speechSynthesis.speak = (u) => aloud.push(u.text);
		window.held = 0;
		navigator.wakeLock.request = async () => { held++; return { addEventListener() {}, release() { held--; } }; };
	`})
	require.NoError(t, err)
	b.host = "127.0.0.1"
	b.open(server.URL)
	b.do(chromedp.SendKeys(chromedp.ID("by"), builder+"\r"))
	b.question(0)
	b.until(`held === 1`)
	b.do(chromedp.Click(`#answers button`))
	b.asked = b.question(1)
	assert.Empty(t, value[[]string](b.page, `aloud`), "nobody asked for a voice")
	b.do(chromedp.Click(chromedp.ID("voice")))
	b.do(chromedp.Click(`#answers button`))
	b.question(b.asked)
	assert.Equal(t, []string{"Lift the probes."}, value[[]string](b.page, `aloud`))
	b.do(chromedp.Click(`#answers button`))
	b.until(`now.kind === "ended" && held === 0`)
	assert.Contains(t, value[[]string](b.page, `aloud`)[1], "Finished")
}
