package watch

import "strings"

// The letterforms: eight dots high, two of which make one line of the terminal.
// The four is open, the seven has a bar and the one a flag, so that no two are
// mistaken for each other from across a hangar.
var figures = map[rune][8]string{
	'0': {".##.", "#..#", "#..#", "#..#", "#..#", "#..#", "#..#", ".##."},
	'1': {"..#.", ".##.", "#.#.", "..#.", "..#.", "..#.", "..#.", "..#."},
	'2': {".##.", "#..#", "...#", "...#", "..#.", ".#..", "#...", "####"},
	'3': {"####", "...#", "..#.", ".##.", "...#", "...#", "#..#", ".##."},
	'4': {"#...", "#...", "#.#.", "#.#.", "####", "..#.", "..#.", "..#."},
	'5': {"####", "#...", "#...", "###.", "...#", "...#", "#..#", ".##."},
	'6': {"..##", ".#..", "#...", "###.", "#..#", "#..#", "#..#", ".##."},
	'7': {"####", "...#", "...#", ".###", "..#.", "..#.", "..#.", "..#."},
	'8': {".##.", "#..#", "#..#", ".##.", "#..#", "#..#", "#..#", ".##."},
	'9': {".##.", "#..#", "#..#", "#..#", ".###", "...#", "..#.", "##.."},
	'-': {"...", "...", "...", "###", "...", "...", "...", "..."},
	'.': {".", ".", ".", ".", ".", ".", "#", "#"},
}

// large writes a number in lines of block characters, each dot of the letterforms
// size characters wide. ok is false for what has no letterform.
func large(number string, size int) (lines []string, ok bool) {
	var rows [8]strings.Builder
	for i, c := range number {
		form, known := figures[c]
		if !known {
			return nil, false
		}
		for y := range rows {
			if i > 0 {
				rows[y].WriteString(strings.Repeat(".", size))
			}
			for _, dot := range form[y] {
				rows[y].WriteString(strings.Repeat(string(dot), size))
			}
		}
	}
	dots := make([]string, 0, 8*size)
	for y := range rows {
		for range size {
			dots = append(dots, rows[y].String())
		}
	}
	for y := 0; y < len(dots); y += 2 {
		lines = append(lines, halves(dots[y], dots[y+1]))
	}
	return lines, true
}

// halves joins two rows of dots into one line.
func halves(upper, lower string) string {
	var b strings.Builder
	for x := range len(upper) {
		switch {
		case upper[x] == '#' && lower[x] == '#':
			b.WriteRune('█')
		case upper[x] == '#':
			b.WriteRune('▀')
		case lower[x] == '#':
			b.WriteRune('▄')
		default:
			b.WriteByte(' ')
		}
	}
	return strings.TrimRight(b.String(), " ")
}

// widthOf is how many characters a number takes in dots of one character.
func widthOf(number string) int {
	width := 0
	for i, c := range number {
		if i > 0 {
			width++
		}
		width += len(figures[c][0])
	}
	return width
}
