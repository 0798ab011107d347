package e2e

import (
	"context"
	"encoding/xml"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/dashboard/report"
)

// printsWell prints the report on both papers and reads it back.
func (b *bench) printsWell(rep report.Report) {
	b.t.Helper()
	for name, paper := range map[string]chromedp.PaperSize{"A4": chromedp.PaperA4, "Letter": chromedp.PaperLetter} {
		b.open(b.line.url + "report/1")
		ctx, cancel := context.WithTimeout(b.ctx, patience)
		pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(paper)))
		cancel()
		require.NoError(b.t, err)
		file := filepath.Join(b.t.TempDir(), name+".pdf")
		require.NoError(b.t, os.WriteFile(file, pdf, 0o644))
		if folder := os.Getenv("LOOMPROOF_PICTURES"); folder != "" {
			read(b.t, nil, tool(b.t, "pdftoppm", "poppler-utils"), "-r", "70", "-png", file, filepath.Join(folder, name))
		}
		b.readBack(name, file, rep)
	}
}

// printed is what pdftotext -bbox writes.
type printed struct {
	Pages []struct {
		Width  float64 `xml:"width,attr"`
		Height float64 `xml:"height,attr"`
		Words  []struct {
			Left   float64 `xml:"xMin,attr"`
			Right  float64 `xml:"xMax,attr"`
			Top    float64 `xml:"yMin,attr"`
			Bottom float64 `xml:"yMax,attr"`
			Text   string  `xml:",chardata"`
		} `xml:"word"`
	} `xml:"body>doc>page"`
}

// side is report.css's margin at the sides in points, 72 to the inch.
const side = 13.0 / 25.4 * 72

func (b *bench) readBack(name, file string, rep report.Report) {
	b.t.Helper()
	pdftotext := tool(b.t, "pdftotext", "poppler-utils")
	pages := strings.Split(strings.TrimSuffix(read(b.t, nil, pdftotext, "-layout", file, "-"), "\f"), "\f")
	assert.Contains(b.t, strings.ToLower(pages[0]), "fail", "%s: the verdict is on the first page", name)
	assert.Contains(b.t, pages[0], "Marsh Hen")
	for i, p := range pages {
		assert.Contains(b.t, p, fmt.Sprintf("page %d of %d", i+1, len(pages)), name)
	}
	flat := strings.Join(strings.Fields(read(b.t, nil, pdftotext, file, "-")), " ")
	for _, s := range rep.Steps {
		title, _, _ := strings.Cut(s.Title, ": ")
		assert.Contains(b.t, flat, title, "%s: circuit %s is named", name, s.Circuit)
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
