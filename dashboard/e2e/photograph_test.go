package e2e

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/procedure"
	"loomproof/dashboard/access"
	"loomproof/dashboard/web"
)

// phonePicture writes a picture as large as a phone's, turned on its side, with a
// remark of where it was taken.
func phonePicture(t *testing.T) string {
	t.Helper()
	m := image.NewYCbCr(image.Rect(0, 0, 4000, 3000), image.YCbCrSubsampleRatio420)
	for i := range m.Y {
		m.Y[i] = uint8(i / 7 * 13) //nolint:gosec // any pattern
	}
	for i := range m.Cb {
		m.Cb[i], m.Cr[i] = 100, 160
	}
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, m, &jpeg.Options{Quality: 60}))
	exif := "Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00\x00\x00\x00\x00GPS 51 N"
	out := append([]byte{0xff, 0xd8, 0xff, 0xe1, 0, byte(len(exif) + 2)}, exif...)
	path := filepath.Join(t.TempDir(), "picture.jpg")
	require.NoError(t, os.WriteFile(path, append(out, b.Bytes()[2:]...), 0o600))
	return path
}

// At a phone: a picture of what is being done, and one of a step. Both are in the
// report, the right way up, and tell nothing of the place.
func TestPhotographsFromAPhone(t *testing.T) {
	b := startDemo(t)
	b.phone()
	file := phonePicture(t)
	b.until(`!document.getElementById("photo").hidden`)
	b.chooses(file)
	b.until(`document.getElementById("refused").textContent.includes("Who took it?")`)
	b.do(chromedp.SendKeys(chromedp.ID("by"), builder+"\r"))
	b.performUntil(`document.querySelectorAll("#steps li").length >= 3 && (now.answers || []).length > 1`)
	say := value[string](b.page, `now.say`)

	b.chooses(file)
	b.until(`document.getElementById("kept").textContent.includes("is kept")`)
	step := value[string](b.page, `(() => { const li = document.querySelector("#steps li"); photographed = li.dataset.step; return photographed; })()`)
	assert.Equal(t, 1, value[int](b.page, `[...document.querySelector("#steps li").querySelectorAll("button")].filter((b) => b.textContent === "Photograph").length`))
	value[chromedp.Void](b.page, `document.getElementById("kept").textContent = ""`)
	b.chooses(file)
	b.until(`document.getElementById("kept").textContent.includes("is kept")`)
	b.fitsAndIsQuiet("with photographs")

	text := filepath.Join(t.TempDir(), "notes.txt")
	require.NoError(t, os.WriteFile(text, []byte("no picture"), 0o600))
	b.chooses(text)
	b.until(`document.getElementById("refused").textContent.includes("set the camera to JPEG")`)
	b.mu.Lock()
	b.complaints = nil // the browser tells of the refusal, too
	b.mu.Unlock()

	rep := b.report()
	require.Len(t, rep.Photographs, 2)
	assert.Equal(t, say, rep.Photographs[0].During)
	assert.Equal(t, step, rep.Photographs[1].Step)
	assert.Equal(t, builder, rep.Photographs[1].By)
	assert.Empty(t, rep.Photographs[1].Missing)

	b.open(b.line.url + "report/1")
	b.until(`[...document.images].length === 2 && [...document.images].every((i) => i.complete && i.naturalWidth === 750 && i.naturalHeight === 1000)`)
	b.fitsAndIsQuiet("the report with photographs")
	value[chromedp.Void](b.page, `document.querySelector("figure").scrollIntoView()`)
	look(t, "report's photographs", b.picture())
	assert.Equal(t, 1, value[int](b.page, `[...document.querySelectorAll("table.steps a")].filter((a) => a.textContent === "photograph 2").length`))
	b.another(b.program+"report/1").printsWell(b.program+"report/1", rep, 4, 8)
	page, err := http.Get(b.program + "report/1")
	require.NoError(t, err)
	defer page.Body.Close()
	whole, err := io.ReadAll(page.Body)
	require.NoError(t, err)
	assert.NotContains(t, string(whole), "GPS 51")
}

// chooses gives the page a file as the phone's camera does. The page has cleared
// the field before, as its button does.
func (b *bench) chooses(file string) {
	b.t.Helper()
	value[chromedp.Void](b.page, `(() => { document.getElementById("camera").value = ""; })()`)
	b.do(chromedp.SetUploadFiles(chromedp.ID("camera"), []string{file}, chromedp.NodeReady))
}

// Who may not answer sends no picture; no other page does, and nothing too large.
func TestPhotographsThatAreRefused(t *testing.T) {
	post := func(t *testing.T, h http.Handler, origin, body string) (int, string) {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://127.0.0.1/photograph?by=Tove", strings.NewReader(body))
		require.NoError(t, err)
		r.RemoteAddr, r.Host = "127.0.0.1:50000", "127.0.0.1"
		if origin != "" {
			r.Header.Set("Origin", origin)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w.Code, w.Body.String()
	}
	pages := web.New(web.Options{Desk: procedure.NewDesk()})
	code, says := post(t, pages, "", "x")
	assert.Equal(t, http.StatusForbidden, code)
	assert.Contains(t, says, "only watch")
	local := access.Local(pages)
	code, _ = post(t, local, "https://weather.example", "x")
	assert.Equal(t, http.StatusForbidden, code)
	code, says = post(t, local, "", strings.Repeat("x", 21<<20))
	assert.Equal(t, http.StatusRequestEntityTooLarge, code)
	assert.Contains(t, says, "smaller pictures")
	var b bytes.Buffer
	m := image.NewGray(image.Rect(0, 0, 8, 8))
	m.SetGray(1, 1, color.Gray{200})
	require.NoError(t, jpeg.Encode(&b, m, nil))
	code, says = post(t, local, "", b.String())
	assert.Equal(t, http.StatusConflict, code)
	assert.Contains(t, says, "loomproof amend")
}
