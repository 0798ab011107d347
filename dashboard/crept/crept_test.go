package crept_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/faultfind"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/trend"
	"loomproof/dashboard/crept"
	"loomproof/dashboard/report"
	"loomproof/dashboard/web"
	"loomproof/dashboard/why"
)

// The logbook of testdata: three first power-ons of the demo's Marsh Hen, twice
// sound, then with 60 mΩ more in ground point G4. It stays as it is: old
// worksheets must stay readable.
func threeWorksheets(t *testing.T) (*logbook.Book, func(id int64) *logbook.Worksheet) {
	t.Helper()
	packed, err := os.Open("testdata/three-worksheets.db.gz")
	require.NoError(t, err)
	defer packed.Close()
	z, err := gzip.NewReader(packed)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "book.db")
	out, err := os.Create(path)
	require.NoError(t, err)
	_, err = io.Copy(out, z)
	require.NoError(t, err)
	require.NoError(t, out.Close())
	book, err := logbook.OpenExisting(path)
	require.NoError(t, err)
	t.Cleanup(func() { book.Close() })
	return book, func(id int64) *logbook.Worksheet {
		w, err := book.Worksheet(t.Context(), id)
		require.NoError(t, err)
		return w
	}
}

func TestTwoSoundYears(t *testing.T) {
	book, sheet := threeWorksheets(t)
	c, err := crept.New(t.Context(), book, sheet(2), nil, trend.UsualRate)
	require.NoError(t, err)
	assert.Equal(t, 0, c.Exit())
	assert.Greater(t, len(c.Changes), 100)
	var text bytes.Buffer
	require.NoError(t, c.Text(&text))
	assert.Contains(t, text.String(), "Nothing has become worse that could not be chance")
}

func TestAGroundPointSinceLastYear(t *testing.T) {
	book, sheet := threeWorksheets(t)
	c, err := crept.New(t.Context(), book, sheet(3), nil, trend.UsualRate)
	require.NoError(t, err)
	assert.Equal(t, int64(2), c.Before.ID)
	assert.Equal(t, 1, c.Exit())
	require.NotEmpty(t, c.Groups)
	assert.Equal(t, "ground point G4", c.Groups[0].Cause)
	assert.Empty(t, c.Alone(), "all of it has one cause")

	var page, text, machine bytes.Buffer
	require.NoError(t, c.HTML(&page))
	assert.Contains(t, page.String(), "ground point G4")
	assert.NotContains(t, page.String(), "<script")
	require.NoError(t, c.Text(&text))
	assert.Contains(t, text.String(), "look there first")
	require.NoError(t, c.JSON(&machine))
	var back crept.Crept
	require.NoError(t, json.Unmarshal(machine.Bytes(), &back))
	assert.Equal(t, c.Groups, back.Groups)

	// Either order says the same; asked with both numbers, too.
	other, err := crept.New(t.Context(), book, sheet(3), sheet(2), trend.UsualRate)
	require.NoError(t, err)
	assert.Equal(t, c.Changes, other.Changes)

	// The report of the worksheet says it, and why.
	rep, err := report.New(sheet(3))
	require.NoError(t, err)
	require.NoError(t, rep.AddSince(t.Context(), book, sheet(3)))
	require.NotEmpty(t, rep.Causes)
	assert.Contains(t, rep.Causes[0].What, "bad ground point G4")
	assert.Contains(t, rep.Causes[0].Hot, "gets hot")
	require.NotNil(t, rep.Since)
	assert.Contains(t, rep.Since.Worse[0], "ground point G4")
	page.Reset()
	require.NoError(t, rep.HTML(&page))
	assert.Contains(t, page.String(), "Since worksheet 2")

	// What crept is asked for first next time.
	sheets, err := crept.Sheets(t.Context(), book, sheet(3))
	require.NoError(t, err)
	require.Len(t, sheets, 3)
	order := trend.Order(sheets, []string{"strobe", "radio", "fuel-pump", "gps"})
	assert.ElementsMatch(t, []string{"radio", "gps"}, order[:2])
}

