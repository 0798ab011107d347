package charts

import (
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// zoom is how many dots a pixel of the picture gets: sharp on a phone, and 200
// dots an inch across a sheet of A4.
const zoom = 2

// PNG writes the picture with its paper behind it.
func (p *Picture) PNG(w io.Writer) error {
	img := image.NewRGBA(image.Rect(0, 0, int(p.w*zoom), int(math.Ceil(p.h*zoom))))
	draw.Draw(img, img.Bounds(), image.NewUniform(paper), image.Point{}, draw.Src)
	pen := &pen{img: img}
	for _, i := range p.items {
		switch i := i.(type) {
		case lines:
			pen.lines(i)
		case text:
			if err := pen.text(i); err != nil {
				return err
			}
		case raster:
			pen.raster(i)
		}
	}
	return png.Encode(w, img)
}

// pen draws on an image.
type pen struct {
	img *image.RGBA
	v   vector.Rasterizer

	shapes [][]point // that are put down in one colour
}

func (p *pen) lines(l lines) {
	if l.fill != none {
		for _, path := range l.paths {
			p.shape(path)
		}
		p.ink(l.fill)
	}
	if l.stroke == none {
		return
	}
	for _, path := range l.paths {
		if l.closed && len(path) > 0 {
			path = append(path[:len(path):len(path)], path[0])
		}
		for _, piece := range dashes(path, l.dash) {
			p.stroke(piece, l.wide)
		}
	}
	p.ink(l.stroke)
}

func (p *pen) shape(path []point) { p.shapes = append(p.shapes, path) }

// ink fills the shapes, what overlaps once. It works on the part of the picture
// that they lie in: most are small.
func (p *pen) ink(c color.RGBA) {
	least, most := point{math.Inf(1), math.Inf(1)}, point{math.Inf(-1), math.Inf(-1)}
	for _, path := range p.shapes {
		for _, at := range path {
			least = point{math.Min(least.x, at.x), math.Min(least.y, at.y)}
			most = point{math.Max(most.x, at.x), math.Max(most.y, at.y)}
		}
	}
	b := image.Rect(int(math.Floor(least.x*zoom)), int(math.Floor(least.y*zoom)), int(math.Ceil(most.x*zoom)), int(math.Ceil(most.y*zoom)))
	if b.Empty() {
		p.shapes = p.shapes[:0]
		return
	}
	p.v.Reset(b.Dx(), b.Dy())
	for _, path := range p.shapes {
		for i, at := range path {
			if x, y := float32(at.x*zoom)-float32(b.Min.X), float32(at.y*zoom)-float32(b.Min.Y); i == 0 {
				p.v.MoveTo(x, y)
			} else {
				p.v.LineTo(x, y)
			}
		}
		p.v.ClosePath()
	}
	p.v.Draw(p.img, b, image.NewUniform(c), image.Point{})
	p.shapes = p.shapes[:0]
}

// stroke draws each piece as a bar with a dot at each joint, all turning the same
// way round, so that what overlaps does not cancel out.
func (p *pen) stroke(path []point, wide float64) {
	for i, at := range path {
		if wide > 1.2 || len(path) == 1 {
			p.dot(at, wide/2)
		}
		if i == 0 {
			continue
		}
		from := path[i-1]
		dx, dy := at.x-from.x, at.y-from.y
		long := math.Hypot(dx, dy)
		if long == 0 {
			continue
		}
		nx, ny := -dy/long*wide/2, dx/long*wide/2
		p.shape([]point{{from.x - nx, from.y - ny}, {at.x - nx, at.y - ny}, {at.x + nx, at.y + ny}, {from.x + nx, from.y + ny}})
	}
}

func (p *pen) dot(at point, r float64) {
	var round [8]point
	for i := range round {
		sin, cos := math.Sincos(float64(i) * math.Pi / 4)
		round[i] = point{at.x + r*cos, at.y + r*sin}
	}
	p.shape(round[:])
}

// dashes cuts a path into dashes as long as the spaces between them.
func dashes(path []point, dash float64) [][]point {
	if dash <= 0 {
		return [][]point{path}
	}
	var out [][]point
	left, on := dash, true
	for i := 1; i < len(path); i++ {
		a, b := path[i-1], path[i]
		long := math.Hypot(b.x-a.x, b.y-a.y)
		for done := 0.0; done < long; {
			step := math.Min(left, long-done)
			if on {
				at := func(d float64) point { return point{a.x + (b.x-a.x)*d/long, a.y + (b.y-a.y)*d/long} }
				out = append(out, []point{at(done), at(done + step)})
			}
			if done, left = done+step, left-step; left <= 1e-9 {
				left, on = dash, !on
			}
		}
	}
	return out
}

func (p *pen) text(t text) error {
	face, err := faceOf(t.size*zoom, t.bold)
	if err != nil {
		return err
	}
	defer face.Close()
	d := font.Drawer{Dst: p.img, Src: image.NewUniform(t.color), Face: face}
	wide := float64(d.MeasureString(t.words)) / 64
	x := t.at.x*zoom - wide*[...]float64{start: 0, middle: 0.5, end: 1}[t.anchor]
	d.Dot = fixed.Point26_6{X: fixed.Int26_6(x * 64), Y: fixed.Int26_6(t.at.y * zoom * 64)}
	d.DrawString(t.words)
	return nil
}

func (p *pen) raster(r raster) {
	b := r.cells.Bounds()
	x1, y1, x2, y2 := int(r.from.x*zoom), int(r.from.y*zoom), int(r.to.x*zoom), int(r.to.y*zoom)
	for y := y1; y < y2; y++ {
		for x := x1; x < x2; x++ {
			c := r.cells.At(b.Min.X+(x-x1)*b.Dx()/(x2-x1), b.Min.Y+(y-y1)*b.Dy()/(y2-y1))
			if _, _, _, a := c.RGBA(); a > 0 {
				p.img.Set(x, y, c)
			}
		}
	}
}

// The Go fonts: their digits are all of one width, and their licence lets them be
// built in.
var fonts = sync.OnceValues(func() (out [2]*opentype.Font, err error) {
	for i, data := range [][]byte{goregular.TTF, gobold.TTF} {
		if out[i], err = opentype.Parse(data); err != nil {
			return out, err
		}
	}
	return out, nil
})

func faceOf(size float64, bold bool) (font.Face, error) {
	both, err := fonts()
	if err != nil {
		return nil, err
	}
	f := both[0]
	if bold {
		f = both[1]
	}
	return opentype.NewFace(f, &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingNone})
}

// measure is about how wide words are; a page's own font may be a tenth wider.
func measure(words string, size float64) float64 {
	face, err := faceOf(size, false)
	if err != nil {
		return 0.6 * size * float64(len(words))
	}
	defer face.Close()
	return 1.1 * float64(font.MeasureString(face, words)) / 64
}
