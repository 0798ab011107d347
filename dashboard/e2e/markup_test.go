package e2e

import (
	"context"
	"net/http/httptest"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/dashboard/access"
	"loomproof/dashboard/web"
	"loomproof/scripts"
)

// attack is what a design from somewhere may have in the place of a name.
const attack = `<img src=x onerror="hurt=1"><script>hurt=1</script></td></style>&amp;`

// A design and a procedure whose words are markup show them as words, on every
// page that has them and in the report.
func TestMarkupIsShownAsText(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	quoted := "'" + attack + "'"
	marked := regexp.MustCompile(`(?m)^( +title:) .*$`).ReplaceAllString(string(text), "$1 "+quoted)
	marked = regexp.MustCompile(`\{title: [^,}]+`).ReplaceAllString(marked, "{title: "+quoted)
	marked = strings.Replace(marked, "name: Marsh Hen", "name: "+quoted, 1)
	marked = strings.Replace(marked, "registration: MH-01", "registration: "+quoted, 1)
	d, err := design.Parse("marked.yaml", []byte(marked))
	require.NoError(t, err)
	script := `
A = """` + attack + `"""
caution(A)
check_marking("radio", number(A, "A", circuit = "radio"))
not_done("load voltage", "gps", A)
hold(A, detail = A, answers = [A, "No"])
`
	desk, book := perform(t, d, script)
	asked := 0
	require.NoError(t, desk.Until(t.Context(), func(v procedure.View) bool { asked = v.Now.ID; return v.Now.Number != "" }))
	require.NoError(t, desk.Answer(procedure.Answer{ID: asked, Number: 20, By: attack}))
	require.NoError(t, desk.Until(t.Context(), func(v procedure.View) bool { return len(v.Now.Answers) > 0 }))

	server := httptest.NewServer(access.Local(web.New(web.Options{Desk: desk, Book: book, Design: d, Demo: attack})))
	t.Cleanup(server.Close)
	p := openPage(t, server.URL)
	p.until(`document.querySelectorAll("#steps li").length === 2`)
	for id, what := range map[string]string{"say": "the instruction", "detail": "its detail", "aircraft": "the aircraft", "answers": "an answer", "steps": "the steps", "findings": "the findings"} {
		assert.Contains(t, value[string](p, `document.getElementById("`+id+`").textContent`), attack, what)
	}
	p.onlyText()
	complaints, elsewhere := p.heard()
	assert.Empty(t, complaints)
	assert.Empty(t, elsewhere)

	p.open(server.URL + "/report/1")
	for _, where := range []string{"h1", "title", ".steps caption", ".steps", "ul"} {
		assert.Contains(t, value[string](p, `[...document.querySelectorAll("`+where+`")].map((e) => e.textContent).join(" ")`), attack, where)
	}
	p.onlyText()

	for path, where := range map[string]string{"aircraft": "main", "aircraft/radio": "h1", "design": ".file", "logbook": "tbody", "why/1": "body", "compare/1": "body", "verify/1": "main"} {
		p.open(server.URL + "/" + path)
		p.onlyText()
		if path != "verify/1" && path != "compare/1" { // which name nothing of the design
			assert.Contains(t, value[string](p, `document.querySelector("`+where+`").textContent`), attack, path)
		}
	}
}

// Whoever sees smoke presses one key.
func TestSmokeByKey(t *testing.T) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	desk, book := perform(t, d, "hold('Look at the loom.')\n")
	server := httptest.NewServer(access.Local(web.New(web.Options{Desk: desk, Book: book})))
	t.Cleanup(server.Close)
	b := &bench{page: openPage(t, server.URL)}
	b.until(`document.readyState === "complete" && now && now.say === "Look at the loom."`)
	b.press(input.DispatchKeyEventParams{Key: "s"})
	b.until(`now.say.toLowerCase().includes("smoke") && document.getElementById("now").classList.contains("warn")`)
	v, _ := desk.View()
	assert.Contains(t, v.Now.Say, "off, by hand, now.", "nothing there can cut")
}

// onlyText: none of the words became an element, and none ran.
func (p *page) onlyText() {
	p.t.Helper()
	assert.Zero(p.t, value[int](p, `document.querySelectorAll("img, body script").length`))
	assert.Equal(p.t, "undefined", value[string](p, `typeof hurt`))
}

// perform performs a script without instruments until the test ends.
func perform(t *testing.T, d *design.Design, script string) (*procedure.Desk, *logbook.Book) {
	t.Helper()
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	sheet, err := book.Begin(t.Context(), logbook.Opening{
		Procedure: "marked", Script: script, Aircraft: d.Aircraft.Name, Design: d.Text, File: d.File, Revision: d.Revision, Program: "v1.0.0",
	})
	require.NoError(t, err)
	desk := procedure.NewDesk()
	desk.Settle = 0
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		p := procedure.Performance{Design: d, Sheet: sheet, Name: "marked", Script: []byte(script), Bench: &procedure.Bench{}, Desk: desk}
		err := p.Perform(ctx)
		if ctx.Err() == nil {
			assert.NoError(t, err, "the script")
		}
		ended <- err
	}()
	t.Cleanup(func() { stop(); <-ended; book.Close() })
	return desk, book
}
