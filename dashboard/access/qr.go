package access

import (
	"fmt"
	"strings"

	"rsc.io/qr"
)

// quiet is the empty margin around a code, in modules (ISO/IEC 18004: four).
const quiet = 4

// Letters draws a QR code for a terminal, two modules to a character, dark on
// light whatever the terminal's colours are.
func Letters(text string) (string, error) {
	c, err := qr.Encode(text, qr.M)
	if err != nil {
		return "", fmt.Errorf("QR code: %w", err)
	}
	light := func(x, y int) bool { return !c.Black(x, y) } // outside is light
	var b strings.Builder
	for y := -quiet; y < c.Size+quiet; y += 2 {
		b.WriteString("\x1b[30;107m")
		for x := -quiet; x < c.Size+quiet; x++ {
			switch up, down := light(x, y), light(x, y+1); {
			case up && down:
				b.WriteRune(' ')
			case up:
				b.WriteRune('▄')
			case down:
				b.WriteRune('▀')
			default:
				b.WriteRune('█')
			}
		}
		b.WriteString("\x1b[0m\n")
	}
	return b.String(), nil
}

// SVG draws a QR code for a page.
func SVG(text string) (string, error) {
	c, err := qr.Encode(text, qr.M)
	if err != nil {
		return "", fmt.Errorf("QR code: %w", err)
	}
	var b strings.Builder
	side := c.Size + 2*quiet
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" aria-label="QR code for pairing"><path fill="#fff" d="M0 0h%dv%dH0z"/><path fill="#000" d="`, side, side, side, side)
	for y := range c.Size {
		for x := range c.Size {
			if c.Black(x, y) {
				fmt.Fprintf(&b, "M%d %dh1v1h-1z", x+quiet, y+quiet)
			}
		}
	}
	b.WriteString(`"/></svg>`)
	return b.String(), nil
}
