package diagram

import (
	"encoding/xml"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/design/generate"
	"loomproof/dashboard/band"
	"loomproof/scripts"
)

var update = flag.Bool("update", false, "write the pictures of the examples anew")

func marshHen(t *testing.T) *design.Design {
	t.Helper()
	return example(t, "marsh-hen")
}

func example(t *testing.T, name string) *design.Design {
	t.Helper()
	text, ok := scripts.Design(name)
	require.True(t, ok, name)
	d, err := design.Parse(name+".yaml", text)
	require.NoError(t, err)
	return d
}

// words reads the picture back: it must be well-formed, and these its texts.
func words(t *testing.T, svg string) string {
	t.Helper()
	var text strings.Builder
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		token, err := d.Token()
		if err == io.EOF {
			return text.String()
		}
		require.NoError(t, err)
		if c, ok := token.(xml.CharData); ok {
			text.Write(c)
			text.WriteByte('\n')
		}
	}
}

// The pictures of the example designs, to look at when something is changed.
func TestPicturesOfTheExamples(t *testing.T) {
	for _, name := range []string{"marsh-hen", "marsh-hen-28"} {
		svg := SVG(example(t, name), nil)
		words(t, svg)
		file := filepath.Join("testdata", name+".svg")
		if *update {
			require.NoError(t, os.MkdirAll("testdata", 0o755))
			require.NoError(t, os.WriteFile(file, []byte(svg), 0o644))
		}
		want, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.Equal(t, string(want), svg, "if it is meant: go test ./dashboard/diagram -update, and look at %s", file)
	}
}

// Each breaker, fuse, switch, shunt, load, source and bus of the design stands in
// the drawing, once, in one picture and on sheets.
func TestEveryPartOfTheDesignIsDrawn(t *testing.T) {
	fused, err := design.Parse("fused.yaml", []byte(strings.NewReplacer(
		`breaker: {rating: 60 A, label: "ALT"}`, "breaker: {rating: 60 A, label: \"ALT\"}\n    shunt: {rating: 50 A, drop: 50 mV}",
		`- {from: breaker, to: alternator+, gauge: 6 AWG, length: 2.1 m, bundle: power}`, "- {from: breaker, to: shunt.in, gauge: 6 AWG, length: 0.2 m}\n      - {from: shunt.out, to: alternator+, gauge: 6 AWG, length: 2.1 m, bundle: power}",
		`breaker: {rating: 2 A, label: "INTERCOM"}`, `fuse: {rating: 2 A, label: "INTERCOM"}`,
	).Replace(example(t, "marsh-hen").Text)))
	require.NoError(t, err)
	always, err := design.Parse("always.yaml", []byte(strings.Replace(strings.Replace(example(t, "marsh-hen").Text,
		"  avionics: {title: avionics bus}", "  avionics: {title: avionics bus}\n  always: {title: bus that is always on}", 1),
		"  alternator-lead:", "  always-lead:\n    title: lead of the bus that is always on\n    fuse: {rating: 10 A}\n    runs:\n      - {from: battery+, to: breaker.in, gauge: 12 AWG, length: 0.1 m}\n      - {from: breaker, to: always, gauge: 12 AWG, length: 0.4 m}\n  alternator-lead:", 1)))
	require.NoError(t, err)
	for name, d := range map[string]*design.Design{
		"a bus on the battery": always, "the example": marshHen(t), "at 28 V": example(t, "marsh-hen-28"), "a fuse and a shunt": fused,
		"two hundred circuits": generate.Design(200, 1), "one": generate.Design(1, 3),
	} {
		t.Run(name, func(t *testing.T) {
			for how, svg := range map[string]string{"picture": SVG(d, nil), "sheets": strings.Join(Sheets(d, nil), "")} {
				count := func(class, of string) int {
					return strings.Count(svg, fmt.Sprintf(`<path class="part %s" data-of="%s"`, class, of))
				}
				shunts := 0
				for _, k := range d.All() {
					has := func(part bool) int {
						if part {
							return 1
						}
						return 0
					}
					assert.Equal(t, has(k.Breaker != nil), count("breaker", k.Name), "%s: breaker of %s", how, k.Name)
					assert.Equal(t, has(k.Breaker == nil && k.Fuse != nil), count("fuse", k.Name), "%s: fuse of %s", how, k.Name)
					assert.Equal(t, has(k.Switch != nil), count("switch", k.Name)+count("contactor", k.Name), "%s: switch of %s", how, k.Name)
					assert.Equal(t, has(k.Switch != nil && k.Switch.Kind == design.Contactor), count("contactor", k.Name), "%s: contactor of %s", how, k.Name)
					assert.Equal(t, has(k.Shunt != nil), count("shunt", k.Name), "%s: shunt of %s", how, k.Name)
					shunts += count("shunt", k.Name)
					if k.Load != nil {
						assert.Equal(t, 1, strings.Count(svg, `id="drawn-`+k.Name+`"`), "%s: %s", how, k.Name)
					}
				}
				if name == "a fuse and a shunt" {
					assert.Equal(t, 1, shunts)
				}
				for _, s := range d.Sources {
					assert.True(t, strings.Contains(svg, ">"+s.Name+"<"), "%s: source %s", how, s.Name)
				}
				for _, b := range d.Buses {
					assert.True(t, strings.Contains(svg, ">"+b.Title+"<"), "%s: bus %s", how, b.Name)
				}
				for _, g := range d.Grounds {
					assert.Regexp(t, `[> ]`+g.Name+`[:.] `, svg, how)
				}
				assert.True(t, strings.Contains(svg, d.Revision), how)
			}
		})
	}
}

