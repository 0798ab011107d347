// Package diagram draws the one-line diagram of a design as SVG: sources above the
// first bus with the way that each takes to it, buses as bars, circuits hanging
// below with protector, switch, wire, load and return.
//
//	svg := diagram.SVG(design, nil)          // one picture
//	for _, svg := range diagram.Sheets(...)  // for paper, each as high as a page
//
// With verdicts by circuit, each circuit carries its verdict's shape, and its style
// class, so that a page can show it. The symbols are those of IEC 60617 or plain
// boxes; symbols.go says which.
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

// The measures of the drawing, in its own units. A sheet is as wide as a page: the
// smallest words, of 9 units, are then above 6 points on A4 and Letter.
const (
	width    = 760.0
	highest  = 900.0 // a sheet
	margin   = 14.0
	head     = 34.0  // the title
	perRow   = 16    // circuits on a bar before it goes on below
	pitch    = 45.0  // between circuits
	first    = 40.0  // the first circuit
	rowRise  = 30.0  // above a bar: its name, and what feeds it
	rowFall  = 262.0 // below a bar: its circuits
	lineRise = 13.0  // between lines of words
	perLine  = 138   // letters on a line of small words
)

// SVG draws the design as one picture of its own, with its style. verdicts may be
// nil.
func SVG(d *design.Design, verdicts map[string]string) string {
	p := newPicture(d, verdicts, nil)
	return p.sheet(style, p.blocks(), "")
}

// Inside draws the design for a page that has the style itself, with a link on
// each circuit.
func Inside(d *design.Design, verdicts map[string]string, link func(circuit string) string) string {
	p := newPicture(d, verdicts, link)
	return p.sheet("", p.blocks(), "")
}

// Sheets draws the design on as many pictures as it takes to read it on paper.
func Sheets(d *design.Design, verdicts map[string]string) (out []string) {
	p := newPicture(d, verdicts, nil)
	var sheets [][]block
	left := 0.0
	for _, b := range p.blocks() {
		if left < b.height {
			sheets, left = append(sheets, nil), highest-head
		}
		sheets[len(sheets)-1] = append(sheets[len(sheets)-1], b)
		left -= b.height
	}
	for i, blocks := range sheets {
		which := ""
		if len(sheets) > 1 {
			which = fmt.Sprintf("sheet %d of %d, ", i+1, len(sheets))
		}
		out = append(out, p.sheet(style, blocks, which))
	}
	return out
}

const style = `<style>.diagram{font:11px system-ui,"DejaVu Sans",sans-serif;background:#fff}.diagram text{fill:#1b1b19}.diagram .small{font-size:9px}.diagram .title{font-size:16px;font-weight:600}` +
	`.diagram path,.diagram rect,.diagram circle{fill:none;stroke:currentColor;stroke-width:1.2}.diagram .bar{stroke-width:5}.diagram .open{fill:#fff}.diagram .dash{stroke-dasharray:4 3}` +
	`.diagram{color:#1b1b19}.diagram .v-fail{color:#a3180f;stroke-width:2.4}.diagram .v-pass{color:#1f5d3a}.diagram .v-undecided{color:#7a5200}` +
	`.diagram .mark{fill:currentColor;stroke:none}.diagram .cut{fill:none;stroke:#fff;stroke-width:2}</style>`

// A block is what stays together on a sheet.
type block struct {
	height float64
	draw   func(y float64)
}

type picture struct {
	d        *design.Design
	verdicts map[string]string
	link     func(circuit string) string
	at       map[string]place             // terminals of the power part that are drawn
	buses    []*design.Bus                // in the order of the drawing
	columns  map[string][]*design.Circuit // what hangs on a bus
	out      strings.Builder
}

type place struct{ x, y float64 }

func newPicture(d *design.Design, verdicts map[string]string, link func(string) string) *picture {
	p := &picture{d: d, verdicts: verdicts, link: link, at: map[string]place{}, columns: map[string][]*design.Circuit{}}
	for _, b := range d.Buses {
		for _, f := range d.Feeders { // what feeds another bus, or a load, hangs on its bus like a circuit
			if f.Bus == b.Name && (f.Load != nil || p.fed(f) != "") {
				p.columns[b.Name] = append(p.columns[b.Name], f)
			}
		}
		for _, k := range d.Circuits {
			if k.Bus == b.Name {
				p.columns[b.Name] = append(p.columns[b.Name], k)
			}
		}
	}
	p.order()
	return p
}

