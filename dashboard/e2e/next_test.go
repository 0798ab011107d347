package e2e

import (
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/procedure"
	"loomproof/dashboard/station"
	"loomproof/scripts"
)

// TestThen: below what is to be done stands what comes after it, on a phone
// without scrolling, too; as a step is done it becomes what is to be done, and
// another stands there. Nothing stands there while something is looked at once more.
func TestThen(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	book, _ := recordings(t)
	script := filepath.Join(t.TempDir(), "look.star")
	require.NoError(t, os.WriteFile(script, []byte(`
hold("Open the doors.", answers = ["Open"])
for c in ["radio", "strobe"]:
    observe("chafing", c, "No bare wire at the %s?" % c, finding = "bare wire", attempt = "tape it")
check_marking("radio", number("Which rating is marked?", "A", circuit = "radio"))
note("plate " + words("What stands on the plate?"))
hold("Close the doors.", answers = ["Closed"])
`), 0o600))
	s := &station.Station{Design: d, Bench: &procedure.Bench{}, Book: book, Desk: procedure.NewDesk(), Version: "v1.0.0", Ahead: true}
	door, err := station.TakeLocal("127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, s.Open(t.Context(), door))
	ended := make(chan error, 1)
	go func() { _, err := s.Perform(t.Context(), script); ended <- err }()

	b := &bench{page: openPage(t, door.Local)}
	b.do(chromedp.SendKeys(chromedp.ID("by"), builder+"\r"))
	stands := func(say, next string) {
		t.Helper()
		if next != "" {
			next = "Then: " + next
		}
		b.asked = b.question(b.asked)
		b.until(`document.getElementById("say").textContent === ` + strconv.Quote(say) + ` && document.getElementById("next").textContent === ` + strconv.Quote(next))
	}
	press := func(answer string) {
		t.Helper()
		value[chromedp.Void](b.page, `[...document.querySelectorAll("#answers button")].find((e) => e.textContent === `+strconv.Quote(answer)+`).click()`)
	}
	typed := func(what string) { t.Helper(); b.do(chromedp.SendKeys("#answers input", what+"\r")) }

	stands("Open the doors.", "No bare wire at the radio?")
	for _, size := range []func(){b.phone, b.laptop} {
		size()
		b.drawn()
		assert.True(t, value[bool](b.page, `(() => { const e = document.getElementById("next"), r = e.getBoundingClientRect(); return e.checkVisibility() && r.height > 0 && r.bottom <= innerHeight; })()`), "seen without scrolling")
	}
	b.fitsAndIsQuiet("what comes next")
	press("Open")
	stands("No bare wire at the radio?", "No bare wire at the strobe?")
	press("Yes")
	stands("No bare wire at the strobe?", "Which rating is marked?")
	value[chromedp.Void](b.page, `document.querySelector("#steps button.again").click()`)
	stands("Once more. No bare wire at the radio?", "")
	press("No")
	stands("No bare wire at the strobe?", "Which rating is marked?")
	press("Yes")
	stands("Which rating is marked?", "What stands on the plate?")
	typed("5")
	stands("What stands on the plate?", "Close the doors.")
	typed("RX-1")
	stands("Close the doors.", "")
	press("Closed")
	require.NoError(t, <-ended)
	b.until(`now.kind === "ended" && document.getElementById("next").textContent === ""`)
}
