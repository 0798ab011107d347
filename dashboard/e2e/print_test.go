package e2e

import (
	"bytes"
	"context"
	"encoding/xml"
	"fmt"
	"html/template"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/design/generate"
	"loomproof/checks/groundrun"
	"loomproof/checks/logbook"
	"loomproof/checks/mockup/charging"
	"loomproof/checks/procedure"
	"loomproof/checks/recording/store"
	"loomproof/dashboard/access"
	"loomproof/dashboard/report"
	"loomproof/dashboard/web"
	"loomproof/scripts"
)

// A document is what the browser has of a report before it is printed, without
// white space: where lines break is the printer's affair.
type document struct {
	Heads  []string   `json:"heads"`  // what must not stand alone at the foot of a page
	Tables [][]string `json:"tables"` // the cells of each table in their order
}

const readDocument = `(() => {
  const text = (e) => e.innerText.replace(/\s+/g, "");
  const table = (e) => e.nextElementSibling?.tagName === "TABLE" ? e : null;
  const heads = [...document.querySelectorAll("h2, h3, caption, thead")];
  heads.push(...[...document.querySelectorAll("h2 + p, h3 + p")].map(table).filter((e) => e));
  return {
    heads: heads.map(text),
    tables: [...document.querySelectorAll("table")].map((t) => [...t.querySelectorAll("tbody tr")].flatMap((r) => [...r.cells].map(text)).filter((c) => c)),
  };
})()`

// printsWell prints the report at an address on both papers and reads it back. It
// takes from least to most pages.
func (b *page) printsWell(address string, rep report.Report, least, most int) {
	b.t.Helper()
	for name, paper := range map[string]chromedp.PaperSize{"A4": chromedp.PaperA4, "Letter": chromedp.PaperLetter} {
		b.open(address)
		doc := value[document](b, readDocument)
		ctx, cancel := context.WithTimeout(b.ctx, patience)
		pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(paper)))
		cancel()
		require.NoError(b.t, err)
		file := filepath.Join(b.t.TempDir(), name+".pdf")
		require.NoError(b.t, os.WriteFile(file, pdf, 0o644))
		if folder := os.Getenv("LOOMPROOF_PICTURES"); folder != "" {
			read(b.t, nil, tool(b.t, "pdftoppm", "poppler-utils"), "-r", "70", "-png", file, filepath.Join(folder, strings.ReplaceAll(b.t.Name(), "/", "-")+name+strconv.Itoa(len(rep.Steps))))
		}
		b.saysAll(name, file, rep)
		b.breaksWell(name, file, doc, least, most)
		b.isLaidOut(name, file)
	}
}

// pagesOf are the pages of a file as pdftotext gives them.
func (b *page) pagesOf(file, how string) []string {
	b.t.Helper()
	return strings.Split(strings.TrimSuffix(read(b.t, nil, tool(b.t, "pdftotext", "poppler-utils"), how, file, "-"), "\f"), "\f")
}

// saysAll: the verdict is on the first page, what is open before all else, and the
// parts follow each other.
func (b *page) saysAll(name, file string, rep report.Report) {
	b.t.Helper()
	pages := b.pagesOf(file, "-layout")
	first := strings.Join(strings.Fields(pages[0]), " ")
	assert.Contains(b.t, strings.ToLower(first), string(rep.Verdict), "%s: the verdict is on the first page", name)
	assert.Contains(b.t, first, rep.Aircraft)
	for i, p := range pages {
		assert.Contains(b.t, p, fmt.Sprintf("page %d of %d", i+1, len(pages)), name)
	}
	open := strings.Index(first, "NOT FINISHED")
	assert.Equal(b.t, rep.Finished, open < 0, "%s: whether it is finished", name)
	if !rep.Finished {
		assert.Less(b.t, open, strings.Index(first, "steps pass"), "%s: what is open comes first", name)
	}
	flat := strings.Join(strings.Fields(read(b.t, nil, tool(b.t, "pdftotext", "poppler-utils"), file, "-")), " ")
	for _, s := range rep.Steps {
		title, _, _ := strings.Cut(s.Title, ": ")
		assert.Contains(b.t, flat, title, "%s: circuit %s is named", name, s.Circuit)
	}
	last := -1
	for _, part := range []string{"Findings", "The circuits at a glance", "How it was done", "The one-line diagram", "Every step"} {
		at := strings.Index(flat[last+1:], part)
		require.GreaterOrEqual(b.t, at, 0, "%s: %q follows", name, part)
		last += 1 + at
	}
	for _, f := range rep.Findings {
		assert.Contains(b.t, flat, strings.Join(strings.Fields(f.What), " "))
	}
}

// between is how much may stand between two cells of a table: the number of a page,
// and the table's head again.
const between = 120

