package evidence

import (
	"archive/zip"
	"bytes"
	"context"
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
)

// picture is a small one of a colour.
func picture(t testing.TB, red uint8) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, 4, 3))
	m.SetRGBA(0, 0, color.RGBA{red, 0, 0, 255})
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, m))
	return b.Bytes()
}

// photographed is a signed worksheet with a photograph taken while it was
// performed, and one in an amendment.
func photographed(t testing.TB) (*logbook.Book, Sheet, Known) {
	t.Helper()
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	t.Cleanup(func() { book.Close() })
	text := marshHen(t)
	d, err := design.Parse("starter.yaml", text)
	require.NoError(t, err)
	const script = "not_done(\"load voltage\", circuits[0].name, \"no probe reaches it\")\nhold(\"Take a picture of it.\")\n"
	w, err := book.Begin(t.Context(), logbook.Opening{Procedure: "x", Script: script, Design: string(text), File: "starter.yaml", Revision: d.Revision})
	require.NoError(t, err)
	desk := procedure.NewDesk()
	desk.Settle = 0
	_, err = desk.Photograph(t.Context(), picture(t, 1), "", "R. Example")
	require.ErrorIs(t, err, procedure.ErrNoWorksheet)
	ended := make(chan error, 1)
	go func() {
		p := procedure.Performance{Design: d, Sheet: w, Name: "x", Script: []byte(script), Bench: &procedure.Bench{}, Desk: desk}
		ended <- p.Perform(context.Background())
	}()
	var v procedure.View
	require.NoError(t, desk.Until(t.Context(), func(now procedure.View) bool { v = now; return v.Now.Kind == procedure.DoHold }))
	for _, wrong := range []struct{ step, by, says string }{{"none", "R. Example", `no step "none"`}, {"", " ", "who took it"}} {
		_, err = desk.Photograph(t.Context(), picture(t, 1), wrong.step, wrong.by)
		require.ErrorContains(t, err, wrong.says)
	}
	_, err = desk.Photograph(t.Context(), []byte("<svg>"), "", "R. Example")
	require.ErrorContains(t, err, "set the camera to JPEG")
	p, err := desk.Photograph(t.Context(), picture(t, 1), v.Steps[0].ID, "R. Example")
	require.NoError(t, err)
	assert.Equal(t, logbook.HashOf(picture(t, 1)), p.Hash)
	require.NoError(t, desk.Answer(procedure.Answer{ID: v.Now.ID, Choice: v.Now.Answers[0], By: "R. Example"}))
	require.NoError(t, <-ended)
	_, err = desk.Photograph(t.Context(), picture(t, 2), "", "R. Example")
	require.ErrorIs(t, err, procedure.ErrNoWorksheet, "behind the close there are amendments only")

	key, known := newKey(t)
	_, err = Sign(t.Context(), w, key, builder)
	require.NoError(t, err)
	st, err := AmendWith(t.Context(), w, key, builder, v.Steps[0].ID, "as it looks now", picture(t, 3))
	require.NoError(t, err)
	assert.Equal(t, logbook.HashOf(picture(t, 3)), st.Photograph.Hash)
	again, err := book.Worksheet(t.Context(), w.ID())
	require.NoError(t, err)
	x := Of(again)
	f := Verify(x, known)
	require.True(t, f.Proven(), "%+v", f)
	assert.Equal(t, 2, f.Photographs)
	return book, x, known
}

// A photograph that was changed, exchanged or taken out is found, and so is a
// record that names another.
func TestTamperingWithPhotographsIsFound(t *testing.T) {
	first, second := logbook.HashOf(picture(t, 1)), logbook.HashOf(picture(t, 3))
	for name, c := range map[string]struct{ sql, says string }{
		"a byte":          {"UPDATE attached SET body = substr(body, 1, 20) || x'77' || substr(body, 22) WHERE hash = '" + first + "'", "photograph was changed"},
		"exchanged":       {"UPDATE attached SET body = (SELECT body FROM attached WHERE hash = '" + second + "')", "photograph was changed"},
		"taken out":       {"DELETE FROM attached WHERE hash = '" + first + "'", "photograph is missing"},
		"amendment's":     {"DELETE FROM attached WHERE hash = '" + second + "'", "photograph is missing"},
		"renamed":         {"UPDATE attached SET hash = upper(hash)", "photograph is missing"},
		"the record":      {"UPDATE records SET body = replace(body, '" + first + "', '" + second + "') WHERE kind = 'photograph'", "it was changed"},
		"record and body": {"UPDATE records SET body = replace(body, 'R. Example', 'S. Example') WHERE kind = 'photograph'; DELETE FROM attached", "it was changed"},
	} {
		t.Run(name, func(t *testing.T) {
			book, x, known := photographed(t)
			_, err := book.DB().Exec(c.sql)
			require.NoError(t, err)
			w, err := book.Worksheet(t.Context(), x.Worksheet)
			require.NoError(t, err)
			f := Verify(Of(w), known)
			require.NotEmpty(t, f.Faults)
			assert.False(t, f.Proven())
			assert.Contains(t, f.Faults[0].String(), c.says)
		})
	}
}

// Photographs go with an exported worksheet and are checked there, by a program of
// others too.
func TestPhotographsAreExported(t *testing.T) {
	_, x, known := photographed(t)
	dir := filepath.Join(t.TempDir(), "out")
	_, err := Export(x, dir)
	require.NoError(t, err)
	first := filepath.Join(dir, "photographs", logbook.HashOf(picture(t, 1))+".png")
	got, err := os.ReadFile(first)
	require.NoError(t, err)
	assert.Equal(t, picture(t, 1), got)
	back, err := ReadFile(dir)
	require.NoError(t, err)
	assert.True(t, Verify(back, known).Proven())
	assert.Equal(t, 2, Verify(back, known).Photographs)
	var archive bytes.Buffer
	require.NoError(t, Zip(&archive, x, "w"))
	z, err := zip.NewReader(bytes.NewReader(archive.Bytes()), int64(archive.Len()))
	require.NoError(t, err)
	_, err = z.Open("w/photographs/" + filepath.Base(first))
	require.NoError(t, err)
	keys, err := filepath.Glob(filepath.Join(dir, "key-of-record-*.pem"))
	require.NoError(t, err)
	said, err := independently(t, filepath.Join(dir, worksheetFile), keys[0])
	require.NoError(t, err, said)

	require.NoError(t, os.WriteFile(first, picture(t, 2), 0o600))
	assert.Contains(t, Verify(back, known).Faults[0].What, "photograph was changed")
	said, err = independently(t, filepath.Join(dir, worksheetFile), keys[0])
	require.Error(t, err)
	assert.Contains(t, said, "photograph was changed")
	require.NoError(t, os.Remove(first))
	assert.Contains(t, Verify(back, known).Faults[0].What, "photograph is missing")

	// A record can name no file outside the folder.
	for _, hash := range []string{"../../secret", "", "A" + logbook.HashOf(nil)[1:]} {
		_, err := Photograph{Photograph: procedure.Photograph{Hash: hash, Type: "image/png"}}.file()
		assert.Error(t, err, hash)
	}
}
