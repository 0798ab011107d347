package e2e

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/units"
	"loomproof/dashboard/access"
	"loomproof/dashboard/web"
	"loomproof/probe"
	"loomproof/scripts"
)

// Figures of the pages; FIGURES.md has them.
//
//	go test ./dashboard/e2e -run xxx -bench 'FirstPaint|ReadingToPixels|Watchers' -benchtime 600x

// maxBenchPage is what the bench page may weigh with all that it loads, in bytes.
const maxBenchPage = 150_000

// A ramp is a meter that never comes to rest: ten readings a second, each
// another one, and when it was taken.
type ramp struct {
	mu    sync.Mutex
	taken map[string]time.Time // by what a page shows of it
	n     int
}

func (r *ramp) Identity() probe.Identity { return probe.Identity{Name: "meter"} }
func (r *ramp) Close() error             { return nil }
func (r *ramp) Channels() []probe.Channel {
	return []probe.Channel{{Name: "voltage", Quantity: probe.Voltage}}
}

func (r *ramp) Read(ctx context.Context, channel string) (probe.Reading, error) {
	select {
	case <-time.After(100 * time.Millisecond):
	case <-ctx.Done():
		return probe.Reading{}, context.Cause(ctx)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.n++
	v := 1.001 + float64(r.n*7%8000)/1000
	at := time.Now()
	r.taken[units.Format(v, "V")] = at
	return probe.Reading{Value: v, Quantity: probe.Voltage, Source: "meter", Channel: channel, At: at, Digit: 0.001, FullScale: 20}, nil
}

// serveRamp serves the pages of a worksheet that waits for the ramp to rest.
func serveRamp(ctx context.Context, dir string) (r *ramp, server *httptest.Server, end func(), err error) {
	text, _ := scripts.Design("marsh-hen")
	d, err := design.Parse("marsh-hen.yaml", text)
	if err != nil {
		return nil, nil, nil, err
	}
	book, err := logbook.Open(filepath.Join(dir, "logbook.db"))
	if err != nil {
		return nil, nil, nil, err
	}
	const script = `measure("radio.load+", "battery-", "Red probe on the plus terminal of the radio.", stays = True)` + "\n"
	sheet, err := book.Begin(ctx, logbook.Opening{Procedure: "ramp", Script: script, Aircraft: d.Aircraft.Name, Design: d.Text, File: d.File, Revision: d.Revision})
	if err != nil {
		return nil, nil, nil, err
	}
	r = &ramp{taken: map[string]time.Time{}}
	desk := procedure.NewDesk()
	ctx, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() {
		p := procedure.Performance{Design: d, Sheet: sheet, Name: "ramp", Script: []byte(script), Bench: &procedure.Bench{Meter: r, Patience: 24 * time.Hour}, Desk: desk}
		err := p.Perform(ctx)
		if ctx.Err() == nil {
			panic(err) // it waits for the end of the test
		}
		ended <- err
	}()
	server = httptest.NewServer(access.Local(web.New(web.Options{Desk: desk, Book: book, Design: d})))
	return r, server, func() { server.CloseClientConnections(); server.Close(); stop(); <-ended; book.Close() }, nil
}

func ramping(t testing.TB) (r *ramp, address string) {
	t.Helper()
	r, server, end, err := serveRamp(t.Context(), t.TempDir())
	require.NoError(t, err)
	t.Cleanup(end)
	return r, server.URL
}

// weight is how many bytes the page that is open came as, with all it loaded.
const weight = `[...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")].reduce((n, e) => n + e.transferSize, 0)`

// The bench page is light enough for an old phone at the far end of a hangar.
func TestPagesAreLight(t *testing.T) {
	_, address := ramping(t)
	p := openPage(t, address)
	p.until(`/ V$/.test(document.getElementById("reading").textContent)`)
	bytes := value[int](p, weight)
	t.Logf("the bench page: %d bytes", bytes)
	assert.Positive(t, bytes)
	assert.LessOrEqual(t, bytes, maxBenchPage)
}

func BenchmarkFirstPaint(b *testing.B) {
	_, address := ramping(b)
	p := openPage(b, address)
	var paints []float64
	for b.Loop() {
		p.open(address)
		p.until(`performance.getEntriesByName("first-contentful-paint").length === 1`)
		paints = append(paints, value[float64](p, `performance.getEntriesByName("first-contentful-paint")[0].startTime`))
	}
	b.ReportMetric(share(paints, 0.5), "ms-p50")
	b.ReportMetric(share(paints, 0.99), "ms-p99")
}

// From the moment that a reading is there to the frame that shows it.
func BenchmarkReadingToPixels(b *testing.B) {
	r, address := ramping(b)
	p := openPage(b, address)
	p.until(`/ V$/.test(document.getElementById("reading").textContent)`)
	value[chromedp.Void](p, `(() => {
		window.painted = [];
		const reading = document.getElementById("reading");
		new MutationObserver(() => {
			const said = reading.textContent;
			requestAnimationFrame(() => {
				const after = new MessageChannel(); // its message comes when the frame is out
				after.port1.onmessage = () => painted.push([said, performance.timeOrigin + performance.now()]);
				after.port2.postMessage(0);
			});
		}).observe(reading, { childList: true, characterData: true, subtree: true });
	})()`)
	b.ResetTimer()
	p.waiting = time.Duration(b.N)*150*time.Millisecond + patience
	p.until(fmt.Sprintf(`painted.length > %d`, b.N))
	b.StopTimer()
	var took []float64
	for _, x := range value[[][2]any](p, `painted`) {
		r.mu.Lock()
		at, known := r.taken[x[0].(string)]
		r.mu.Unlock()
		if known {
			took = append(took, x[1].(float64)-float64(at.UnixMicro())/1000)
		}
	}
	require.NotEmpty(b, took)
	b.ReportMetric(share(took, 0.5), "ms-p50")
	b.ReportMetric(share(took, 0.99), "ms-p99")
}

// Fifty pages that watch ten readings a second: what the daemon takes of a core.
func BenchmarkWatchers(b *testing.B) {
	self, err := os.Executable()
	require.NoError(b, err)
	daemon := exec.CommandContext(b.Context(), self)
	daemon.Env = append(os.Environ(), asDaemon+"="+b.TempDir())
	hold, err := daemon.StdinPipe() // it ends when this is closed
	require.NoError(b, err)
	out, err := daemon.StdoutPipe()
	require.NoError(b, err)
	require.NoError(b, daemon.Start())
	b.Cleanup(func() { hold.Close(); _ = daemon.Wait() })
	address, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(b, err)
	const watchers = 50
	frames := make(chan struct{}, watchers)
	for range watchers {
		go func() {
			answer, err := http.Get(strings.TrimSpace(address) + "/events")
			if err != nil {
				return
			}
			defer answer.Body.Close()
			lines := bufio.NewScanner(answer.Body)
			lines.Buffer(nil, 1<<20)
			for lines.Scan() {
				if strings.HasPrefix(lines.Text(), "data:") {
					frames <- struct{}{}
				}
			}
		}()
	}
	for range 2 * watchers {
		<-frames
	}
	b.ResetTimer()
	before, begun := cpuOf(b, daemon.Process.Pid), time.Now()
	for range b.N * watchers {
		<-frames
	}
	b.StopTimer()
	b.ReportMetric(100*(cpuOf(b, daemon.Process.Pid)-before).Seconds()/time.Since(begun).Seconds(), "%core")
	b.ReportMetric(float64(b.N)/time.Since(begun).Seconds(), "frames/s")
}

// cpuOf is the time that a process has had of the processors (proc(5): fields 14
// and 15 of its stat, in hundredths of a second).
func cpuOf(t testing.TB, pid int) time.Duration {
	t.Helper()
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	require.NoError(t, err)
	fields := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:]))
	var ticks int
	for _, f := range fields[11:13] {
		n, err := strconv.Atoi(f)
		require.NoError(t, err)
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond
}

// asDaemon, in the environment, makes this a program that serves the ramp; its
// value is the folder of the logbook.
const asDaemon = "LOOMPROOF_RAMP"

func TestMain(m *testing.M) {
	dir := os.Getenv(asDaemon)
	if dir == "" {
		os.Exit(m.Run())
	}
	_, server, end, err := serveRamp(context.Background(), dir)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Println(server.URL)
	_, _ = io.Copy(io.Discard, os.Stdin)
	end()
}

// share is the value that this share of them does not pass.
func share(values []float64, part float64) float64 {
	slices.Sort(values)
	return values[int(part*float64(len(values)-1))]
}