var (
	white      = regexp.MustCompile(`\s+`)
	pageNumber = regexp.MustCompile(`page\d+of\d+`)
)

// breaksWell: as many pages as there should be, every cell of every table in its
// order, no heading alone at a foot.
func (b *page) breaksWell(name, file string, doc document, least, most int) {
	b.t.Helper()
	pages := b.pagesOf(file, "-raw") // the order in which it was drawn, which is that of the document
	assert.GreaterOrEqual(b.t, len(pages), least, "%s: pages", name)
	assert.LessOrEqual(b.t, len(pages), most, "%s: pages", name)
	all := ""
	for i, p := range pages {
		p = pageNumber.ReplaceAllString(white.ReplaceAllString(p, ""), "")
		all += p
		for _, head := range doc.Heads {
			assert.False(b.t, head != "" && strings.HasSuffix(p, head), "%s page %d: %q stands alone at the foot", name, i+1, head)
		}
	}
	require.NotEmpty(b.t, doc.Tables)
	for _, table := range doc.Tables {
		if len(table) == 0 {
			continue
		}
		assert.True(b.t, inOrder(all, table), "%s: a table is not all there in its order: %q", name, table)
	}
}

// inOrder tells whether cells stand in a text behind each other, wherever they begin.
func inOrder(all string, cells []string) bool {
	for from := 0; ; {
		at := strings.Index(all[from:], cells[0])
		if at < 0 {
			return false
		}
		from += at + len(cells[0])
		rest, ok := all[from:], true
		for _, c := range cells[1:] {
			at := strings.Index(rest[:min(len(rest), between+len(c))], c)
			if ok = at >= 0; !ok {
				break
			}
			rest = rest[at+len(c):]
		}
		if ok {
			return true
		}
	}
}

// printed is what pdftotext -bbox writes.
type printed struct {
	Pages []printedPage `xml:"body>doc>page"`
}

type printedPage struct {
	Width  float64       `xml:"width,attr"`
	Height float64       `xml:"height,attr"`
	Words  []printedWord `xml:"word"`
}

type printedWord struct {
	Left   float64 `xml:"xMin,attr"`
	Right  float64 `xml:"xMax,attr"`
	Top    float64 `xml:"yMin,attr"`
	Bottom float64 `xml:"yMax,attr"`
	Text   string  `xml:",chardata"`
}

// height is how high a word's letters stand, also of one that is turned.
func (w printedWord) height() float64 { return min(w.Right-w.Left, w.Bottom-w.Top) }

// report.css's margins in points, 72 to the inch, and the smallest letters that are
// read in a workshop without a glass: common practice.
const (
	point  = 72 / 25.4
	side   = 13 * point
	top    = 14 * point
	bottom = 16 * point
	least  = 6.0
)

// isLaidOut: nothing stands in a margin but the page's number, nothing on top of
// something else, no letters are too small.
func (b *page) isLaidOut(name, file string) {
	b.t.Helper()
	var doc printed
	decoder := xml.NewDecoder(strings.NewReader(read(b.t, nil, tool(b.t, "pdftotext", "poppler-utils"), "-bbox", file, "-")))
	decoder.Strict, decoder.AutoClose, decoder.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	require.NoError(b.t, decoder.Decode(&doc))
	require.NotEmpty(b.t, doc.Pages)
	for i, p := range doc.Pages {
		assert.Greater(b.t, len(p.Words), 6, "%s page %d: there is something on it beside its number", name, i+1)
		foot := 0.0 // the number's line
		for _, w := range p.Words {
			foot = max(foot, w.Bottom)
		}
		for _, w := range p.Words {
			where := name + " page " + strconv.Itoa(i+1) + ": " + w.Text
			assert.GreaterOrEqual(b.t, w.Left, side-1, where)
			assert.LessOrEqual(b.t, w.Right, p.Width-side+1, where)
			assert.GreaterOrEqual(b.t, w.Top, top-3, where)
			if w.Bottom < foot-3 {
				assert.LessOrEqual(b.t, w.Bottom, p.Height-bottom+3, where)
			}
			if len([]rune(w.Text)) > 3 { // of a few letters it cannot be told which way they stand
				assert.GreaterOrEqual(b.t, w.height(), least, where)
			}
			for _, v := range p.Words {
				across := min(v.Right, w.Right) - max(v.Left, w.Left)
				down := min(v.Bottom, w.Bottom) - max(v.Top, w.Top)
				if v != w && across > 1 && down > 6 {
					assert.Fail(b.t, "words on top of each other", "%s, %s", where, v.Text)
				}
			}
		}
	}
}

