package e2e

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/procedure"
	"loomproof/dashboard/demo"
	"loomproof/dashboard/report"
	"loomproof/dashboard/station"
)

const builder = "Tove Lind"

// A bench is the demo at work, and the page of the person who performs it.
type bench struct {
	*page
	program string // the address that it printed
	line    *line
	asked   int // the hold point that was answered last
	answers int
}

// TestFirstPowerOn performs the demo's worksheet as a person does, in a
// browser, and then looks at what it left.
func TestFirstPowerOn(t *testing.T) {
	b := startDemo(t)
	b.question(0)
	b.nobodyAnswers()
	b.do(chromedp.SendKeys(chromedp.ID("by"), builder+"\r"))
	b.aKeyHeldDownAnswersOnce()
	value[chromedp.Void](b.page, countLive)
	b.answersByVoice()

	b.performUntil(`document.querySelectorAll("#steps li").length >= 6`)
	b.fitsAndIsQuiet("the list has begun")
	checkMetrics(t, b.program)
	b.lineLostAndFound()

	b.performUntil(`[...document.querySelectorAll("#steps li .v-fail")].length > 0`)
	b.showsTheFail()
	b.fitsAndIsQuiet("a fail is in the list")
	value[chromedp.Void](b.page, failInSight)
	b.takePicture("bench.png")
	value[chromedp.Void](b.page, `scrollTo(0, 0)`)
	half := reportOf(t, b.program)
	assert.False(t, half.Finished)
	assert.NotEmpty(t, half.NotReached)
	b.another(b.program+"report/1").printsWell(b.program+"report/1", half, 6, 12)

	b.performUntil(`now.kind === "ended"`)
	live := value[[]string](b.page, `[...live]`)
	assert.Greater(t, len(live), 20, "the live reading is shown, with its unit")
	for _, reading := range live {
		assert.Regexp(t, `^-?[0-9.]+ [mµ]?[VA]$`, reading)
	}
	assert.Equal(t, "fail", value[string](b.page, `document.getElementById("verdict").innerText.trim()`))
	b.until(`!document.getElementById("found").hidden`)
	found := value[string](b.page, `document.getElementById("findings").innerText`)
	assert.Contains(t, strings.ToLower(found), "transponder")
	assert.NotContains(t, strings.ToLower(found), "vhf radio:")
	assert.Contains(t, value[string](b.page, `document.getElementById("sign").innerText`), "Is this worksheet right?")
	assert.Equal(t, "/report/1", value[string](b.page, `document.querySelector("#sign [data-path='/report/']").getAttribute("href")`))
	b.fitsAndIsQuiet("the worksheet is finished")
	checkMetrics(t, b.program)

	rep := b.report()
	assert.Equal(t, []string{builder}, rep.People, "every answer bears the name")
	assert.Len(t, rep.Steps, value[int](b.page, `document.querySelectorAll("#steps li").length`), "the page shows every step")
	t.Logf("%d steps, %d answers", len(rep.Steps), b.answers)
	b.printsWell(b.line.url+"report/1", rep, 8, 14)
	b.open(b.line.url + "report/1")
	b.fitsAndIsQuiet("the report")
	b.laptop()
	value[chromedp.Void](b.page, `document.querySelector(".ways").remove()`) // which a report that is sent has not
	b.takePicture("report.png")
	b.otherPages()
}