// The pages and their JSON, as the dashboard serves them; numbers that are not
// there are told.
func TestThePagesAreServed(t *testing.T) {
	book, _ := threeWorksheets(t)
	server := web.New(web.Options{Book: book})
	for path, want := range map[string]struct {
		code int
		says string
	}{
		"/why/3":          {http.StatusOK, "bad ground point G4"},
		"/why/3.json":     {http.StatusOK, `"kind": "ground"`},
		"/compare/3":      {http.StatusOK, "ground point G4"},
		"/compare/1/3":    {http.StatusOK, "ground point G4"},
		"/compare/3.json": {http.StatusOK, `"cause": "ground point G4"`},
		"/report/3":       {http.StatusOK, "Since worksheet 2"},
		"/compare/1":      {http.StatusConflict, "no earlier one"},
		"/compare/2/2":    {http.StatusConflict, "with itself"},
		"/why/9":          {http.StatusNotFound, "no worksheet 9"},
		"/why/nine":       {http.StatusNotFound, "no worksheet number"},
		"/compare/3/nine": {http.StatusNotFound, "no worksheet number"},
	} {
		r := httptest.NewRequest(http.MethodGet, path, nil)
		w := httptest.NewRecorder()
		server.ServeHTTP(w, r)
		assert.Equal(t, want.code, w.Code, path)
		assert.Contains(t, w.Body.String(), want.says, path)
		assert.NotContains(t, w.Body.String(), "<script src=\"http", path)
	}
}

func TestWhatCannotBeCompared(t *testing.T) {
	book, sheet := threeWorksheets(t)
	_, err := crept.New(t.Context(), book, sheet(1), nil, trend.UsualRate)
	require.ErrorIs(t, err, crept.ErrNoEarlier)
	_, err = crept.New(t.Context(), book, sheet(1), sheet(1), trend.UsualRate)
	assert.ErrorContains(t, err, "cannot be compared with itself")
	rep, err := report.New(sheet(1))
	require.NoError(t, err)
	require.NoError(t, rep.AddSince(t.Context(), book, sheet(1)))
	assert.Nil(t, rep.Since)
	assert.Empty(t, rep.Causes, "nothing failed")
}

func TestWhyOfRealWorksheets(t *testing.T) {
	_, sheet := threeWorksheets(t)
	for id, exit := range map[int64]int{1: 0, 2: 0, 3: 1} {
		w, err := why.New(sheet(id), faultfind.Usual())
		require.NoError(t, err)
		assert.Equal(t, exit, w.Exit(), "worksheet %d: %s", id, w.Likeliest().Says)
	}
	w, err := why.New(sheet(3), faultfind.Usual())
	require.NoError(t, err)
	require.Len(t, w.Hot, 1)
	assert.Equal(t, "G4", w.Hot[0].Where)
	var page, text bytes.Buffer
	require.NoError(t, w.HTML(&page))
	assert.Contains(t, page.String(), "shared by VHF radio")
	require.NoError(t, w.Text(&text, true))
	assert.Less(t, bytes.Index(text.Bytes(), []byte("HOT")), bytes.Index(text.Bytes(), []byte("A bad ground")), "heat is said first")
}

// Somebody saw smoke, and no step had failed: neither why nor the report says then
// that nothing is wrong.
func TestSmokeIsNeverNothing(t *testing.T) {
	book, sheet := threeWorksheets(t)
	records := sheet(1).Records()
	var o logbook.Opening
	require.NoError(t, records[0].Decode(&o))
	w, err := book.Begin(t.Context(), o)
	require.NoError(t, err)
	for _, r := range records[1:] {
		if r.Kind == logbook.KindClose {
			break
		}
		_, err := w.Append(t.Context(), r.Kind, r.Body)
		require.NoError(t, err)
	}
	_, err = w.Append(t.Context(), "cut", procedure.Cut{Why: "smoke, said by R. Example", Smoke: true, Circuit: "strobe", Done: []string{"supply"}})
	require.NoError(t, err)

	found, err := why.New(w, faultfind.Usual())
	require.NoError(t, err)
	assert.Equal(t, 2, found.Exit())
	rep, err := report.New(w)
	require.NoError(t, err)
	var text, page, printed bytes.Buffer
	require.NoError(t, found.Text(&text, false))
	require.NoError(t, found.HTML(&page))
	require.NoError(t, rep.HTML(&printed))
	for what, said := range map[string]string{"text": text.String(), "page": page.String(), "report": printed.String()} {
		assert.NotContains(t, said, "othing is wrong", what)
		assert.Contains(t, said, "look at what was switched on last", what)
	}
	assert.Contains(t, printed.String(), "Not finished")
}
