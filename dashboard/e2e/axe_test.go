package e2e

import (
	"fmt"
	"os"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// axe-core, the checker of pages for people who see, hear or move otherwise, is
// installed with what the charts are made of.
const axeFile = "../web/chart/node_modules/axe-core/axe.min.js"

// runAxe gives a line for each thing that axe-core finds against a page. It
// looks at what WCAG 2.2 asks for at levels A and AA, and at its advice beside.
const runAxe = `(() => {
	window.axeSaid = undefined;
	setTimeout(() => axe.run(document, { resultTypes: ["violations"] }).then( // a large page takes it long
		(r) => { window.axeSaid = r.violations.flatMap((v) => v.nodes.map((n) => v.id + ": " + n.html.slice(0, 160) + " " + n.failureSummary.replace(/\s+/g, " ").slice(0, 240))); },
		(e) => { window.axeSaid = ["axe could not look: " + e]; }));
})()`

// reachesEverybody: axe-core has nothing against the page as it stands.
func (p *page) reachesEverybody(when string) {
	p.t.Helper()
	if !value[bool](p, `"axe" in window`) {
		value[bool](p, axeSource(p.t)+"\n; true")
	}
	value[chromedp.Void](p, runAxe)
	p.until(`window.axeSaid`)
	assert.Empty(p.t, value[[]string](p, `window.axeSaid`), "axe-core: %s", when)
}

func axeSource(t testing.TB) string {
	t.Helper()
	source, err := os.ReadFile(axeFile)
	require.NoError(t, err, "install it: cd dashboard/web/chart && npm ci (make test does)")
	return string(source)
}

// A page with something wrong is found out: the check is at work.
func TestAxeIsAtWork(t *testing.T) {
	p := openPage(t, "data:text/html,"+`<html lang="en"><title>t</title><main><h1>t</h1><button></button><p style="color:%23ccc;background:white">faint</p></main></html>`)
	value[bool](p, axeSource(t)+"\n; true")
	value[chromedp.Void](p, runAxe)
	p.until(`window.axeSaid`)
	said := fmt.Sprint(value[[]string](p, `window.axeSaid`))
	assert.Contains(t, said, "button-name")
	assert.Contains(t, said, "color-contrast")
}