// answersByVoice: what is said counts when it is one of the answers, and not
// while the page itself speaks. The browser's ears are ours here: it has no
// microphone.
func (b *bench) answersByVoice() {
	b.t.Helper()
	for said, want := range map[string]string{
		"closed": "Closed", "it is closed": "Closed", "Closed.": "Closed", "not closed yet": "", "enclosed": "", "closed or stop": "Stop", "": "",
		"not closed": "", "it isn't closed": "", "I have not seen it closed": "",
		"the current is right, closed": "Closed", // no denial in it
	} {
		assert.Equal(b.t, want, value[string](b.page, fmt.Sprintf(`spokenAnswer(%q, ["Closed", "Stop"])`, said)), said)
	}
	assert.Empty(b.t, value[string](b.page, `spokenAnswer("closed", ["Closed", "closed"])`), "two that fit are none")
	assert.Equal(b.t, "Not done", value[string](b.page, `spokenAnswer("it is not done", ["Done", "Not done"])`), "the longer of two that fit")
	assert.Equal(b.t, "smoke", value[string](b.page, `spokenAnswer("I can't see for smoke", ["Done", "smoke"])`), "smoke counts however it is said")
	b.until(`(now.answers || []).length > 0 && document.getElementById("answers").dataset.ready === String(now.id)`)
	asked := value[int](b.page, `now.id`)
	value[chromedp.Void](b.page, `(() => {
		window.say = (words) => ears.onresult({ results: [Object.assign([{ transcript: words }], { isFinal: true })] });
		ears = null;
		hear(true);
		ears.onend = ears.onerror = null; // it has no microphone
	})()`)
	value[chromedp.Void](b.page, `say("good morning")`)
	assert.Equal(b.t, asked, value[int](b.page, `now.id`))
	value[chromedp.Void](b.page, `say("all right, " + now.answers[0])`)
	b.until(fmt.Sprintf(`now.id !== %d`, asked))
	value[chromedp.Void](b.page, `hear(false)`)
}

// otherPages looks at the pages around the worksheet.
func (b *bench) otherPages() {
	b.t.Helper()
	b.open(b.line.url + "aircraft")
	b.fitsAndIsQuiet("the aircraft")
	assert.Equal(b.t, "rect", value[string](b.page, `document.querySelector("#drawn-transponder .mark").tagName`), "a fail is a square")
	b.do(chromedp.Click(chromedp.CSS("thead th:nth-child(2) button")))
	assert.Contains(b.t, value[string](b.page, `document.querySelector("tbody tr").innerText`), "fail", "what is wrong comes first")
	b.do(chromedp.Click(chromedp.CSS("thead th:nth-child(3) button")), chromedp.Click(chromedp.CSS("thead th:nth-child(3) button")))
	assert.Contains(b.t, value[string](b.page, `document.querySelector("tbody tr").innerText`), "landing light", "the most current, as a number")
	b.do(chromedp.Click(chromedp.CSS(`tbody a[href="/aircraft/transponder"]`)))
	b.until(`location.pathname === "/aircraft/transponder"`)
	b.fitsAndIsQuiet("a circuit")
	assert.Contains(b.t, value[string](b.page, `document.querySelector("h1").innerText`), "fail")
	assert.Contains(b.t, value[string](b.page, `document.querySelector("main").innerText`), "transponder/1")
	b.open(b.line.url + "design")
	b.fitsAndIsQuiet("the design")
	assert.Equal(b.t, value[int](b.page, `document.querySelectorAll(".index li").length`), value[int](b.page, `document.querySelectorAll(".file .finding").length`), "every finding stands at its line")
	b.open(b.line.url + "logbook")
	b.fitsAndIsQuiet("the logbook")
	assert.Contains(b.t, value[string](b.page, `document.querySelector("tbody").innerText`), "first-power-on")
	assert.Contains(b.t, value[string](b.page, `document.querySelector("tbody").innerText`), builder, "who performed it")
	b.do(chromedp.Click(`a[href="/verify/1"]`))
	b.until(`document.querySelector("h1")?.innerText.includes("nothing is wrong")`)
	b.fitsAndIsQuiet("verified")
	b.open(b.line.url + "recording")
	b.fitsAndIsQuiet("nothing to record with")
	for _, x := range []struct{ path, name string }{{"why/1", "why"}, {"sign/1", "signing off"}, {"compare/1", "nothing to compare with"}, {"report/99", "no such worksheet"}} {
		b.open(b.line.url + x.path)
		_, _ = b.heard() // that it is not there is told in the page, and in the browser's log
		b.fitsAndIsQuiet(x.name)
	}
}

func startDemo(t *testing.T) *bench {
	t.Helper()
	address, _ := runDemo(t, "high-resistance-joint", "", "127.0.0.1:0")
	l := newLine(t, address)
	return &bench{page: openPage(t, l.url), program: address, line: l}
}

