package e2e

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/checks/mockup/charging"
	"loomproof/checks/procedure"
	"loomproof/checks/recording"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/recording/store"
	"loomproof/dashboard/access"
	"loomproof/dashboard/web"
	"loomproof/probe"
	emulated "loomproof/probe/bench"
	"loomproof/probe/sources"
)

// recordings is a logbook for recordings, and a page of it.
func recordings(t *testing.T) (*logbook.Book, *store.Store) {
	t.Helper()
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, book.Close()) })
	st, err := store.Open(book)
	require.NoError(t, err)
	return book, st
}

// pagesOf serves a logbook with recordings.
func pagesOf(t *testing.T, o web.Options, wrap func(http.Handler) http.Handler) string {
	t.Helper()
	if o.Desk == nil {
		o.Desk = procedure.NewDesk()
	}
	h := access.Local(web.New(o))
	if wrap != nil {
		h = wrap(h)
	}
	server := httptest.NewServer(h)
	t.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	return server.URL + "/"
}

const (
	spikeAt   = 777_777 // the sample of the bus that is not like the others
	longRun   = 1_200_000
	runOfBus  = "bus"
	spikeCode = 9_999 // millivolts
)

// long is twenty minutes at 1 kHz of three channels, 3.6 million samples: known
// ripple, one sample that stands out, and ten seconds missing.
func long(t *testing.T) *recording.Memory {
	t.Helper()
	names := []struct {
		name string
		role recording.Role
		of   probe.Quantity
		mean int32
	}{{runOfBus, recording.BusVolts, probe.Voltage, 14_000}, {"battery", recording.BatteryVolts, probe.Voltage, 13_900}, {"charge", recording.BatteryCurrent, probe.Current, 4_000}}
	var channels []recording.Channel
	for _, n := range names {
		channels = append(channels, recording.Channel{Name: n.name, Role: n.role, Where: "board/" + n.name, Quantity: n.of, Scale: 0.001, Rate: 1000, Accuracy: probe.Accuracy{OfReading: 0.005}})
	}
	m := recording.NewMemory(time.Date(2026, 5, 2, 9, 0, 0, 0, time.UTC), channels...)
	for i, n := range names {
		for from := 0; from < longRun; from += 10_000 {
			if from == 900_000 {
				continue // ten seconds that are missing
			}
			codes := make([]int32, 10_000)
			for j := range codes {
				codes[j] = n.mean + int32(math.Round(40*math.Sin(2*math.Pi*150*float64(from+j)/1000)))
			}
			if i == 0 && spikeAt >= from && spikeAt < from+len(codes) {
				codes[spikeAt-from] = spikeCode
			}
			require.NoError(t, m.Append(i, recording.Block{Start: float64(from) / 1000, Step: 0.001, Codes: codes}))
		}
	}
	m.Mark(recording.Marker{At: 600, Kind: recording.LoadIn, Text: "landing light", By: builder})
	return m
}

// needsCharts stops a test where the chart library was not bundled.
func (p *page) needsCharts() {
	p.t.Helper()
	p.until(`document.readyState === "complete"`)
	require.True(p.t, value[bool](p, `Boolean(window.uPlot)`), "the chart library is not in the program: run make chart, with npm (the Debian package npm)")
}

