package diagram

import (
	"fmt"
	"html"

	"loomproof/checks/design"
)

// The symbols follow IEC 60617: contact, circuit breaker (contact with a cross),
// contactor (contact with a half circle), fuse (box with the wire through), battery
// cell, lamp (circle with a cross), motor and generator (circle with M or G), ground
// (three lines). A shunt and any other load is a plain box.

const (
	partHeight = 26.0 // of a protector, switch or shunt
	loadRise   = 8.0  // half a load
)

// part draws a symbol of a circuit: class says what it is, and of which circuit.
func (p *picture) part(class, of, format string, args ...any) {
	fmt.Fprintf(&p.out, `<path class="part %s" data-of="%s" d="%s"/>`, class, html.EscapeString(of), fmt.Sprintf(format, args...))
}

// contact is a normally open contact, hinged below; x, y is its upper end.
const contact = "M%[1]g %[2]gv5m0 16v5m0 -5l-8 -15"

func (p *picture) protector(k *design.Circuit, x, y float64) {
	if k.Breaker == nil {
		p.part("fuse", k.Name, "M%[1]g %[2]gv26m-4 -22h8v18h-8Z", x, y)
		return
	}
	p.part("breaker", k.Name, contact+"M%[3]g %[4]gl6 6m0 -6l-6 6", x, y, x-3, y+2)
}

func (p *picture) switched(k *design.Circuit, x, y float64) {
	if k.Switch.Kind == design.Contactor {
		p.part("contactor", k.Name, contact+"M%[3]g %[4]ga4 4 0 0 1 8 0", x, y, x-4, y+5)
		return
	}
	p.part("switch", k.Name, contact, x, y)
}

func (p *picture) shunt(k *design.Circuit, x, y float64) {
	p.part("shunt", k.Name, "M%[1]g %[2]gv5m-4 0h8v16h-8Zm4 16v5", x, y)
	p.text(x+7, y+16, "small", "shunt %s", amperes(k.Shunt.Rating))
}

// load draws what a circuit feeds, about x, y.
func (p *picture) load(k *design.Circuit, x, y float64) {
	if k.Load == nil {
		return
	}
	nature := k.Load.Nature
	switch {
	case nature == design.LampNature || nature == "" && k.Load.Kind == design.Lamp:
		fmt.Fprintf(&p.out, `<circle class="open" cx="%.1f" cy="%.1f" r="8"/>`, x, y)
		p.path("", "M%.1f %.1fl11.3 11.3m0 -11.3l-11.3 11.3", x-5.65, y-5.65)
	case nature == design.Motor:
		fmt.Fprintf(&p.out, `<circle class="open" cx="%.1f" cy="%.1f" r="8"/>`, x, y)
		p.middle(x, y+3.5, "M")
	default:
		fmt.Fprintf(&p.out, `<rect class="open" x="%.1f" y="%.1f" width="16" height="16"/>`, x-8, y-8)
	}
}

// ground is a ground point, hanging at x, y.
func (p *picture) ground(x, y float64) {
	p.path("", "M%.1f %.1fv3m-5 0h10m-8 2.5h6m-4 2.5h2", x, y)
}

// source draws a source, its plus at x, y; it is sourceHeight above that.
func (p *picture) source(s *design.Source, x, y float64) {
	top := y - sourceHeight
	switch s.Kind {
	case design.Battery: // upside down: plus is below
		p.path("", "M%[1]g %[2]gv9m-5 0h10m-14 6h18m-14 4h10m-14 6h18m-9 0v5", x, top)
	case design.Alternator:
		fmt.Fprintf(&p.out, `<circle class="open" cx="%.1f" cy="%.1f" r="12"/>`, x, top+15)
		p.middle(x, top+19, "G")
		p.path("", "M%.1f %.1fv3m0 24v3", x, top)
	default:
		fmt.Fprintf(&p.out, `<rect class="open" x="%.1f" y="%.1f" width="26" height="22"/>`, x-13, top+4)
		p.middle(x, top+19, "DC")
		p.path("", "M%.1f %.1fv4m0 22v4", x, top)
	}
	p.text(x+4, y-1, "small", "+")
}

func (p *picture) words(element, class, text string) {
	fmt.Fprintf(&p.out, `<text %s class="%s">%s</text>`, element, class, html.EscapeString(text))
}

func (p *picture) text(x, y float64, class, format string, args ...any) {
	p.words(fmt.Sprintf(`x="%.1f" y="%.1f"`, x, y), class, fmt.Sprintf(format, args...))
}

// middle writes about a point, end to a point.
func (p *picture) middle(x, y float64, text string) {
	p.words(fmt.Sprintf(`x="%.1f" y="%.1f" text-anchor="middle"`, x, y), "small", text)
}

func (p *picture) end(x, y float64, class, text string) {
	p.words(fmt.Sprintf(`x="%.1f" y="%.1f" text-anchor="end"`, x, y), class, text)
}

// upright writes from a point upwards, as on a drawing; hanging writes upwards to a
// point.
func (p *picture) upright(x, y float64, text string) {
	if text != "" {
		p.words(fmt.Sprintf(`transform="translate(%.1f %.1f) rotate(-90)"`, x, y), "small", text)
	}
}

func (p *picture) hanging(x, y float64, class, text string) {
	if text != "" {
		p.words(fmt.Sprintf(`transform="translate(%.1f %.1f) rotate(-90)" text-anchor="end"`, x, y), class, text)
	}
}

func (p *picture) path(class, format string, args ...any) {
	fmt.Fprintf(&p.out, `<path class="%s" d="%s"/>`, class, fmt.Sprintf(format, args...))
}
