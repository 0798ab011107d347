package e2e

import (
	"bytes"
	"fmt"
	"image/png"
	"math"
	"net/http"
	"net/http/httptest"
	"testing"

	browser "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// How far what is shown must stand out, as a ratio of relative luminances.
//
// WCAG 2.2 (W3C Recommendation): success criterion 1.4.6, level AAA, asks 7 : 1 of
// text, whose large letters need less; 1.4.3, level AA, 4.5 : 1; 1.4.11 asks 3 : 1 of
// shapes that say something and of the borders of fields. The standard knows no
// sunlight: that its strictest ratio is asked by day, of large letters, too, is our
// own choice.
const (
	textByDay   = 7.0
	textByNight = 4.5
	shapes      = 3.0
)

// mostOther is the most green and the most blue that any pixel has by night, of 255:
// 1 % of the channel's light. Our own bound. Eyes that are used to the dark keep used
// to it in red light, which their rods hardly see (CIE scotopic luminosity, 1951; from
// memory).
const mostOther = 26

// faint lists what stands out too little: a script that gives a line for each text
// and each shape below its ratio. Text is every text node, placeholder and value of a
// field; shapes are those of verdicts and bands, and the borders of fields.
// Relative luminance is that of WCAG 2.2.
const faint = `((text, shape) => {
	const pen = new OffscreenCanvas(1, 1).getContext("2d", { willReadFrequently: true });
	const seen = new Map();
	const rgba = (css) => { // any CSS colour, as the browser paints it
		if (!seen.has(css)) { pen.clearRect(0, 0, 1, 1); pen.fillStyle = css; pen.fillRect(0, 0, 1, 1); seen.set(css, [...pen.getImageData(0, 0, 1, 1).data]); }
		return seen.get(css);
	};
	const over = ([r, g, b, a], back, opacity = 1) => { const k = a / 255 * opacity; return [r, g, b].map((c, i) => c * k + back[i] * (1 - k)); };
	const linear = (c) => (c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
	const light = (c) => 0.2126 * linear(c[0]) + 0.7152 * linear(c[1]) + 0.0722 * linear(c[2]);
	const ratio = (a, b) => { const [x, y] = [light(a), light(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
	const behind = (e) => { // what is painted under an element
		const list = [];
		for (let x = e; x; x = x.parentElement) list.unshift(getComputedStyle(x).backgroundColor);
		return list.reduce((back, css) => over(rgba(css), back), [255, 255, 255]);
	};
	const solid = (e) => { let o = 1; for (let x = e; x; x = x.parentElement) o *= getComputedStyle(x).opacity; return o; };
	const out = new Set();
	const look = (what, e, css, least, back = behind(e)) => {
		const r = ratio(over(rgba(css), back, solid(e)), back);
		if (r < least) out.add(what + " " + r.toFixed(2) + " < " + least + ": " + css + " in " + e.tagName + "." + (e.getAttribute("class") || "") + " " + (e.textContent || e.placeholder || "").trim().slice(0, 40));
	};
	let texts = 0, figures = 0;
	const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
	for (let n = walk.nextNode(); n; n = walk.nextNode()) {
		const e = n.parentElement;
		if (!n.data.trim() || ["SCRIPT", "STYLE", "NOSCRIPT", "OPTION"].includes(e.tagName) || !e.checkVisibility({ visibilityProperty: true }) || e.closest(".chart")) continue;
		texts++;
		look("text", e, e instanceof SVGElement ? getComputedStyle(e).fill : getComputedStyle(e).color, text);
	}
	for (const e of document.querySelectorAll("input, select, textarea")) {
		if (!e.checkVisibility() || e.disabled) continue;
		if (e.placeholder) look("placeholder", e, getComputedStyle(e, "::placeholder").color, text);
		if (e.type !== "checkbox") look("value", e, getComputedStyle(e).color, text);
		look("border", e, getComputedStyle(e).borderTopColor, shape, behind(e.parentElement));
	}
	for (const e of document.querySelectorAll("svg .mark, svg .cut, .band .limit, .band .allowed, .band .design, .band .spread")) {
		if (!e.checkVisibility()) continue;
		const s = getComputedStyle(e), css = s.stroke !== "none" ? s.stroke : s.fill;
		figures++;
		if (e.matches(".cut")) { // stands on the mark before it
			const mark = e.parentElement.querySelector(".mark:not(.open)");
			if (mark) look("shape", e, css, shape, over(rgba(getComputedStyle(mark).fill), behind(e)));
			continue;
		}
		look("shape", e, css, shape);
	}
	return { texts, figures, faint: [...out] };
})(%v, %v)`

// standsOut: every text and every shape has the ratio that is asked.
func (p *page) standsOut(when string, text float64) {
	p.t.Helper()
	type looked struct {
		Texts, Figures int
		Faint          []string
	}
	l := value[looked](p, fmt.Sprintf(faint, text, shapes))
	assert.NotZero(p.t, l.Texts, when)
	assert.Empty(p.t, l.Faint, "%s: stands out too little", when)
}

// longest is how far down a page is looked at, in pixels.
const longest = 8000

// keepsTheDark: no pixel of the page, from its head to its foot, has green or blue
// to speak of, but of a code that a camera reads, which must be white.
func (p *page) keepsTheDark(when string) {
	p.t.Helper()
	code := func(visibility string) {
		value[chromedp.Void](p, `document.querySelectorAll(".code").forEach((e) => { e.style.visibility = "`+visibility+`"; })`)
	}
	code("hidden")
	defer code("")
	clip := browser.Viewport{Width: value[float64](p, `document.documentElement.clientWidth`), Height: min(longest, value[float64](p, `document.documentElement.scrollHeight`)), Scale: 1}
	taken, err := chromedp.Call(p.ctx, browser.CaptureScreenshot, browser.CaptureScreenshotParams{Format: "png", Clip: &clip, CaptureBeyondViewport: new(true)})
	require.NoError(p.t, err)
	picture := taken.Data
	i, err := png.Decode(bytes.NewReader(picture))
	require.NoError(p.t, err)
	most, where, lit, all := uint32(0), "", 0, 0
	for y := i.Bounds().Min.Y; y < i.Bounds().Max.Y; y++ {
		for x := i.Bounds().Min.X; x < i.Bounds().Max.X; x++ {
			r, g, b, _ := i.At(x, y).RGBA()
			if all++; r>>8 > 100 {
				lit++
			}
			if other := max(g, b) >> 8; other > most {
				most, where = other, fmt.Sprintf("%d, %d: #%02x%02x%02x", x, y, r>>8, g>>8, b>>8)
			}
		}
	}
	if !assert.LessOrEqual(p.t, most, uint32(mostOther), "%s: green or blue light at %s", when, where) {
		look(p.t, "glares "+when, picture)
	}
	assert.Positive(p.t, lit, "%s: something is shown", when)
	assert.Less(p.t, lit, all/4, "%s: most of it is dark", when)
}

// The checks of light are at work: what is faint or glares is found, the known ratios
// come out, and what is right is let pass.
func TestLightIsMeasured(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		fmt.Fprint(w, `<html lang="en"><title>t</title><body style="background:white"><p style="color:#767676">grey</p><p style="color:#000">black</p>
<p style="color:#000;opacity:.3">pale</p><div style="background:#0b4f8a"><b style="color:#fffdf6">light on blue</b></div><input placeholder="name" style="border-color:#ddd">
<svg class="band"><path class="limit" d="M0 0h9" style="stroke:#eee;fill:none"/></svg></body></html>`)
	}))
	t.Cleanup(server.Close)
	p := openPage(t, server.URL)
	type looked struct{ Faint []string }
	found := fmt.Sprint(value[looked](p, fmt.Sprintf(faint, textByDay, shapes)).Faint)
	for _, want := range []string{"text 4.54", "grey", "pale", "placeholder", "border 1.36", "shape 1.16"} { // 4.54: #767676 on white, the example of the standard's working group
		assert.Contains(t, found, want)
	}
	assert.NotContains(t, found, "black")
	assert.NotContains(t, found, "light on blue")
	assert.InDelta(t, 0.01, math.Pow((mostOther/255.0+0.055)/1.055, 2.4), 0.0005, "1 % of the channel's light, by the transfer function of sRGB (IEC 61966-2-1)")
}