// TestRecording: millions of samples, from the whole down to the one that
// stands out.
func TestRecording(t *testing.T) {
	book, st := recordings(t)
	id, err := st.Keep(t.Context(), long(t), store.Opening{Title: "ground run", Aircraft: "Marsh Hen"})
	require.NoError(t, err)
	address := pagesOf(t, web.Options{Book: book, Recordings: st}, nil)
	b := handOn(t, fmt.Sprintf("%srecording/%d", address, id))
	b.needsCharts()
	b.until(`strips.length === 3 && strips[0].data[0].length > 500`)
	assert.InDelta(t, 9.999, value[float64](b.page, `Math.min(...strips[0].data[1].filter((v) => v !== null))`), 1e-9, "one sample of 3.6 million is seen in the whole")
	assert.Greater(t, value[int](b.page, `strips[0].data[3].filter((v) => v === null).length`), 3, "what is missing is missing")
	b.until(`parts.length > 0`)
	assert.Contains(t, strings.ToLower(value[string](b.page, `document.getElementById("analysis").innerText`)), "set-point")
	assert.Contains(t, value[string](b.page, `document.getElementById("markers").innerText`), "landing light at 10 min 0 s, by "+builder)

	// Drag across two minutes about the place.
	b.drag(720, 840)
	b.until(`view && Math.abs(view.from - 720) < 2 && Math.abs(view.to - 840) < 2`)
	// With the keys: put the cursor there, and look closer until single samples show.
	value[chromedp.Void](b.page, `moveTo(777.777)`)
	for range 9 {
		b.presses("+")
	}
	b.until(`!asking && data.channels.every((c) => c.single) && data.to - data.from < 1 && data.from < 777.777 && data.to > 777.777`)
	value[chromedp.Void](b.page, `moveTo(777.775)`)
	assert.Regexp(t, `^1[34]\.\d{3} V at 12 min 57\.7750 s`, b.reads(0))
	b.presses("ArrowRight")
	b.presses("ArrowRight")
	assert.Equal(t, "9.999 V at 12 min 57.7770 s", b.reads(0), "the very sample")
	want := fmt.Sprintf("%.3f A", (4000+math.Round(40*math.Sin(2*math.Pi*150*777.777)))/1000)
	assert.Contains(t, b.reads(2), want, "and what the current was then")

	b.presses("Home")
	b.until(`!view && !asking && data.to - data.from > 1199`)
	b.do(chromedp.Click("#lines summary"))
	b.until(`document.getElementById("line").textContent.includes("Hz")`)
	assert.Regexp(t, `^Strongest: 0\.03[4-9]\d* V at (148\.4|152\.3) Hz`, value[string](b.page, `document.getElementById("line").textContent`), "40 mV at 150 Hz")
	b.do(chromedp.Click("#across summary"))
	b.until(`others.across && others.across.data[0].length > 500`)
	b.fitsAndIsQuiet("a recording")

	for path, says := range map[string]string{"export.csv": "time_s,bus_V,battery_V,charge_A", "verify": "nothing is wrong", "analysis?as=json": `"parts"`} {
		code, said := get(t, fmt.Sprintf("%srecording/%d/%s", address, id, path))
		assert.Equal(t, http.StatusOK, code)
		assert.Contains(t, said, says)
	}
}