// order puts the bus first that the first source reaches, behind each bus those that
// it feeds, and what nothing feeds last.
func (p *picture) order() {
	add := func(name string) {
		for _, b := range p.d.Buses {
			if b.Name == name && !slices.Contains(p.buses, b) {
				p.buses = append(p.buses, b)
			}
		}
	}
	for _, s := range p.d.Sources {
		if way := p.way(s.Name+"+", p.d.IsBus); way != nil {
			add(way[len(way)-1])
		}
	}
	for _, s := range p.d.Sources {
		for _, b := range p.d.Buses {
			if p.way(s.Name+"+", func(t string) bool { return t == b.Name }) != nil {
				add(b.Name)
			}
		}
	}
	for i := 0; i < len(p.buses); i++ {
		for _, f := range p.d.Feeders {
			if f.Bus == p.buses[i].Name {
				add(p.fed(f))
			}
		}
	}
	for _, b := range p.d.Buses {
		add(b.Name)
	}
}

// fed is the bus that a feeder of a bus leads to; "" if it is none.
func (p *picture) fed(f *design.Circuit) string {
	for _, r := range f.Runs {
		for _, end := range []string{r.From, r.To} {
			if end != f.Bus && p.d.IsBus(end) {
				return end
			}
		}
	}
	return ""
}

// blocks are the parts of the drawing from top to bottom.
func (p *picture) blocks() (out []block) {
	out = append(out, block{powerFall, func(y float64) { p.power(y, y+powerFall+rowRise) }})
	for _, b := range p.buses {
		columns := p.columns[b.Name]
		for row := 0; row*perRow < max(1, len(columns)); row++ {
			part := columns[row*perRow : min(len(columns), (row+1)*perRow)]
			out = append(out, block{rowRise + rowFall, func(y float64) { p.row(b, part, row > 0, y+rowRise) }})
		}
	}
	out[1] = block{out[0].height + out[1].height, func(y0, y1 func(float64), rise float64) func(float64) {
		return func(y float64) { y0(y); y1(y + rise) }
	}(out[0].draw, out[1].draw, powerFall)}
	lines := p.legend()
	return append(out[1:], block{lineRise*float64(len(lines)) + 8, func(y float64) {
		for i, line := range lines {
			p.text(margin, y+lineRise*float64(i+1), "small", "%s", line)
		}
	}})
}

// sheet draws blocks below each other.
func (p *picture) sheet(style string, blocks []block, which string) string {
	p.out.Reset()
	p.text(margin, 22, "title", "%s, %v nominal", p.d.Aircraft.Name, p.d.Aircraft.Nominal)
	p.end(width-margin, 22, "small", which+"design revision "+p.d.Revision)
	y := head
	for _, b := range blocks {
		b.draw(y)
		y += b.height
	}
	role := "img"
	if p.link != nil {
		role = "group" // what can be followed in it is reached by itself
	}
	return fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" class="diagram" viewBox="0 0 %.0f %.0f" role="%s" aria-label="One-line diagram of %s">`,
		width, y, role, html.EscapeString(p.d.Aircraft.Name)) + style + p.out.String() + "</svg>\n"
}

// legend says where the grounds are, and what is drawn nowhere else.
func (p *picture) legend() (lines []string) {
	var words []string
	for _, g := range p.d.Grounds {
		words = append(words, strings.TrimSuffix(g.Name+": "+g.Where, ": "))
	}
	drawn := map[string]bool{}
	for _, t := range p.towers() {
		for _, name := range p.owners(t) {
			drawn[name] = true
		}
	}
	for _, columns := range p.columns {
		for _, k := range columns {
			drawn[k.Name] = true
		}
	}
	for _, f := range p.d.Feeders {
		var runs []string
		for _, r := range f.Runs {
			if !drawn[f.Name] && !strings.HasSuffix(r.From, "-") || p.d.IsGround(r.From) && p.d.IsGround(r.To) {
				runs = append(runs, fmt.Sprintf("%s to %s, %v", r.From, r.To, r.Gauge))
			}
		}
		if b := f.Protector(); b != nil && !drawn[f.Name] {
			runs = append(runs, "protector "+amperes(b.Rating))
		}
		if len(runs) > 0 {
			words = append(words, f.Called()+": "+strings.Join(runs, ", "))
		}
	}
	words = append(words, "Along a wire: its AWG. Beside a load: its draw, and the ground point that it returns to")
	line := ""
	for _, w := range words {
		if line != "" && len([]rune(line))+len([]rune(w)) > perLine {
			lines, line = append(lines, line), ""
		}
		line += w + ".  "
	}
	return append(lines, line)
}

// row draws a bar, or a part of one, with what hangs on it.
func (p *picture) row(b *design.Bus, columns []*design.Circuit, more bool, y float64) {
	p.path("bar", "M%.1f %.1fH%.1f", margin, y, width-margin)
	title := b.Title
	if title == "" {
		title = b.Name
	}
	if more {
		title += " (goes on)"
	}
	p.text(margin, y-8, "", "%s", title)
	if by := p.feeding(b.Name); by != nil && !more {
		x := margin + 8*float64(len([]rune(title))) + 16
		p.path("", "M%.1f %.1fV%.1fM%.1f %.1fl4 -7M%.1f %.1fl-4 -7", x, y-24, y, x, y-2, x, y-2)
		p.text(x+7, y-10, "small", "from %s, by %s", p.busTitle(by.Bus), by.Called())
	}
	for i, k := range columns {
		p.circuit(k, first+float64(i)*pitch, y)
	}
}

