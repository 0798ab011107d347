package web

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/evidence"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
	"loomproof/dashboard/access"
	"loomproof/probe"
	"loomproof/scripts"
)

// library is a logbook with two worksheets and two recordings, and its pages.
func library(t *testing.T) (*logbook.Book, func(path string, cookies ...*http.Cookie) *httptest.ResponseRecorder) {
	t.Helper()
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, book.Close()) })
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	require.NoError(t, err)
	const script = "not_done('current', 'radio', 'later')\n"
	for range 2 {
		w, err := book.Begin(t.Context(), logbook.Opening{Procedure: "x", Script: script, Aircraft: "Marsh Hen", Design: string(text), File: "marsh-hen.yaml"})
		require.NoError(t, err)
		p := procedure.Performance{Design: d, Sheet: w, Name: "x", Script: []byte(script), Bench: &procedure.Bench{}, Desk: procedure.NewDesk()}
		require.NoError(t, p.Perform(t.Context()))
	}
	st, err := store.Open(book)
	require.NoError(t, err)
	for year, volts := range []int32{14_200, 13_900} {
		m := recording.NewMemory(time.Date(2025+year, 5, 2, 9, 0, 0, 0, time.UTC), recording.Channel{Name: "bus", Role: recording.BusVolts, Quantity: probe.Voltage, Scale: 0.001, Rate: 100, Accuracy: probe.Accuracy{OfReading: 0.005}})
		codes := make([]int32, 2000)
		for i := range codes {
			codes[i] = volts + int32(i%3)
		}
		require.NoError(t, m.Append(0, recording.Block{Step: 0.01, Codes: codes}))
		_, err := st.Keep(t.Context(), m, store.Opening{Title: "ground run", Aircraft: "Marsh Hen"})
		require.NoError(t, err)
	}
	pages := access.Local(New(Options{Book: book, Desk: procedure.NewDesk(), Recordings: st, Design: d}))
	return book, func(path string, cookies ...*http.Cookie) *httptest.ResponseRecorder {
		r := httptest.NewRequest("GET", "http://127.0.0.1:8470"+path, nil)
		for _, c := range cookies {
			r.AddCookie(c)
		}
		out := httptest.NewRecorder()
		pages.ServeHTTP(out, r)
		return out
	}
}

func TestTheLogbookListsAll(t *testing.T) {
	_, get := library(t)
	page := get("/logbook").Body.String()
	for _, link := range []string{"/report/2", "/verify/2", "/export/1", "/report/1.csv", "/recording/2", "/recording/1/export.parquet", "/recording/1/verify"} {
		assert.Contains(t, page, `href="`+link+`"`)
	}
	assert.Contains(t, page, "not done")
}

func TestTwoAreCompared(t *testing.T) {
	_, get := library(t)
	out := get("/compare?worksheet=2&worksheet=1")
	assert.Equal(t, http.StatusSeeOther, out.Code)
	assert.Equal(t, "/compare/1/2", out.Header().Get("Location"), "the earlier one first")
	assert.Equal(t, "/compare/0/0", get("/compare?worksheet=//elsewhere.example&worksheet=x").Header().Get("Location"))
	for _, q := range []string{"", "?worksheet=1", "?worksheet=1&recording=2", "?recording=1&recording=2&worksheet=1", "?recording=1"} {
		out := get("/compare" + q)
		assert.Equal(t, http.StatusBadRequest, out.Code, q)
		assert.Contains(t, out.Body.String(), "tick two")
	}
	out = get("/compare?recording=2&recording=1")
	require.Equal(t, http.StatusOK, out.Code, out.Body)
	assert.Contains(t, out.Body.String(), "Recordings 1 and 2")
	assert.Contains(t, out.Body.String(), "<b>-300 mV</b>", "what changed more than its uncertainty is told apart")
	assert.Equal(t, http.StatusNotFound, get("/compare?recording=9&recording=1").Code)
}

