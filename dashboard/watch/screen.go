package watch

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// An ink colours what a terminal shows; the plain one leaves it as it is. Colour
// only repeats what words say.
type ink struct{ colour bool }

func (i ink) alarm(s string) string { return i.with("1;31", s) }
func (i ink) quiet(s string) string { return i.with("2", s) }

func (i ink) with(code, s string) string {
	if !i.colour || s == "" {
		return s
	}
	return "\x1b[" + code + "m" + s + "\x1b[0m"
}

// Widths that a screen is drawn for.
const (
	narrowest = 40
	widest    = 200
)

// screen draws the panels for a terminal of so many columns. No line is wider.
func screen(panels []*panel, width int, i ink) []string {
	width = max(narrowest, min(width, widest))
	most := 3
	if len(panels) > 1 {
		most = 3 - min(2, len(panels)-1) // several share the height
	}
	var lines []string
	for n, p := range panels {
		if n > 0 {
			lines = append(lines, strings.Repeat("─", width))
		}
		lines = append(lines, p.lines(width, most, i)...)
	}
	return append(lines, "", i.quiet(clip("space marks, r resets, q ends", width)))
}

func (p *panel) lines(width, largest int, i ink) []string {
	title := p.source + "  " + p.channel
	rate := ""
	if r := p.rate(); r > 0 {
		rate = fmt.Sprintf("%.3g readings/s", r)
	}
	lines := []string{between(title, rate, width), ""}
	if p.have {
		lines = append(lines, p.figure(width, largest, i)...)
		lines = append(lines, "")
		lines = append(lines, p.bar(width, i)...)
		lines = append(lines, p.statistics(width)...)
	}
	if p.trouble != "" {
		for n, l := range wrap("! "+p.trouble, width) {
			if n > 0 {
				l = "  " + l
			}
			lines = append(lines, i.alarm(l))
		}
	}
	for _, m := range p.marks[max(0, len(p.marks)-5):] {
		lines = append(lines, clip("mark "+m, width))
	}
	return lines
}

// figure is the reading, as large as fits. A reading that is not fresh is told by
// the word before it.
func (p *panel) figure(width, largest int, i ink) []string {
	number, unit := p.number(p.last.Value), p.unit()
	colour := func(s string) string { return s }
	if p.trouble != "" {
		colour = i.quiet
	} else if _, outside := p.verdict(); outside {
		colour = i.alarm
	}
	room := width - len([]rune(unit)) - 3
	size := min(largest, room/max(1, widthOf(number)))
	rows, ok := large(number, size)
	if size < 1 || !ok {
		return []string{colour(number + " " + unit)}
	}
	for n, row := range rows {
		text := " " + row
		if n == len(rows)-1 {
			text += strings.Repeat(" ", max(0, 1+size*widthOf(number)-utf8.RuneCountInString(text))) + " " + unit
		}
		rows[n] = colour(text)
	}
	if p.trouble != "" {
		rows = append(rows, "not fresh: the last reading, of "+p.last.At.Format("15:04:05"))
	}
	return rows
}

// bar is the reading against its limits.
func (p *panel) bar(width int, i ink) []string {
	word, outside := p.verdict()
	if word == "" {
		return nil
	}
	if outside {
		word = i.alarm(word)
	}
	b := p.band()
	return []string{b.Letters(min(width, 72)), word + ": " + b.Allowed(), ""}
}

func (p *panel) statistics(width int) []string {
	if p.count == 0 {
		return nil
	}
	parts := []string{"least " + p.number(p.least), "mean " + p.number(p.mean()), "most " + p.number(p.most), fmt.Sprintf("of %d", p.count)}
	if u := 2 * p.last.Uncertainty(); u > 0 {
		_, factor := p.scale()
		parts = append(parts, fmt.Sprintf("± %.2g %s (k = 2)", u*factor, p.unit()))
	} else {
		parts = append(parts, "accuracy not stated")
	}
	if p.refused > 0 {
		parts = append(parts, fmt.Sprintf("%d refused", p.refused))
	}
	return wrap(strings.Join(parts, "   "), width)
}

// between puts one text at the left and one at the right; the right one goes below
// when both do not fit.
func between(left, right string, width int) string {
	gap := width - utf8.RuneCountInString(left) - utf8.RuneCountInString(right)
	if gap < 2 {
		return clip(left, width)
	}
	return strings.TrimRight(left+strings.Repeat(" ", gap)+right, " ")
}

func clip(s string, width int) string {
	if r := []rune(s); len(r) > width {
		return string(r[:width-1]) + "…"
	}
	return s
}

// wrap breaks a text at spaces into lines; two columns are kept for what goes
// before them. A word longer than a line is broken.
func wrap(text string, width int) []string {
	room := width - 2
	lines, line := []string(nil), []rune(nil)
	for word := range strings.SplitSeq(text, " ") {
		w := []rune(word)
		if len(line) > 0 && len(line)+1+len(w) > room {
			lines, line = append(lines, string(line)), nil
		}
		if len(line) > 0 {
			line = append(line, ' ')
		}
		for line = append(line, w...); len(line) > room; line = line[room:] {
			lines = append(lines, string(line[:room]))
		}
	}
	return append(lines, string(line))
}
