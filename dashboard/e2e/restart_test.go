package e2e

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"sync/atomic"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/procedure"
)

// The program ends in the middle of a worksheet and is started again where it
// was: the page, never touched, says that the line is lost, finds the program,
// has every step that it had, and answers on.
func TestTheProgramIsStartedAgain(t *testing.T) {
	logbook := filepath.Join(t.TempDir(), "logbook.db")
	address, stop := runDemo(t, "none", logbook, "127.0.0.1:0")
	b := &bench{page: openPage(t, address), program: address}
	b.question(0)
	b.do(chromedp.SendKeys(chromedp.ID("by"), builder+"\r"))
	b.performUntil(`document.querySelectorAll("#steps li").length >= 6`)
	b.question(b.asked)
	shown := value[[]string](b.page, stepsShown)

	stop()
	b.until(`!document.getElementById("lost").hidden`)
	at, err := url.Parse(address)
	require.NoError(t, err)
	again, _ := runDemo(t, "none", logbook, at.Host)
	require.Equal(t, address, again)
	b.asked = 0 // a program that was started counts its questions anew
	b.until(`document.getElementById("lost").hidden`)
	b.performUntil(`document.querySelectorAll("#steps li").length >= ` + text(len(shown)+4))
	now := value[[]string](b.page, stepsShown)
	assert.Equal(t, shown, now[len(now)-len(shown):], "each step once, in the order in which it was")
	assert.Equal(t, builder, value[string](b.page, `document.getElementById("by").value`))
	complaints, _ := b.heard()
	for _, c := range complaints {
		assert.Contains(t, c, "net::ERR", "only the browser's own word that the line was lost")
	}
	rep := b.report()
	require.NotEmpty(t, rep.Gaps, "the worksheet tells of it")
}

// A program that was started again may ask under the very number that was
// answered last: the page answers that, too.
func TestTheSameNumberIsAnotherQuestion(t *testing.T) {
	first, before := asking(t)
	second, after := asking(t)
	var serving atomic.Pointer[httptest.Server]
	serving.Store(before)
	program := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { serving.Load().Config.Handler.ServeHTTP(w, r) }))
	t.Cleanup(program.Close)
	p := openPage(t, program.URL)
	p.do(chromedp.SendKeys(chromedp.ID("by"), builder+"\r"))
	for _, desk := range []*procedure.Desk{first, second} {
		p.until(`now && now.id === 1 && document.getElementById("answers").dataset.ready === "1" && document.getElementById("lost").hidden`)
		p.do(chromedp.Click(chromedp.CSS("#answers button.first")))
		require.NoError(t, desk.Until(t.Context(), func(v procedure.View) bool { return v.Now.Kind == procedure.DoNothing }))
		p.until(`now.id !== 1`)
		serving.Store(after)
		program.CloseClientConnections()
	}
}