// A log that counts seconds from its own start gives no date, and none is made up.
func TestALogWithoutADate(t *testing.T) {
	book, get := library(t)
	st, err := store.Open(book)
	require.NoError(t, err)
	m := recording.NewMemory(recording.NoDate, recording.Channel{Name: "bus", Role: recording.BusVolts, Quantity: probe.Voltage, Scale: 0.001, Rate: 100, Accuracy: probe.Accuracy{OfReading: 0.005}})
	codes := make([]int32, 2000)
	for i := range codes {
		codes[i] = 14_100 + int32(i%3)
	}
	require.NoError(t, m.Append(0, recording.Block{Step: 0.01, Codes: codes}))
	_, err = st.Keep(t.Context(), m, store.Opening{Title: "friend.csv"})
	require.NoError(t, err)
	for path, want := range map[string]string{
		"/logbook": "no date", "/recording": "no date", "/recording/3": "no date (the log gives none), <span id=\"state\">copied ",
		"/compare?recording=3&recording=1": "3, no date", "/recording/3/verify": "Recording 3", "/recording/3/analysis": "", "/recording/3/run.svg": "", "/recording/3/export.csv": "time_s",
	} {
		out := get(path)
		require.Equal(t, http.StatusOK, out.Code, path)
		assert.Contains(t, out.Body.String(), want, path)
		assert.NotRegexp(t, `\b1970\b`, out.Body.String(), path)
	}
	assert.Contains(t, get("/recording/1").Body.String(), "begun 2 May 2025")
}

func TestVerifiedInWords(t *testing.T) {
	book, get := library(t)
	page := get("/verify/1").Body.String()
	assert.Contains(t, page, "nothing is wrong")
	assert.Contains(t, page, "none was changed or moved")
	assert.Contains(t, page, "It is not signed")
	page = get("/recording/1/verify").Body.String()
	assert.Contains(t, page, "nothing is wrong")
	assert.Contains(t, page, "undecided", "nobody vouches for it")

	_, err := book.DB().Exec(`UPDATE records SET body = replace(body, 'later', 'never') WHERE worksheet = 1`)
	require.NoError(t, err)
	_, err = book.DB().Exec(`UPDATE recordings SET about = replace(about, 'ground run', 'other run') WHERE id = 1`)
	require.NoError(t, err)
	page = get("/verify/1").Body.String()
	assert.Contains(t, page, "it was tampered with, or damaged")
	assert.Contains(t, get("/recording/1/verify").Body.String(), "it was tampered with, or damaged")
	assert.Contains(t, get("/verify/2").Body.String(), "nothing is wrong", "the other one stands")
}

func TestHandedOver(t *testing.T) {
	_, get := library(t)
	out := get("/export/1")
	require.Equal(t, http.StatusOK, out.Code)
	z, err := zip.NewReader(bytes.NewReader(out.Body.Bytes()), int64(out.Body.Len()))
	require.NoError(t, err)
	f, err := z.Open("worksheet-1/worksheet.json")
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "worksheet.json")
	var text bytes.Buffer
	_, err = text.ReadFrom(f)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, text.Bytes(), 0o600))
	x, err := evidence.ReadFile(path)
	require.NoError(t, err)
	assert.Empty(t, evidence.Verify(x, evidence.Known{}).Faults, "what was handed over verifies")

	rows, err := csv.NewReader(get("/report/1.csv").Body).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 2)
	assert.Equal(t, "radio", rows[1][1])
	rows, err = csv.NewReader(get("/recording/2/export.csv").Body).ReadAll()
	require.NoError(t, err)
	assert.Len(t, rows, 2001)
	assert.Equal(t, []string{"time_s", "bus_V"}, rows[0])
}

// A page of one file leads back, and to what else there is of its worksheet; no
// link on it, and on what is said of a mistake, leads nowhere.
func TestPagesLeadBack(t *testing.T) {
	_, get := library(t)
	for _, path := range []string{"/report/2", "/compare/2", "/compare/1/2", "/why/2", "/report/99"} { // why: there is nothing to explain
		body := get(path).Body.String()
		links := regexp.MustCompile(`<a href="(/[^"#]*)"`).FindAllStringSubmatch(body, -1)
		var to []string
		for _, l := range links {
			to = append(to, l[1])
			assert.NotEqual(t, http.StatusNotFound, get(l[1]).Code, "%s on %s", l[1], path)
		}
		assert.Contains(t, to, "/", path)
		assert.Contains(t, to, "/logbook", path)
		if !strings.Contains(body, `class="message"`) {
			assert.Subset(t, append(to, path), []string{"/report/2", "/why/2", "/compare/2"}, path)
		}
	}
	assert.NotContains(t, get("/report/2.json").Body.String(), "<nav")
}

// Pages without scripts are dark where the Night button was pressed, too.
func TestNightFollows(t *testing.T) {
	_, get := library(t)
	night := &http.Cookie{Name: "night", Value: "on"}
	for _, path := range []string{"/logbook", "/recording/1", "/", "/report/1", "/compare/1/2"} {
		assert.Contains(t, get(path, night).Body.String(), `<html lang="en" class="night">`, path)
		assert.NotContains(t, get(path).Body.String(), `class="night">`, path)
	}
	assert.NotContains(t, get("/compare/1/2", &http.Cookie{Name: "night", Value: "off"}).Body.String(), `class="night">`)
}

