// Package diagram draws the one-line diagram of a design as SVG: sources at the
// top, buses as bars, circuits hanging below with protector, gauge and load. It
// is made to be read on one A4 sheet.
//
//	svg := diagram.SVG(design, nil)
//
// With verdicts by circuit, each circuit carries its verdict's style class, so
// that a page can show it.
package diagram

import (
	"fmt"
	"html"
	"slices"
	"strconv"
	"strings"

	"loomproof/checks/design"
	"loomproof/dashboard/band"
)

// The measures of the drawing, in its own units.
const (
	margin  = 24.0
	sourceY = 44.0
	pitch   = 44.0  // between circuits
	perRow  = 22    // circuits on a bar before it goes on below
	rowRise = 86.0  // above a bar: its feeder
	rowFall = 268.0 // below a bar: its circuits
	left    = 120.0 // where bars begin
)

// SVG draws the design as a picture of its own, with its style. verdicts may be
// nil.
func SVG(d *design.Design, verdicts map[string]string) string {
	return draw(d, verdicts, nil, style)
}

// Inside draws the design for a page that has the style itself, with a link on
// each circuit.
func Inside(d *design.Design, verdicts map[string]string, link func(circuit string) string) string {
	return draw(d, verdicts, link, "")
}

const style = `<style>.diagram{font:11px system-ui,"DejaVu Sans",sans-serif;background:#fff}.diagram text{fill:#1b1b19}.diagram .small{font-size:9px}.diagram .title{font-size:16px;font-weight:600}` +
	`.diagram path,.diagram rect,.diagram circle{fill:none;stroke:currentColor;stroke-width:1.2}.diagram .bar{stroke-width:5}.diagram .open{fill:#fff}` +
	`.diagram{color:#1b1b19}.diagram .v-fail{color:#a3180f;stroke-width:2.4}.diagram .v-pass{color:#1f5d3a}.diagram .v-undecided{color:#7a5200}` +
	`.diagram .mark{fill:currentColor;stroke:none}.diagram .cut{fill:none;stroke:#fff;stroke-width:2}</style>`

func draw(d *design.Design, verdicts map[string]string, link func(string) string, style string) string {
	p := &picture{d: d, verdicts: verdicts, link: link, bars: map[string]bar{}}
	p.plan()
	p.sources()
	for _, b := range d.Buses {
		p.bus(b)
	}
	role := "img"
	if link != nil {
		role = "group" // what can be followed in it is reached by itself
	}
	var s strings.Builder
	fmt.Fprintf(&s, `<svg xmlns="http://www.w3.org/2000/svg" class="diagram" viewBox="0 0 %.0f %.0f" role="%s" aria-label="One-line diagram of %s">`,
		p.width, p.height, role, html.EscapeString(d.Aircraft.Name))
	s.WriteString(style)
	s.WriteString(p.out.String())
	s.WriteString("</svg>\n")
	return s.String()
}

type bar struct{ x1, x2, y float64 }

type picture struct {
	d             *design.Design
	verdicts      map[string]string
	link          func(circuit string) string
	bars          map[string]bar
	width, height float64
	out           strings.Builder
}

func (p *picture) circuits(bus string) (out []*design.Circuit) {
	for _, k := range p.d.Circuits {
		if k.Bus == bus {
			out = append(out, k)
		}
	}
	return out
}

// plan gives each bus its bar.
func (p *picture) plan() {
	y := sourceY + 40
	widest := 8
	for _, b := range p.d.Buses {
		n := len(p.circuits(b.Name))
		rows := max(1, (n+perRow-1)/perRow)
		columns := max(4, min(n, perRow))
		widest = max(widest, columns)
		y += rowRise
		p.bars[b.Name] = bar{left, left + float64(columns)*pitch, y}
		y += float64(rows) * rowFall
	}
	p.width, p.height = left+float64(widest)*pitch+margin, y+margin
}

func (p *picture) text(x, y float64, class, format string, args ...any) {
	fmt.Fprintf(&p.out, `<text x="%.1f" y="%.1f" class="%s">%s</text>`, x, y, class, html.EscapeString(fmt.Sprintf(format, args...)))
}

// upright writes from a point upwards, as on a drawing; hanging writes upwards
// to a point.
func (p *picture) upright(x, y float64, class, text string) {
	fmt.Fprintf(&p.out, `<text transform="translate(%.1f %.1f) rotate(-90)" class="%s">%s</text>`, x, y, class, html.EscapeString(text))
}

func (p *picture) hanging(x, y float64, class, text string) {
	fmt.Fprintf(&p.out, `<text transform="translate(%.1f %.1f) rotate(-90)" text-anchor="end" class="%s">%s</text>`, x, y, class, html.EscapeString(text))
}

func (p *picture) path(class, format string, args ...any) {
	fmt.Fprintf(&p.out, `<path class="%s" d="%s"/>`, class, fmt.Sprintf(format, args...))
}

// sources draws the sources above the first bus, and the way to it.
func (p *picture) sources() {
	p.text(margin, 26, "title", "%s, %v nominal", p.d.Aircraft.Name, p.d.Aircraft.Nominal)
	p.text(p.width-margin-150, 26, "small", "design revision %s", p.d.Revision)
	first := p.bars[p.d.Buses[0].Name]
	for i, s := range p.d.Sources {
		x := left + 70 + float64(i)*170
		fmt.Fprintf(&p.out, `<circle cx="%.1f" cy="%.1f" r="14"/>`, x, sourceY+10)
		p.text(x-4, sourceY+8, "", "+")
		p.text(x-3, sourceY+20, "", "−")
		p.text(x+20, sourceY+7, "", "%s", s.Name)
		p.text(x+20, sourceY+20, "small", "%v, %v", s.Volts, s.Resistance)
		switch {
		case !p.joined(s):
			p.text(x+20, sourceY+32, "small", "on its own")
		case s.Kind == design.BenchSupply:
			p.path("", "M%.1f %.1fV%.1f", x, sourceY+24, first.y-24)
			p.text(x+4, first.y-30, "small", "for the bench only")
		default:
			p.path("", "M%.1f %.1fV%.1f", x, sourceY+24, first.y-24)
		}
		if p.joined(s) {
			p.path("", "M%.1f %.1fH%.1fM%.1f %.1fV%.1f", x, first.y-24, left+70, left+70, first.y-24, first.y)
		}
	}
}

