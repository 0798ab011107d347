package e2e

import (
	"context"
	"encoding/xml"
	"fmt"
	"math"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/design/generate"
	"loomproof/checks/procedure"
	"loomproof/dashboard/access"
	"loomproof/dashboard/report"
	"loomproof/dashboard/web"
)

// printsWell prints the report at an address on both papers and reads it back.
func (b *page) printsWell(address string, rep report.Report) {
	b.t.Helper()
	for name, paper := range map[string]chromedp.PaperSize{"A4": chromedp.PaperA4, "Letter": chromedp.PaperLetter} {
		b.open(address)
		heads := value[[]string](b, `[...document.querySelectorAll("h2, caption")].map((h) => h.innerText.replace(/\s+/g, " ").trim())`)
		ctx, cancel := context.WithTimeout(b.ctx, patience)
		pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(paper)))
		cancel()
		require.NoError(b.t, err)
		file := filepath.Join(b.t.TempDir(), name+".pdf")
		require.NoError(b.t, os.WriteFile(file, pdf, 0o644))
		if folder := os.Getenv("LOOMPROOF_PICTURES"); folder != "" {
			read(b.t, nil, tool(b.t, "pdftoppm", "poppler-utils"), "-r", "70", "-png", file, filepath.Join(folder, b.t.Name()+name))
		}
		b.readBack(name, file, rep, heads)
	}
}

// printed is what pdftotext -bbox writes.
type printed struct {
	Pages []printedPage `xml:"body>doc>page"`
}

type printedPage struct {
	Width  float64 `xml:"width,attr"`
	Height float64 `xml:"height,attr"`
	Words  []struct {
		Left   float64 `xml:"xMin,attr"`
		Right  float64 `xml:"xMax,attr"`
		Top    float64 `xml:"yMin,attr"`
		Bottom float64 `xml:"yMax,attr"`
		Text   string  `xml:",chardata"`
	} `xml:"word"`
}

// lowest is the last line of the page above its number.
func (p printedPage) lowest() string {
	foot := 0.0
	for _, w := range p.Words {
		foot = max(foot, w.Bottom)
	}
	low := 0.0
	for _, w := range p.Words {
		if w.Bottom < foot-6 {
			low = max(low, w.Bottom)
		}
	}
	var line []string
	for _, w := range p.Words {
		if math.Abs(w.Bottom-low) < 4 {
			line = append(line, w.Text)
		}
	}
	return strings.Join(line, " ")
}

// side is report.css's margin at the sides in points, 72 to the inch.
const side = 13.0 / 25.4 * 72

func (b *page) readBack(name, file string, rep report.Report, heads []string) {
	b.t.Helper()
	pdftotext := tool(b.t, "pdftotext", "poppler-utils")
	pages := strings.Split(strings.TrimSuffix(read(b.t, nil, pdftotext, "-layout", file, "-"), "\f"), "\f")
	assert.Contains(b.t, strings.ToLower(pages[0]), string(rep.Verdict), "%s: the verdict is on the first page", name)
	assert.Contains(b.t, strings.Join(strings.Fields(pages[0]), " "), rep.Aircraft)
	for i, p := range pages {
		assert.Contains(b.t, p, fmt.Sprintf("page %d of %d", i+1, len(pages)), name)
	}
	flat := strings.Join(strings.Fields(read(b.t, nil, pdftotext, file, "-")), " ")
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

	var doc printed
	decoder := xml.NewDecoder(strings.NewReader(read(b.t, nil, pdftotext, "-bbox", file, "-")))
	decoder.Strict, decoder.AutoClose, decoder.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	require.NoError(b.t, decoder.Decode(&doc))
	require.Len(b.t, doc.Pages, len(pages))
	for i, p := range doc.Pages {
		assert.NotEmpty(b.t, p.Words)
		assert.NotContains(b.t, heads, p.lowest(), "%s page %d: a heading stands alone at the foot", name, i+1)
		for _, w := range p.Words {
			where := name + " page " + strconv.Itoa(i+1) + ": " + w.Text
			assert.GreaterOrEqual(b.t, w.Left, side-1, where)
			assert.LessOrEqual(b.t, w.Right, p.Width-side+1, where)
			assert.LessOrEqual(b.t, w.Bottom, p.Height, where)
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
	p.printsWell(server.URL+"/report/1", rep)
	p.fitsAndIsQuiet("a large report")
}