// TestRecordingLooks is the emulated ground run, for people to look at: parts,
// markers, a start.
func TestRecordingLooks(t *testing.T) {
	book, st := recordings(t)
	m, err := charging.New(charging.MarshHen()).Record(charging.GroundRun(), 96, charging.Taps(1000)...)
	require.NoError(t, err)
	id, err := st.Keep(t.Context(), m, store.Opening{Title: "ground run", Aircraft: "Marsh Hen"})
	require.NoError(t, err)
	pages := pagesOf(t, web.Options{Book: book, Recordings: st}, nil)
	b := handOn(t, fmt.Sprintf("%srecording/%d", pages, id))
	b.needsCharts()
	b.until(`parts.length > 5 && strips[0].data[0].length > 300`)
	assert.Contains(t, value[string](b.page, `document.querySelector("#analysis h2").innerText`), "pass")
	b.fitsAndIsQuiet("a ground run")
	value[chromedp.Void](b.page, `(document.getElementById("lines").open = document.getElementById("across").open = true)`)
	b.until(`others.lines && others.across`)
	b.fitsAndIsQuiet("a ground run in all its charts")
	for _, id := range []string{"markers", "analysis", "lines"} {
		value[chromedp.Void](b.page, `document.getElementById("`+id+`").scrollIntoView()`)
		b.drawn()
		look(t, "a ground run, "+id, b.picture())
	}
	b.phone()
	b.drawn()
	value[chromedp.Void](b.page, `document.querySelector("#analysis .steps").scrollIntoView()`)
	look(t, "a ground run, phone", b.picture())
	b.laptop()
	// A year later the regulator lets the voltage too high: the page says so.
	address := value[string](b.page, `location.href`)
	m, err = charging.New(charging.MarshHen(), charging.Fault{Kind: charging.HighSetPoint, Size: 1.5}).Record(charging.GroundRun(), 96, charging.Taps(1000)...)
	require.NoError(t, err)
	_, err = st.Keep(t.Context(), m, store.Opening{Title: "ground run, a year later", Aircraft: "Marsh Hen"})
	require.NoError(t, err)
	b.open(pages + "recording/2")
	b.needsCharts()
	b.until(`parts.length > 5`)
	assert.Contains(t, value[string](b.page, `document.querySelector("#analysis h2").innerText`), "fail")
	assert.Regexp(t, "(?i)set-point|voltage", value[string](b.page, `document.querySelector("#analysis .found").innerText`))
	// Both are ticked in the logbook with the keyboard, and compared.
	b.open(pages + "logbook")
	b.fitsAndIsQuiet("two recordings")
	value[chromedp.Void](b.page, `document.querySelector("input[name=recording]").focus()`)
	b.presses(" ")
	value[chromedp.Void](b.page, `document.querySelectorAll("input[name=recording]")[1].focus()`)
	b.presses(" ")
	b.do(chromedp.Click(`form:has(input[name=recording]) p button`))
	b.until(`document.querySelector("h1").innerText === "Recordings 1 and 2" && document.readyState === "complete"`)
	changed := value[string](b.page, `[...document.querySelectorAll("tr:has(td b)")].map((row) => row.innerText).join("; ")`)
	assert.Regexp(t, `regulator set-point\s.*1\.[45]\d* V`, changed, "by a volt and a half")
	assert.NotContains(t, changed, "least voltage of the crank", "the battery is as it was")
	b.fitsAndIsQuiet("compared")
	b.open(address)
	b.needsCharts()
	b.until(`parts.length > 5 && strips[0].data[0].length > 300`)
	// A part is a button: it shows that part.
	value[chromedp.Void](b.page, `[...document.querySelectorAll(".parts button")].find((b) => b.textContent.includes("crank")).click()`)
	b.until(`view && view.to - view.from < 10`)
	b.pinch()
}

// TestRecordingWithoutCharts: where the chart library was not bundled, there is
// a table, and no complaint.
func TestRecordingWithoutCharts(t *testing.T) {
	book, st := recordings(t)
	id, err := st.Keep(t.Context(), long(t), store.Opening{Title: "ground run"})
	require.NoError(t, err)
	without := func(h http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/static/chart.js" {
				w.Header().Set("Content-Type", "text/javascript")
				return
			}
			h.ServeHTTP(w, r)
		})
	}
	b := handOn(t, fmt.Sprintf("%srecording/%d?from=770&to=790", pagesOf(t, web.Options{Book: book, Recordings: st}, without), id))
	b.until(`document.getElementById("table").open && document.querySelector("#analysis .steps")`)
	assert.Contains(t, value[string](b.page, `document.querySelector("#table tbody").innerText`), "(9.999 to 14.040)")
	b.until(`document.getElementById("run").naturalWidth > 300`) // drawn by the program instead
	value[chromedp.Void](b.page, `(closer.click(), closer.click())`)
	b.until(`document.getElementById("run").complete && document.getElementById("run").src.includes("from=") && view.to - view.from < 301`)
	b.fitsAndIsQuiet("a recording without charts")
}