// joined tells whether a source's plus reaches a bus by wire.
func (p *picture) joined(s *design.Source) bool {
	from := s.Plus // where it is clipped on
	if from == "" {
		from = s.Name + "+"
	}
	return slices.ContainsFunc(p.d.Buses, func(b *design.Bus) bool { return p.d.Path(from, b.Name) != nil })
}

// bus draws a bar with its feeder and its circuits.
func (p *picture) bus(b *design.Bus) {
	at := p.bars[b.Name]
	if f := p.feeder(b.Name); f != nil {
		p.feed(f, at)
	}
	circuits := p.circuits(b.Name)
	for row := 0; row*perRow < max(1, len(circuits)); row++ {
		y := at.y + float64(row)*rowFall
		p.path("bar", "M%.1f %.1fH%.1f", at.x1, y, at.x2)
		p.text(margin, y+4, "", "%s", b.Title)
		if row > 0 {
			p.text(margin, y+18, "small", "(goes on)")
		}
		for i, k := range circuits[row*perRow : min(len(circuits), (row+1)*perRow)] {
			p.circuit(k, at.x1+(float64(i)+0.5)*pitch, y)
		}
	}
}

// feeder is what brings power to a bus.
func (p *picture) feeder(bus string) *design.Circuit {
	for _, f := range p.d.Feeders {
		if f.Bus != bus && slices.ContainsFunc(f.Runs, func(r *design.Run) bool { return r.To == bus || r.From == bus }) {
			return f
		}
	}
	return nil
}

func (p *picture) feed(f *design.Circuit, to bar) {
	says := []string{f.Called()}
	if b := f.Protector(); b != nil {
		says = append(says, strconv.FormatFloat(float64(b.Rating), 'g', 4, 64)+" A")
	}
	if f.Switch != nil {
		says = append(says, f.Switch.Label)
	}
	for _, r := range f.Runs {
		says = append(says, r.Gauge.String())
	}
	label := strings.Join(slices.Compact(says), ", ")
	if from, ok := p.bars[f.Bus]; ok {
		p.path("", "M%.1f %.1fH%.1fV%.1fH%.1f", from.x1, from.y, left-18, to.y, to.x1)
		p.text(left-10, to.y-12, "small", "%s", label)
		return
	}
	p.text(left+78, to.y-8, "small", "%s", label)
}

// circuit draws one circuit below its bar. Its verdict's shape stands in the
// place of the load.
func (p *picture) circuit(k *design.Circuit, x, y float64) {
	verdict := p.verdicts[k.Name]
	if p.link != nil {
		fmt.Fprintf(&p.out, `<a href="%s" aria-label="%s">`, html.EscapeString(p.link(k.Name)), html.EscapeString(strings.TrimSpace(k.Called()+" "+verdict)))
		defer p.out.WriteString("</a>")
	}
	class := ""
	if verdict != "" {
		class = "v-" + strings.ReplaceAll(verdict, " ", "-")
	}
	fmt.Fprintf(&p.out, `<g id="circuit-%s" class="%s">`, html.EscapeString(k.Name), class)
	p.path("", "M%.1f %.1fV%.1f", x, y, y+14)
	at := y + 14
	if b := k.Protector(); b != nil {
		fmt.Fprintf(&p.out, `<rect class="open" x="%.1f" y="%.1f" width="30" height="18"/>`, x-15, at)
		fmt.Fprintf(&p.out, `<text x="%.1f" y="%.1f" text-anchor="middle" class="small">%s A</text>`, x, at+12, strconv.FormatFloat(float64(b.Rating), 'g', 4, 64))
		at += 18
	}
	if k.Switch != nil {
		p.path("", "M%.1f %.1fV%.1fM%.1f %.1fl-9 -14M%.1f %.1fV%.1f", x, at, at+8, x, at+24, x, at+24, at+30)
		at += 30
	}
	p.path("", "M%.1f %.1fV%.1f", x, at, y+120)
	if len(k.Runs) > 0 {
		p.upright(x-5, y+118, "small", gauges(k))
	}
	if verdict == "" {
		fmt.Fprintf(&p.out, `<circle class="open" cx="%.1f" cy="%.1f" r="6"/>`, x, y+126)
	} else {
		fmt.Fprintf(&p.out, `<g transform="translate(%.1f %.1f) scale(0.7)">%s</g>`, x-7, y+119, band.Shape(verdict))
	}
	if k.Load != nil {
		p.hanging(x+4, y+138, "", shorten(k.Called(), 26))
		p.hanging(x+16, y+138, "small", k.Load.Draw.String())
	}
	p.out.WriteString("</g>")
}

// gauges lists the wire sizes of a circuit, each once.
func gauges(k *design.Circuit) string {
	var out []string
	for _, r := range k.Runs {
		if size := strings.TrimSuffix(r.Gauge.String(), " AWG"); !slices.Contains(out, size) {
			out = append(out, size)
		}
	}
	return strings.Join(out, ", ")
}

// shorten cuts a name that would run over, with a mark.
func shorten(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return string(r[:n-1]) + "…"
}