// runDemo runs the demo with a fault, a logbook ("" for one that goes with it)
// and an address; stop ends it.
func runDemo(t *testing.T, fault, logbook, listen string) (address string, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	opened, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		defer close(ended)
		_, err := demo.Run(ctx, demo.Options{
			Fault: fault, Listen: listen, Logbook: logbook, Seed: 1, Version: "v1.0.0", Out: io.Discard,
			Opened: func(d *station.Door) { opened <- d.Local }, Pace: 18 * time.Millisecond, // as fast as the instruments see
		})
		ended <- err
	}()
	stop = func() { cancel(); <-ended }
	t.Cleanup(stop)
	select {
	case address = <-opened:
	case err := <-ended:
		require.NoError(t, err, "the demo ended early")
	}
	return address, stop
}

// nobodyAnswers: an answer without a name is not sent, and says why.
func (b *bench) nobodyAnswers() {
	b.t.Helper()
	asked := value[string](b.page, `document.getElementById("answers").dataset.asked`)
	b.do(chromedp.Click(chromedp.CSS("#answers button.first")))
	b.until(`document.getElementById("refused").textContent.includes("name")`)
	assert.Equal(b.t, "by", value[string](b.page, `document.activeElement.id`), "and the page shows where to put it")
	assert.Equal(b.t, asked, value[string](b.page, `document.getElementById("answers").dataset.asked`))
}

// aKeyHeldDownAnswersOnce: a foot switch that stays down must not run through
// the hold points.
func (b *bench) aKeyHeldDownAnswersOnce() {
	b.t.Helper()
	asked := value[int](b.page, `Number(document.getElementById("answers").dataset.asked)`)
	b.key(input.DispatchKeyEventTypeRawKeyDown, pageDown, false)
	next := b.question(asked)
	for range 5 {
		b.key(input.DispatchKeyEventTypeRawKeyDown, pageDown, true)
	}
	b.key(input.DispatchKeyEventTypeKeyUp, pageDown, false)
	// Had a repeat counted, its answer would be at the program before this one.
	assert.Equal(b.t, http.StatusNoContent, b.post(procedure.Answer{ID: next, Choice: value[string](b.page, `document.querySelector("#answers button").textContent`), By: builder}))
	b.question(next)
	b.asked = next
}

// question waits until something is asked that came after another question and
// can be answered, and gives its number.
func (b *bench) question(after int) int {
	b.t.Helper()
	b.until(questionAfter(after))
	return value[int](b.page, `Number(document.getElementById("answers").dataset.asked)`)
}

func questionAfter(n int) string {
	return `(document.getElementById("answers").children.length > 0 && Number(document.getElementById("answers").dataset.ready) > ` + text(n) + `)`
}

// countLive keeps every live reading that is ever shown.
const countLive = `window.live = new Set(), new MutationObserver(() => {
	const shown = document.getElementById("reading").textContent;
	if (shown) live.add(shown);
}).observe(document.getElementById("reading"), { childList: true, characterData: true, subtree: true })`

// performUntil answers hold points, by the button and by keys in turn, until a
// script expression is true.
func (b *bench) performUntil(done string) {
	b.t.Helper()
	for {
		b.until(`(` + done + `) || ` + questionAfter(b.asked))
		if value[bool](b.page, `Boolean(`+done+`)`) {
			return
		}
		b.answer()
	}
}

// answer answers what is asked now.
func (b *bench) answer() {
	b.t.Helper()
	b.asked = b.question(b.asked)
	b.answers++
	switch b.answers % 3 {
	case 0:
		b.press(space)
	case 1:
		b.do(chromedp.Click(chromedp.CSS("#answers button.first")))
	case 2:
		b.press(one)
	}
}

// The keys that answer, by the names that browsers give them.
var (
	space    = input.DispatchKeyEventParams{Key: " ", Code: "Space", WindowsVirtualKeyCode: 32}
	one      = input.DispatchKeyEventParams{Key: "1", Code: "Digit1", WindowsVirtualKeyCode: 49}
	pageDown = input.DispatchKeyEventParams{Key: "PageDown", Code: "PageDown", WindowsVirtualKeyCode: 34}
)

// press presses a key and lets it go. It sends no character with it: a browser
// sends none for a key that the page took.
func (b *bench) press(k input.DispatchKeyEventParams) {
	b.t.Helper()
	b.key(input.DispatchKeyEventTypeRawKeyDown, k, false)
	b.key(input.DispatchKeyEventTypeKeyUp, k, false)
}

