package e2e

import (
	"net/url"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
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
