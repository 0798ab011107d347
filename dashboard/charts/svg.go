package charts

import (
	"bytes"
	"encoding/base64"
	"encoding/xml"
	"fmt"
	"image/color"
	"image/png"
	"io"
	"math"
	"strconv"
	"strings"
)

// SVG writes the picture as one svg element, for a file or to stand in a page.
func (p *Picture) SVG(w io.Writer) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" class="chart" role="img" viewBox="0 0 %s %s" width="%s" height="%s" font-family="system-ui, 'DejaVu Sans', sans-serif" font-variant="tabular-nums">`,
		short(p.w), short(p.h), short(p.w), short(p.h))
	fmt.Fprintf(&b, "\n<title>%s</title>\n<desc>%s</desc>\n", escape(p.Title), escape(p.Description))
	fmt.Fprintf(&b, `<rect width="%s" height="%s" fill="%s"/>`+"\n", short(p.w), short(p.h), hex(paper))
	for _, i := range p.items {
		switch i := i.(type) {
		case lines:
			i.svg(&b)
		case text:
			i.svg(&b)
		case raster:
			if err := i.svg(&b); err != nil {
				return err
			}
		}
	}
	b.WriteString("</svg>\n")
	_, err := b.WriteTo(w)
	return err
}

func (l lines) svg(b *bytes.Buffer) {
	fill, stroke := "none", ""
	if l.fill != none {
		fill = hex(l.fill)
	}
	if l.stroke != none {
		stroke = fmt.Sprintf(` stroke="%s" stroke-width="%s" stroke-linejoin="round"`, hex(l.stroke), short(l.wide))
	}
	if l.dash > 0 {
		stroke += fmt.Sprintf(` stroke-dasharray="%s"`, short(l.dash))
	}
	fmt.Fprintf(b, `<path fill="%s"%s d="`, fill, stroke)
	for _, path := range l.paths {
		way(b, path)
		if l.closed {
			b.WriteByte('z')
		}
	}
	b.WriteString("\"/>\n")
}

// way writes a path in tenths of a pixel, each point as a step from the one
// before, without adding up what rounding leaves.
func way(b *bytes.Buffer, path []point) {
	var x, y int64
	for i, at := range path {
		nx, ny := int64(math.Round(at.x*10)), int64(math.Round(at.y*10))
		dx, dy := nx-x, ny-y
		x, y = nx, ny
		if i == 0 {
			fmt.Fprintf(b, "M%s %sl", tenths(dx), tenths(dy))
			if len(path) == 1 {
				b.WriteString("0 0")
			}
			continue
		}
		if i > 1 && dx >= 0 {
			b.WriteByte(' ')
		}
		b.WriteString(tenths(dx))
		if dy >= 0 {
			b.WriteByte(' ')
		}
		b.WriteString(tenths(dy))
	}
}

func tenths(n int64) string {
	switch s := strconv.FormatFloat(float64(n)/10, 'f', -1, 64); {
	case strings.HasPrefix(s, "0."):
		return s[1:]
	case strings.HasPrefix(s, "-0."):
		return "-" + s[2:]
	default:
		return s
	}
}

func (t text) svg(b *bytes.Buffer) {
	fmt.Fprintf(b, `<text x="%s" y="%s" font-size="%s" fill="%s"`, short(t.at.x), short(t.at.y), short(t.size), hex(t.color))
	if t.anchor != start {
		fmt.Fprintf(b, ` text-anchor="%s"`, [...]string{middle: "middle", end: "end"}[t.anchor])
	}
	if t.bold {
		b.WriteString(` font-weight="600"`)
	}
	fmt.Fprintf(b, ">%s</text>\n", escape(t.words))
}

func (r raster) svg(b *bytes.Buffer) error {
	var cells bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&cells, r.cells); err != nil {
		return err
	}
	fmt.Fprintf(b, `<image x="%s" y="%s" width="%s" height="%s" preserveAspectRatio="none" href="data:image/png;base64,%s"/>`+"\n",
		short(r.from.x), short(r.from.y), short(r.to.x-r.from.x), short(r.to.y-r.from.y), base64.StdEncoding.EncodeToString(cells.Bytes()))
	return nil
}

func short(v float64) string { return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64) }

func hex(c color.RGBA) string { return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B) }

// escape makes words safe in an element; what XML cannot hold becomes a mark.
func escape(words string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(words)) // a Builder takes everything
	return b.String()
}
