package band

import _ "embed"

// Palette are the colours of every page and report, as CSS variables: ink on paper
// by day, red on black by night (the class night on the root), and what turns
// pictures red then (the class lit on what is around one). By day text has 7 : 1
// or more against the paper (WCAG 2.2, 1.4.6); by night nothing has green or blue
// above 26 of 255. The tests of the pages measure both.
//
//go:embed palette.css
var Palette string