func (b *bench) key(kind input.DispatchKeyEventType, k input.DispatchKeyEventParams, repeat bool) {
	b.t.Helper()
	k.Type, k.AutoRepeat = kind, new(repeat)
	_, err := chromedp.Call(b.ctx, input.DispatchKeyEvent, k)
	require.NoError(b.t, err)
}

// post sends an answer as another page of this machine does.
func (b *bench) post(a procedure.Answer) int {
	b.t.Helper()
	body, err := json.Marshal(a)
	require.NoError(b.t, err)
	r, err := http.Post(b.program+"answer", "application/json", bytes.NewReader(body))
	require.NoError(b.t, err)
	defer r.Body.Close()
	return r.StatusCode
}

// lineLostAndFound: the page says that the line is lost, and follows again by
// itself; what happened meanwhile is there.
func (b *bench) lineLostAndFound() {
	b.t.Helper()
	asked := b.question(b.asked)
	shown := value[[]string](b.page, stepsShown)
	choice := value[string](b.page, `document.querySelector("#answers button").textContent`)
	b.line.set(true)
	b.until(`!document.getElementById("lost").hidden`)
	b.do(chromedp.Click(chromedp.CSS("#answers button.first")))
	b.until(`document.getElementById("refused").textContent.includes("did not hear")`)

	// Somebody else goes on meanwhile, until the worksheet has more steps.
	require.Equal(b.t, http.StatusNoContent, b.post(procedure.Answer{ID: asked, Choice: choice, By: builder}))
	require.Eventually(b.t, func() bool { return len(b.report().Steps) > len(shown) }, patience, 20*time.Millisecond)
	b.line.set(false)
	b.until(`document.getElementById("lost").hidden && document.querySelectorAll("#steps li").length > ` + text(len(shown)))
	now := value[[]string](b.page, stepsShown)
	var want []string
	for _, s := range b.report().Steps {
		want = append([]string{s.ID}, want...)
	}
	require.GreaterOrEqual(b.t, len(want), len(now))
	assert.Equal(b.t, want[len(want)-len(now):], now, "every step once, the latest first")
	assert.Equal(b.t, shown, now[len(now)-len(shown):])
	complaints, _ := b.heard()
	for _, c := range complaints {
		assert.Contains(b.t, c, "net::ERR", "only the browser's own word that the line was lost")
	}
	b.asked = asked
}

const stepsShown = `[...document.querySelectorAll("#steps li")].map((e) => e.dataset.step)`

const failInSight = `document.querySelector("#steps li:has(.stamp.v-fail)").scrollIntoView({ block: "end", behavior: "instant" })`

// showsTheFail: word and shape, not colour alone.
func (b *bench) showsTheFail() {
	b.t.Helper()
	row := `document.querySelector("#steps li:has(.stamp.v-fail)")`
	assert.Contains(b.t, strings.ToLower(value[string](b.page, row+`.innerText`)), "transponder")
	assert.Equal(b.t, "fail", value[string](b.page, row+`.querySelector(".stamp").innerText.trim()`))
	assert.Equal(b.t, 1, value[int](b.page, row+`.querySelectorAll(".stamp rect").length`), "a square")
	assert.Equal(b.t, 1, value[int](b.page, row+`.querySelectorAll(".stamp path").length`), "with a cross")
	assert.Equal(b.t, 1, value[int](b.page, `document.querySelector("#steps li .stamp.v-pass").querySelectorAll("circle").length`), "a pass is a disc")
	assert.Equal(b.t, 1, value[int](b.page, row+`.querySelectorAll(".band rect").length`), "and the mark on the band is the square, too")
}

// report is the worksheet as a machine reads it.
func (b *bench) report() report.Report { return reportOf(b.t, b.program) }

func reportOf(t testing.TB, address string) report.Report {
	t.Helper()
	r, err := http.Get(strings.TrimSuffix(address, "/") + "/report/1.json")
	require.NoError(t, err)
	defer r.Body.Close()
	require.Equal(t, http.StatusOK, r.StatusCode)
	var rep report.Report
	require.NoError(t, json.NewDecoder(r.Body).Decode(&rep))
	return rep
}