// Names of a recording that are markup are shown as words.
func TestRecordingMarkup(t *testing.T) {
	book, st := recordings(t)
	m := recording.NewMemory(time.Unix(0, 0).UTC(), recording.Channel{Name: attack, Where: attack, Role: recording.BusVolts, Quantity: probe.Voltage, Scale: 0.001, Rate: 1000})
	codes := make([]int32, 20_000)
	for i := range codes {
		codes[i] = 14_000 + int32(i%5)
	}
	require.NoError(t, m.Append(0, recording.Block{Step: 0.001, Codes: codes}))
	m.Mark(recording.Marker{At: 5, Text: attack, By: attack})
	_, err := st.Keep(t.Context(), m, store.Opening{Title: attack, Aircraft: attack, By: attack})
	require.NoError(t, err)
	pages := pagesOf(t, web.Options{Book: book, Recordings: st}, nil)
	p := openPage(t, pages+"recording/1")
	p.until(`document.readyState === "complete" && document.querySelector("#analysis .steps") && document.querySelector("#markers li")`)
	for _, where := range []string{"h1", "figcaption", "#markers", "#analysis", "table"} {
		assert.Contains(t, value[string](p, `document.querySelector("main").innerText && [...document.querySelectorAll("`+where+`")].map((e) => e.textContent).join(" ")`), attack, where)
	}
	assert.Equal(t, "undefined", value[string](p, `typeof hurt`))
	p.open(pages + "logbook")
	p.until(`document.readyState === "complete"`)
	p.onlyText()
	complaints, elsewhere := p.heard()
	assert.Empty(t, complaints)
	assert.Empty(t, elsewhere)
}

// recordable is a logbook and what its pages need to record an emulated board.
func recordable(t *testing.T) (*store.Store, web.Options) {
	t.Helper()
	cable, err := emulated.NewCable()
	require.NoError(t, err)
	served := make(chan struct{})
	go func() {
		defer close(served)
		_ = emulated.NewNode(func(int) float64 { return 3.5 }, emulated.NodeOptions{Noise: -1}).Serve(cable.Device())
	}()
	t.Cleanup(func() { cable.Close(); <-served })
	f, err := sources.Parse("sources.yaml", fmt.Appendf(nil, "loomproof-sources: 1\nsources:\n  board: {kind: node, port: %s, rate: 1000, oversampling: 1, channels: {bus: {pin: 0, scale: 4, accuracy: 1 %%}}}\n", cable.Name()))
	require.NoError(t, err)
	all, err := f.Sources()
	require.NoError(t, err)
	board := sources.Of(all[0])
	require.NoError(t, board.Open(t.Context()))
	t.Cleanup(func() { board.Close() })
	book, st := recordings(t)
	rec := recorder.New(st, []*sources.Source{board}, "Marsh Hen", "v1.0.0")
	t.Cleanup(func() { require.NoError(t, rec.Close()) })
	return st, web.Options{Book: book, Recordings: st, Recorder: rec, Sources: []*sources.Source{board}}
}

// TestRecordingByHand starts, marks and stops a recording on the page, and sees
// it grow.
func TestRecordingByHand(t *testing.T) {
	st, o := recordable(t)
	b := handOn(t, pagesOf(t, o, nil)+"recording")
	b.until(`document.querySelectorAll("#channels li").length === 1`)
	address := value[string](b.page, `location.href`)
	b.open(strings.TrimSuffix(address, "recording"))
	b.until(`document.getElementById("sources").innerText === "✓ board: answers"`)
	b.fitsAndIsQuiet("the bench before anything")
	b.open(address)
	b.until(`document.readyState === "complete"`)
	b.until(`document.querySelectorAll("#channels li").length === 1`)
	b.fitsAndIsQuiet("the recorder")
	b.do(chromedp.Click("#begin button.first"))
	b.until(`document.getElementById("said").textContent.includes("your name")`)
	b.do(chromedp.SendKeys(chromedp.ID("by"), builder))
	b.do(chromedp.Click("#begin button.first"))
	b.until(`location.pathname === "/recording/1" && document.readyState === "complete"`)
	b.needsCharts()
	b.until(`strips.length === 1 && strips[0].data[0].length > 3`)
	end := value[float64](b.page, `data.end`)
	b.until(fmt.Sprintf(`data.end > %v`, end+1)) // it grows
	value[chromedp.Void](b.page, `[...document.querySelectorAll("#kinds button")].find((b) => b.textContent === "load in").click()`)
	b.until(`document.getElementById("markers").innerText.includes("load in")`)
	value[chromedp.Void](b.page, `document.activeElement.blur()`)
	b.presses("m")
	b.until(`document.querySelectorAll("#markers li").length === 2`)
	b.fitsAndIsQuiet("recording")
	value[chromedp.Void](b.page, `document.getElementById("follow").click()`)
	b.until(`following && view && !asking && data.end - data.to < 3 && data.to - data.from <= 30.5`)
	b.do(chromedp.Click(chromedp.ID("stop")))
	b.until(`data.ended && document.getElementById("phase").textContent.startsWith("Nothing")`)
	b.until(`!document.getElementById("analysis").innerText.includes("being read")`)
	kept, err := st.Recording(t.Context(), 1)
	require.NoError(t, err)
	assert.Len(t, kept.Markers(), 2)
	assert.Equal(t, builder, kept.Markers()[0].By)
	assert.InDelta(t, 14, value[float64](b.page, `strips[0].data[3].find((v) => v !== null)`), 0.1)
}