// What is asked of a recording in a wrong way is refused, with what is right.
func TestRecordingRefusals(t *testing.T) {
	_, get := library(t)
	for path, want := range map[string]struct {
		code int
		says string
	}{
		"/recording/x":                                  {404, "is no recording"},
		"/recording/9":                                  {404, "no recording 9"},
		"/recording/1/view":                             {400, "number of columns"},
		"/recording/1/view?n=0":                         {400, "number of columns"},
		"/recording/1/view?n=99999":                     {400, "number of columns"},
		"/recording/1/view?n=9&from=5&to=2":             {400, "before it begins"},
		"/recording/1/other.svg":                        {404, "no such picture"},
		"/recording/1/run.gif":                          {404, "no such picture"},
		"/recording/1/regulator.svg":                    {404, "cannot be drawn"},
		"/recording/1/spectrum":                         {400, "from 0"},
		"/recording/1/spectrum?channel=1":               {400, "from 0"},
		"/recording/1/spectrum?channel=-1":              {400, "from 0"},
		"/recording/1/spectrum?channel=0&from=1&to=1.1": {422, "no 64 samples"},
	} {
		out := get(path)
		assert.Equal(t, want.code, out.Code, path)
		assert.Contains(t, out.Body.String(), want.says, path)
	}
}

// A view is single samples where there is room for them, and null where some are
// missing; far outside the recording it is empty.
func TestView(t *testing.T) {
	_, get := library(t)
	body := get("/recording/1/view?n=100&from=1&to=1.05").Body.String()
	assert.Contains(t, body, `"single":true,"at":[1,1.01,1.02,1.03,1.04]`)
	assert.Contains(t, body, `"end":20,`)
	body = get("/recording/1/view?n=4").Body.String()
	assert.Contains(t, body, `"single":false,"at":[2.5,7.5,12.5,17.5]`)
	assert.Contains(t, body, `"least":[14.2,14.2,14.2,14.2],"most":[14.202,14.202,14.202,14.202]`)
	assert.Equal(t, http.StatusOK, get("/recording/1/view?n=4&from=1e300&to=2e300").Code)
	assert.Equal(t, http.StatusOK, get("/recording/1/view?n=4&from=NaN&to=Inf").Code)
	assert.Equal(t, http.StatusOK, get("/recording/1?from=30&to=40").Code)
	assert.Contains(t, get(fmt.Sprintf("/recording/1/view?n=%d", mostColumns)).Body.String(), `"single":true`)
	assert.NotContains(t, strings.ToLower(body), "nan")
}

// BenchmarkView is what a page asks for when it looks at an hour of three
// channels at 1 kHz, and at a second of it.
func BenchmarkView(b *testing.B) {
	book, err := logbook.Open(filepath.Join(b.TempDir(), "logbook.db"))
	require.NoError(b, err)
	defer book.Close()
	st, err := store.Open(book)
	require.NoError(b, err)
	var channels []recording.Channel
	for _, name := range []string{"bus", "battery", "charge"} {
		channels = append(channels, recording.Channel{Name: name, Quantity: probe.Voltage, Scale: 0.001, Rate: 1000})
	}
	m := recording.NewMemory(time.Unix(0, 0), channels...)
	codes := make([]int32, 3_600_000)
	for i := range codes {
		codes[i] = 14_000 + int32(i*i%37)
	}
	for i := range channels {
		require.NoError(b, m.Append(i, recording.Block{Step: 0.001, Codes: codes}))
	}
	_, err = st.Keep(b.Context(), m, store.Opening{})
	require.NoError(b, err)
	pages := access.Local(New(Options{Book: book, Desk: procedure.NewDesk(), Recordings: st}))
	for _, c := range []struct{ name, query string }{{"hour", "n=1000"}, {"second", "n=1000&from=1800&to=1801"}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			size := 0
			for b.Loop() {
				out := httptest.NewRecorder()
				pages.ServeHTTP(out, httptest.NewRequest("GET", "http://127.0.0.1:8470/recording/1/view?"+c.query, nil))
				require.Equal(b, http.StatusOK, out.Code)
				size = out.Body.Len()
			}
			b.ReportMetric(float64(size), "bytes")
		})
	}
}