// feeding is the feeder that brings power from another bus.
func (p *picture) feeding(bus string) *design.Circuit {
	for _, f := range p.d.Feeders {
		if f.Bus != "" && p.fed(f) == bus {
			return f
		}
	}
	return nil
}

func (p *picture) busTitle(name string) string {
	for _, b := range p.d.Buses {
		if b.Name == name && b.Title != "" {
			return b.Title
		}
	}
	return name
}

// The parts of a column, below the bar.
const (
	protectorAt = 8.0
	switchAt    = 36.0
	shuntAt     = 64.0
	loadAt      = 118.0
	nameAt      = 136.0
	nameLetters = 21
)

// circuit draws what hangs on a bar: protector, switch, shunt, wire, load, return.
func (p *picture) circuit(k *design.Circuit, x, y float64) {
	verdict := p.verdicts[k.Name]
	if p.link != nil {
		fmt.Fprintf(&p.out, `<a href="%s" aria-label="%s">`, html.EscapeString(p.link(k.Name)), html.EscapeString(strings.TrimSpace(k.Called()+" "+verdict)))
		defer p.out.WriteString("</a>")
	}
	p.open("drawn", k.Name)
	defer p.out.WriteString("</g>")
	down := y
	to := func(at float64) { p.path("", "M%.1f %.1fV%.1f", x, down, at); down = at }
	if k.Protector() != nil {
		to(y + protectorAt)
		p.protector(k, x, down)
		p.text(x+8, down+16, "small", "%s", amperes(k.Protector().Rating))
		down += partHeight
	}
	if k.Switch != nil {
		to(y + switchAt)
		p.switched(k, x, down)
		down += partHeight
	}
	if k.Shunt != nil {
		to(y + shuntAt)
		p.shunt(k, x, down)
		down += partHeight
	}
	to(y + loadAt - loadRise)
	p.upright(x-4, y+loadAt-loadRise-2, gauges(k))
	p.upright(x+11, y+loadAt-loadRise-2, shorten(written(k), 15))
	if bus := p.fed(k); bus != "" && k.Load == nil {
		p.path("", "M%.1f %.1fl-5 -9h10Z", x, y+loadAt+loadRise)
		p.hanging(x+4, y+nameAt, "", shorten(k.Called(), nameLetters))
		p.hanging(x+16, y+nameAt, "small", "to "+p.busTitle(bus))
		p.verdictAt(verdict, x-16, y+loadAt-6)
		return
	}
	p.load(k, x, y+loadAt)
	p.verdictAt(verdict, x-20, y+loadAt-6)
	p.hanging(x+4, y+nameAt, "", shorten(k.Called(), nameLetters))
	small := ""
	if k.Load != nil {
		small = k.Load.Draw.String()
	}
	if back := p.d.Return(k); len(back) > 0 {
		p.path("", "M%.1f %.1fH%.1fV%.1f", x+loadRise, y+loadAt, x+15, y+loadAt+4)
		p.ground(x+15, y+loadAt+4)
		small = strings.TrimPrefix(small+", "+back[len(back)-1], ", ")
	}
	p.hanging(x+16, y+nameAt, "small", small)
}

// verdictAt draws a verdict's shape; none is drawn where nothing was judged.
func (p *picture) verdictAt(verdict string, x, y float64) {
	if verdict != "" {
		fmt.Fprintf(&p.out, `<g transform="translate(%.1f %.1f) scale(0.6)">%s</g>`, x, y, band.Shape(verdict))
	}
}

// open begins the group of a circuit or feeder, with its verdict's class.
func (p *picture) open(what, name string) {
	class := ""
	if verdict := p.verdicts[name]; verdict != "" {
		class = "v-" + strings.ReplaceAll(verdict, " ", "-")
	}
	fmt.Fprintf(&p.out, `<g id="%s-%s" class="%s">`, what, html.EscapeString(name), class)
}

// written is what stands on a circuit's switch and beside its protector, as far as
// that is not its name.
func written(k *design.Circuit) string {
	var out []string
	if k.Switch != nil {
		out = append(out, k.Switch.Label)
	}
	if b := k.Protector(); b != nil {
		out = append(out, b.Label)
	}
	plain := func(s string) string { return strings.ToLower(strings.NewReplacer("-", " ", "_", " ").Replace(s)) }
	out = slices.DeleteFunc(out, func(s string) bool {
		return s == "" || plain(s) == plain(k.Called()) || plain(s) == plain(k.Name)
	})
	return strings.Join(slices.Compact(out), ", ")
}

func amperes[A ~float64](a A) string { return strconv.FormatFloat(float64(a), 'g', 4, 64) + " A" }

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