// A chart is the page of a recording, with a hand on it.
type chart struct{ *bench }

func handOn(t *testing.T, address string) chart {
	t.Helper()
	return chart{&bench{page: openPage(t, address)}}
}

// presses presses a key by its name.
func (b chart) presses(key string) {
	b.press(input.DispatchKeyEventParams{Key: key, WindowsVirtualKeyCode: map[string]int64{" ": 32}[key]})
}

// reads is what a strip says at the cursor.
func (b chart) reads(strip int) string {
	return value[string](b.page, fmt.Sprintf(`figures[%d].querySelector(".value").textContent`, strip))
}

func get(t *testing.T, address string) (code int, said string) {
	t.Helper()
	r, err := http.Get(address)
	require.NoError(t, err)
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	return r.StatusCode, string(text)
}

// drag pulls the mouse across the second strip: all of them follow, from one moment to another.
func (b chart) drag(from, to float64) {
	b.t.Helper()
	at := func(t float64) (x, y float64) {
		return value[float64](b.page, fmt.Sprintf(`strips[1].over.getBoundingClientRect().left + strips[1].valToPos(%v, "x")`, t)), value[float64](b.page, `strips[1].over.getBoundingClientRect().top + 40`)
	}
	value[chromedp.Void](b.page, `document.getElementById("strips").scrollIntoView()`)
	mouse := func(kind input.DispatchMouseEventType, x, y float64) {
		_, err := chromedp.Call(b.ctx, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Button: input.MouseButtonLeft, ClickCount: 1})
		require.NoError(b.t, err)
	}
	x, y := at(from)
	mouse("mouseMoved", x, y)
	mouse("mousePressed", x, y)
	x2, _ := at(to)
	for i := 1; i <= 4; i++ {
		mouse("mouseMoved", x+(x2-x)*float64(i)/4, y)
	}
	mouse("mouseReleased", x2, y)
}

// pinch spreads two fingers on the first strip: what is shown halves.
func (b chart) pinch() {
	b.t.Helper()
	b.phone()
	b.until(`strips[0].width < 360 && !asking`)
	value[chromedp.Void](b.page, `scrollTo(0, 0); document.getElementById("strips").scrollIntoView()`)
	before := value[float64](b.page, `(view || data).to - (view || data).from`)
	middle := value[float64](b.page, `strips[0].over.getBoundingClientRect().left + strips[0].over.clientWidth / 2`)
	y := value[float64](b.page, `strips[0].over.getBoundingClientRect().top + 40`)
	touch := func(kind input.DispatchTouchEventType, apart float64) {
		points := []*input.TouchPoint{{X: middle - apart, Y: y, ID: new(1.0)}, {X: middle + apart, Y: y, ID: new(2.0)}}
		if kind == "touchEnd" {
			points = []*input.TouchPoint{}
		}
		_, err := chromedp.Call(b.ctx, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
		require.NoError(b.t, err)
	}
	touch("touchStart", 30)
	touch("touchMove", 45)
	touch("touchMove", 60)
	touch("touchEnd", 0)
	b.until(fmt.Sprintf(`!asking && Math.abs((view.to - view.from) / %v - 0.5) < 0.1`, before))
}