// The battery feeds the master contactor and nothing else; the starter hangs behind
// it and ahead of the bus; the alternator comes to the bus by its own breaker.
func TestThePowerPathsAreTheDesigns(t *testing.T) {
	p := newPicture(marshHen(t), nil, nil)
	ways := map[string]string{}
	for _, x := range p.towers() {
		name := ""
		if x.source != nil {
			name = x.source.Name
		}
		if x.load != nil {
			name += ">" + x.load.Name
		}
		ways[name] = strings.Join(x.way, " ")
	}
	assert.Equal(t, map[string]string{
		"supply":               "",
		"battery":              "battery+ master.switch.in master.switch.out main",
		">cranking":            "master.switch.out cranking.switch.in cranking.switch.out cranking.load+",
		"alternator":           "alternator+ alternator-lead.breaker main",
		"locator-pack>locator": "locator-pack+ locator.switch.in locator.switch.out locator.load+",
	}, ways)
}

func TestVerdictsAndHostileNames(t *testing.T) {
	d := marshHen(t)
	d.Circuits[0].Title = `</text><script>alert(1)</script>`
	svg := SVG(d, map[string]string{"radio": "fail"})
	words(t, svg)
	assert.NotContains(t, svg, "<script>")
	assert.Contains(t, svg, `<g id="drawn-radio" class="v-fail">`)
	assert.Contains(t, svg, band.Shape("fail"), "told by shape, not by colour alone")
	assert.NotContains(t, svg, "<a ")

	inside := Inside(d, map[string]string{"radio": "fail"}, func(name string) string { return "/aircraft/" + name })
	words(t, inside)
	assert.NotContains(t, inside, "<style", "a strict page has the style in a file")
	assert.Equal(t, len(d.Circuits)+1, strings.Count(inside, `<a href="/aircraft/`), "each circuit, and the avionics master")
	assert.NotContains(t, inside, "<script>")
}

// A bus of sixty circuits goes on in rows and sheets; no part of it is drawn outside,
// and none is higher than a page.
func TestManyCircuitsGoOn(t *testing.T) {
	d := marshHen(t)
	k := d.Circuits[0]
	for range 60 {
		d.Circuits = append(d.Circuits, k)
	}
	assert.Contains(t, SVG(d, nil), "(goes on)")
	sheets := Sheets(d, nil)
	assert.Len(t, sheets, 3)
	for i, svg := range sheets {
		words(t, svg)
		assert.Contains(t, svg, fmt.Sprintf("sheet %d of 3", i+1))
		var wide, high float64
		_, err := fmt.Sscanf(svg[strings.Index(svg, `viewBox="`):], `viewBox="0 0 %g %g"`, &wide, &high)
		require.NoError(t, err)
		assert.LessOrEqual(t, high, highest)
		for _, at := range regexp.MustCompile(`<text x="([0-9.]+)" y="([0-9.]+)"`).FindAllStringSubmatch(svg, -1) {
			x, _ := strconv.ParseFloat(at[1], 64)
			y, _ := strconv.ParseFloat(at[2], 64)
			assert.Less(t, x, wide)
			assert.Less(t, y, high)
		}
	}
}
