package e2e

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/evidence"
	"loomproof/checks/logbook"
	"loomproof/checks/units"
	"loomproof/dashboard/demo"
	"loomproof/dashboard/report"
	"loomproof/dashboard/web"
)

// Two annual checks of one aircraft are performed whole; a joint corrodes between
// them. By the keyboard alone both are ticked in the logbook and compared: the
// values of both stand there, and the joint first. Then the later one is signed
// by the keyboard alone, too.
func TestTwoWorksheetsComparedAndSignedByKeyboard(t *testing.T) {
	file := filepath.Join(t.TempDir(), "logbook.db")
	var years []*report.Report
	for _, fault := range []string{demo.NoFault, "high-resistance-joint"} {
		rep, err := demo.Run(t.Context(), demo.Options{Procedure: "annual-check", Fault: fault, HandsOff: true, Logbook: file, Seed: 3, Version: "v1.0.0", Out: io.Discard})
		require.NoError(t, err)
		years = append(years, rep)
	}
	book, err := logbook.Open(file)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, book.Close()) })
	keys := t.TempDir()
	address := pagesOf(t, web.Options{Book: book, Key: func() (*evidence.Key, error) { k, _, err := evidence.OwnKey(keys); return k, err }}, nil)
	b := &bench{page: openPage(t, address+"logbook")}
	b.until(`document.querySelectorAll("input[name=worksheet]").length === 2`)
	b.fitsAndIsQuiet("two worksheets in the logbook")
	b.tabThrough("the logbook, with two worksheets")
	for _, n := range []string{"2", "1"} {
		b.tabTo(`input[name=worksheet][value="` + n + `"]`)
		b.do(chromedp.KeyEvent(" "))
	}
	b.tabTo(`form:has(input[name=worksheet]) > p button`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`location.pathname === "/compare/1/2" && document.readyState === "complete"`)
	assert.Equal(t, "What has crept", value[string](b.page, `document.querySelector("h1").innerText`))
	worse := value[string](b.page, `[...document.querySelectorAll("section")].find((s) => s.querySelector("h2")?.innerText === "Worse").innerText`)
	assert.Contains(t, worse, "transponder", "the joint that corroded")
	assert.NotContains(t, worse, "ground point", "and nothing else")
	b.fitsAndIsQuiet("two worksheets compared")
	b.tabThrough("two worksheets compared")

	// All that was compared is opened by the keyboard, and has the values of both.
	b.tabTo(`section:last-of-type summary`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.querySelector("section:last-of-type details").open`)
	all := value[string](b.page, `document.querySelector("section:last-of-type").innerText`)
	both := 0
	for _, before := range years[0].Steps {
		for _, after := range years[1].Steps {
			if after.ID != before.ID || before.Reading == nil || after.Reading == nil || !strings.HasPrefix(before.Title, "ground point") {
				continue // the others are brought to the design's temperature and currents
			}
			both++
			assert.Contains(t, all, units.Format(*before.Reading, before.Unit)+" → "+units.Format(*after.Reading, after.Unit), before.Title)
		}
	}
	assert.Greater(t, both, 3)
	b.fitsAndIsQuiet("everything compared")
	b.tabThrough("everything compared")

	b.open(address + "sign/2")
	b.fitsAndIsQuiet("signing off a failed check")
	b.tabThrough("signing off")
	for _, x := range [][2]string{{"by", builder}, {"capacity", "builder"}, {"reason", "it is mended next week"}} {
		b.tabTo("input[name=" + x[0] + "]")
		b.do(chromedp.SendKeys("input[name="+x[0]+"]", x[1]))
	}
	b.tabTo(`form button`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.body.innerText.includes("is signed by ` + builder + `, builder")`)
	b.tabThrough("signed")
	sheet, err := book.Worksheet(t.Context(), 2)
	require.NoError(t, err)
	assert.Equal(t, logbook.KindSign, sheet.Records()[len(sheet.Records())-1].Kind)
}

// A recording is begun, marked and stopped by the keyboard alone, and all that can
// be used is reached before, while it is made, and after.
func TestRecordingByKeyboard(t *testing.T) {
	st, o := recordable(t)
	b := &bench{page: openPage(t, pagesOf(t, o, nil)+"recording")}
	b.until(`document.querySelectorAll("#channels li").length === 1`)
	b.tabThrough("the recorder")
	b.tabTo("#by")
	b.do(chromedp.SendKeys(chromedp.ID("by"), builder))
	b.tabTo("#begin button.first")
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`location.pathname === "/recording/1" && document.readyState === "complete"`)
	b.needsCharts()
	b.until(`strips.length === 1 && strips[0].data[0].length > 3`)
	b.tabThrough("a recording that is made")
	b.tabTo("#marking input")
	b.do(chromedp.SendKeys("#marking input", "choke in\r"))
	b.until(`document.getElementById("markers").innerText.includes("choke in")`)
	b.tabTo("#stop")
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`data.ended && !document.getElementById("analysis").innerText.includes("being read")`)
	b.tabThrough("a recording that has ended")
	for _, details := range []string{"table", "lines", "across"} {
		b.tabTo("#" + details + " summary")
		if !value[bool](b.page, fmt.Sprintf(`document.getElementById(%q).open`, details)) {
			b.do(chromedp.KeyEvent(kb.Enter))
		}
		b.until(fmt.Sprintf(`document.getElementById(%q).open`, details))
	}
	b.tabThrough("a recording with all that opens")
	complaints, _ := b.heard()
	assert.Empty(t, complaints)
	kept, err := st.Recording(t.Context(), 1)
	require.NoError(t, err)
	assert.Len(t, kept.Markers(), 1)
}