// The report of an aircraft of two hundred circuits with long names, forty of
// them failed, and nobody finished it.
func TestALargeReportPrints(t *testing.T) {
	text := regexp.MustCompile(`(?m)^  (c[0-9]+):$`).ReplaceAllString(string(generate.Text(200, 1)), "  $1:\n    title: $1, equipment bay behind the left seat, lower shelf")
	d, err := design.Parse("large.yaml", []byte(text))
	require.NoError(t, err)
	require.Len(t, d.Circuits, 200)
	require.Contains(t, d.Circuits[7].Title, "equipment bay")
	const script = `
def each():
    for i, c in enumerate(circuits):
        volts = 11.2 if i % 5 == 0 else 13.2
        check_number("load voltage", c.name, volts, "V", u = 0.01, low = 12.6, high = 14.4, rule = "at most 5 % lost, AC 43.13-1B table 11-6", status = "verified")
        check_number("current", c.name, 1.5, "A", u = 0.01, high = 5, rule = "the rating marked on its protector")

each()
hold("Not finished.")
`
	desk, book := perform(t, d, script)
	require.NoError(t, desk.Until(t.Context(), func(v procedure.View) bool { return v.Now.Say == "Not finished." }))
	server := httptest.NewServer(access.Local(web.New(web.Options{Desk: desk, Book: book, Design: d})))
	t.Cleanup(server.Close)
	p := openPage(t, server.URL+"/report/1")
	rep := reportOf(t, server.URL)
	assert.Len(t, rep.Findings, 40)
	assert.False(t, rep.Finished)
	p.printsWell(server.URL+"/report/1", rep, 20, 60)
	p.waiting = 3 * time.Minute // axe-core looks at each of some thousand cells
	p.fitsAndIsQuiet("a large report")
}

// The report of a ground run with what its recording shows, and its pictures. What
// the recording cannot tell stands there once, though the worksheet has it as notes.
func TestTheReportOfAGroundRunPrints(t *testing.T) {
	d, err := design.Parse("marsh-hen.yaml", marshHenText(t))
	require.NoError(t, err)
	desk, book := perform(t, d, `
check_number("current", "alternator-field", 2.5, "A", u = 0.01, high = 5, rule = "the rating marked on its protector", status = "verified")
hold("Run over.")
`)
	require.NoError(t, desk.Until(t.Context(), func(v procedure.View) bool { return v.Now.Say == "Run over." }))

	c := charging.MarshHen()
	c.Step = 1.0 / 32000
	log, err := charging.New(c, charging.Fault{Kind: charging.OpenDiode, Size: 1e6}).Record(charging.GroundRun(), 60, append(charging.Taps(200), charging.Fast(8000))...)
	require.NoError(t, err)
	kept, err := store.Open(book)
	require.NoError(t, err)
	id, err := kept.Keep(t.Context(), log, store.Opening{Start: log.Start(), Title: "first run"})
	require.NoError(t, err)
	analysis, err := groundrun.Analyse(log, groundrun.OptionsOf(d))
	require.NoError(t, err)
	require.NotEmpty(t, analysis.Untold)

	performed, err := book.Worksheet(t.Context(), 1)
	require.NoError(t, err)
	var o logbook.Opening
	records := performed.Records()
	require.NoError(t, records[0].Decode(&o))
	sheet, err := book.Begin(t.Context(), o)
	require.NoError(t, err)
	add := func(kind string, body any) {
		_, err := sheet.Append(t.Context(), kind, body)
		require.NoError(t, err)
	}
	for _, r := range records[1:] {
		add(r.Kind, r.Body)
	}
	add(procedure.KindRecording, procedure.Recorded{Recording: id, Title: "first run", Begun: log.Start(), Ended: log.Start().Add(time.Minute)})
	for _, told := range analysis.Untold {
		add("note", procedure.Note{Text: "The recording cannot tell: " + told})
	}
	add(logbook.KindClose, map[string]any{"verdict": "pass"})

	rep, err := report.New(sheet)
	require.NoError(t, err)
	require.NoError(t, rep.AddRuns(t.Context(), book))
	require.Len(t, rep.Runs, 1)
	drawn, _ := rep.Runs[0].Pictures()
	require.NotEmpty(t, drawn)
	var page bytes.Buffer
	require.NoError(t, rep.HTML(&page))
	for _, told := range analysis.Untold {
		assert.Equal(t, 1, strings.Count(page.String(), template.HTMLEscapeString(told)), "it stands there once: %s", told)
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write(page.Bytes()) }))
	t.Cleanup(server.Close)
	openPage(t, server.URL).printsWell(server.URL, *rep, 6, 14)
}

func marshHenText(t *testing.T) []byte {
	t.Helper()
	text, ok := scripts.Design("marsh-hen")
	require.True(t, ok)
	return text
}
