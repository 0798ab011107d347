package charts

import (
	"image"
	"image/color"
)

// The colours: ink and one accent on paper, as on the pages by day.
var (
	ink    = color.RGBA{0x16, 0x16, 0x14, 0xff}
	paper  = color.RGBA{0xff, 0xfd, 0xf6, 0xff}
	rule   = color.RGBA{0xb9, 0xb3, 0xa2, 0xff}
	faint  = color.RGBA{0xe6, 0xe1, 0xd2, 0xff}
	shade  = color.RGBA{0xf4, 0xef, 0xe0, 0xff}
	accent = color.RGBA{0x0b, 0x4f, 0x8a, 0xff}
	none   = color.RGBA{}
)

type point struct{ x, y float64 }

// A Picture is drawn things in their order, from the back to the front.
type Picture struct {
	Title, Description string

	w, h  float64
	items []item
}

// An item is one of: lines, text, raster.
type item any

// lines are strokes or shapes in one colour.
type lines struct {
	paths  [][]point
	closed bool
	fill   color.RGBA // none: not filled
	stroke color.RGBA // none: not drawn
	wide   float64
	dash   float64 // length of dashes and spaces; 0: a full line
}

// anchor says which end of a text stands at its place.
type anchor int

const (
	start anchor = iota
	middle
	end
)

type text struct {
	at     point // on the base line
	size   float64
	anchor anchor
	bold   bool
	color  color.RGBA
	words  string
}

// raster is a picture of cells, stretched over a rectangle.
type raster struct {
	from, to point
	cells    *image.Paletted
}

func newPicture(height float64, title string) *Picture {
	return &Picture{Title: title, w: width, h: height}
}

// add puts an item on top; lines without a path are left out.
func (p *Picture) add(i item) {
	if l, ok := i.(lines); !ok || len(l.paths) > 0 {
		p.items = append(p.items, i)
	}
}

// line draws from point to point.
func (p *Picture) line(c color.RGBA, wide float64, at ...point) {
	p.add(lines{paths: [][]point{at}, stroke: c, wide: wide})
}

func (p *Picture) dashed(c color.RGBA, wide float64, at ...point) {
	p.add(lines{paths: [][]point{at}, stroke: c, wide: wide, dash: 4})
}

// box fills a rectangle.
func (p *Picture) box(c color.RGBA, x1, y1, x2, y2 float64) { p.shape(c, rectangle(x1, y1, x2, y2)) }

func (p *Picture) shape(c color.RGBA, at []point) {
	p.add(lines{paths: [][]point{at}, closed: true, fill: c})
}

func rectangle(x1, y1, x2, y2 float64) []point {
	return []point{{x1, y1}, {x2, y1}, {x2, y2}, {x1, y2}}
}

// say writes words.
func (p *Picture) say(x, y, size float64, a anchor, c color.RGBA, words string) {
	p.add(text{at: point{x, y}, size: size, anchor: a, color: c, words: words})
}

func (p *Picture) head(words string) {
	p.add(text{at: point{left, 22}, size: 15, bold: true, color: ink, words: words})
}
