package main

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/dashboard/metrics"
	"loomproof/probe/node/board"
	"loomproof/scripts"
)

// A Prometheus server comes for the metrics of the daemon, which reads our board
// (its real firmware, emulated), and its alert fires when the bus goes too high.
func TestAPrometheusServerScrapesAndAlerts(t *testing.T) {
	dir := t.TempDir()
	b := board.Start(t)
	b.SetVolts(0, 14.2/4)
	d := startDaemon(t, dir, b.Port())
	require.NoError(t, os.WriteFile(filepath.Join(dir, "alerts.yaml"), metrics.Alerts, 0o600))
	p := startPrometheus(t, dir, fmt.Sprintf(`
global: {scrape_interval: 1s, evaluation_interval: 1s}
rule_files: [alerts.yaml]
scrape_configs:
  - {job_name: loomproof, static_configs: [{targets: ["%s"]}]}
`, d.host()))

	bus := `loomproof_source_volts{bus="main",source="node"}`
	p.await(bus, func(s []series) bool { return len(s) == 1 && s[0].value > 14.0 && s[0].value < 14.4 })
	assert.Len(t, p.query(`loomproof_source_up == 1`), 1)
	assert.Len(t, p.query(`loomproof_bus_nominal_volts{bus="main"} == 14`), 1)
	assert.Empty(t, p.query(`ALERTS{alertname="BusVoltageHigh"}`))

	// While it is recorded, as on a ground run, it is watched none the less.
	r, err := http.Post(d.url+"recorder/start", "application/json", strings.NewReader(`{"by": "Tove Lind"}`))
	require.NoError(t, err)
	r.Body.Close()
	require.Less(t, r.StatusCode, 300)
	b.SetVolts(0, 15.9/4)
	p.await(`ALERTS{alertname="BusVoltageHigh",alertstate="firing",bus="main"}`, func(s []series) bool { return len(s) == 1 })
	assert.Empty(t, p.query(`ALERTS{alertname!="BusVoltageHigh"}`))

	b.Close()
	p.await(`loomproof_source_up == 0`, func(s []series) bool { return len(s) == 1 })
	p.await(bus, func(s []series) bool { return len(s) == 0 })
}

// The server goes away, then the daemon is killed and started again: what was
// gathered meanwhile arrives when the server is back, each gathering once, with its
// own time, in order.
func TestPushSurvivesServerAndDaemon(t *testing.T) {
	dir := t.TempDir()
	b := board.Start(t)
	b.SetVolts(0, 14.2/4)
	const config = "global: {scrape_interval: 1h}"
	receive := "--web.enable-remote-write-receiver"
	p := startPrometheus(t, dir, config, receive)
	flags := []string{"--push", p.url + "/api/v1/write", "--push-every", "100ms"}
	d := startDaemon(t, dir, b.Port(), flags...)
	p.await(`loomproof_source_volts{bus="main",job="loomproof",instance!=""}`, func(s []series) bool { return len(s) == 1 && s[0].value > 14 })

	p.stop()
	d.await("loomproof_push_queue_gatherings", func(v float64) bool { return v > 20 })
	d.kill()
	first, _ := queued(t, dir)
	require.Greater(t, first, 20)
	d = startDaemon(t, dir, b.Port(), flags...)
	d.await("loomproof_push_queue_gatherings", func(v float64) bool { return v > float64(first)+10 })
	d.await("loomproof_push_retries_total", func(v float64) bool { return v > 0 })

	p = startPrometheusAt(t, strings.TrimPrefix(p.url, "http://"), dir, config, receive)
	d.await("loomproof_push_queue_gatherings", func(v float64) bool { return v < 3 })
	d.kill()
	waiting, all := queued(t, dir)
	samples := p.await(`loomproof_build_info[1h]`, func(s []series) bool { return len(s) == 1 })[0].points
	// The last may have been taken by the server and not been noted when it was killed.
	assert.Contains(t, []int{all - waiting, all - waiting + 1}, len(samples), "%d gathered, %d not sent yet", all, waiting)
	for i := 1; i < len(samples); i++ {
		require.Greater(t, samples[i][0], samples[i-1][0])
	}
	assert.Empty(t, p.query(`max_over_time(loomproof_push_lost_total[1h]) > 0`))
}

// queued looks into the queue of a daemon that is not there any more: how many
// wait, and how many there ever were.
func queued(t *testing.T, dir string) (waiting, all int) {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(dir, "logbook.push.db"))
	require.NoError(t, err)
	defer db.Close()
	require.NoError(t, db.QueryRow("SELECT (SELECT count(*) FROM gatherings), seq FROM sqlite_sequence").Scan(&waiting, &all))
	return waiting, all
}

// await looks at the daemon's own metrics until it is so.
func (d *daemon) await(name string, so func(float64) bool) {
	d.t.Helper()
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	seen := math.NaN()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); <-again.C {
		r, err := http.Get(d.url + "metrics")
		require.NoError(d.t, err)
		body, err := io.ReadAll(r.Body)
		r.Body.Close()
		require.NoError(d.t, err)
		if m := regexp.MustCompile(`(?m)^` + name + ` (\S+)$`).FindSubmatch(body); m != nil {
			_, err := fmt.Sscan(string(m[1]), &seen)
			require.NoError(d.t, err)
			if so(seen) {
				return
			}
		}
	}
	require.FailNow(d.t, "never so: "+name, "last: %v", seen)
}

// A daemon is the program in a process of its own, serving.
type daemon struct {
	t   *testing.T
	cmd *exec.Cmd
	url string
}

// startDaemon starts serve with a node on a port, clipped to the main bus through
// a divider of four, and waits for its dashboard.
func startDaemon(t *testing.T, dir, port string, more ...string) *daemon {
	t.Helper()
	return startDaemonWith(t, dir, nil, append([]string{"--node", port}, more...)...)
}

func startDaemonWith(t *testing.T, dir string, env []string, more ...string) *daemon {
	t.Helper()
	text, _ := scripts.Design("marsh-hen")
	design := filepath.Join(dir, "marsh-hen.yaml")
	require.NoError(t, os.WriteFile(design, text, 0o600))
	self, err := os.Executable()
	require.NoError(t, err)
	args := append([]string{"serve", design, "--logbook", filepath.Join(dir, "logbook.db"), "--listen", "127.0.0.1:0"}, more...)
	d := &daemon{t: t, cmd: exec.Command(self, args...)}
	d.cmd.Env = append(append(os.Environ(), asProgram+"=1", "XDG_CONFIG_HOME="+dir), env...)
	d.cmd.Stderr = os.Stderr
	out, err := d.cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, d.cmd.Start())
	t.Cleanup(d.kill)
	lines := bufio.NewScanner(out)
	for d.url == "" && lines.Scan() {
		if m := regexp.MustCompile(`Dashboard: (\S+)`).FindStringSubmatch(lines.Text()); m != nil {
			d.url = m[1]
		}
	}
	require.NotEmpty(t, d.url, "the daemon says where its dashboard is")
	go func() { _, _ = io.Copy(io.Discard, out) }()
	return d
}

func (d *daemon) host() string {
	u, err := url.Parse(d.url)
	require.NoError(d.t, err)
	return u.Host
}

// kill ends it as a power failure would.
func (d *daemon) kill() {
	_ = d.cmd.Process.Kill()
	_ = d.cmd.Wait()
}

// A prometheus is a real server.
type prometheus struct {
	t   *testing.T
	cmd *exec.Cmd
	url string
	dir string
}

// startPrometheus starts a server that keeps what it has in the folder.
func startPrometheus(t *testing.T, dir, config string, more ...string) *prometheus {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address := l.Addr().String()
	l.Close()
	return startPrometheusAt(t, address, dir, config, more...)
}

func startPrometheusAt(t *testing.T, address, dir, config string, more ...string) *prometheus {
	t.Helper()
	path, err := exec.LookPath("prometheus")
	require.NoError(t, err, "this test needs prometheus: install the Debian package prometheus")
	file := filepath.Join(dir, "prometheus.yml")
	require.NoError(t, os.WriteFile(file, []byte(config), 0o600))
	p := &prometheus{t: t, url: "http://" + address, dir: dir}
	p.cmd = exec.Command(path, append([]string{
		"--config.file=" + file, "--storage.tsdb.path=" + filepath.Join(dir, "tsdb"),
		"--web.listen-address=" + address, "--enable-feature=native-histograms", "--log.level=error",
	}, more...)...)
	p.cmd.Stderr = os.Stderr
	require.NoError(t, p.cmd.Start())
	t.Cleanup(p.stop)
	return p
}

func (p *prometheus) stop() {
	_ = p.cmd.Process.Kill()
	_ = p.cmd.Wait()
}

// A series is what a query finds: its labels, and its value now.
type series struct {
	labels map[string]string
	value  float64
	points [][2]float64 // of a range: seconds, value
}

// query asks for the present; a server that is not ready has nothing.
func (p *prometheus) query(expr string) []series {
	p.t.Helper()
	r, err := http.PostForm(p.url+"/api/v1/query", url.Values{"query": {expr}})
	if err != nil {
		return nil
	}
	defer r.Body.Close()
	var answer struct {
		Status, Error string
		Data          struct {
			Result []struct {
				Metric map[string]string
				Value  [2]any
				Values [][2]any
			}
		}
	}
	if r.StatusCode == http.StatusServiceUnavailable || r.StatusCode == http.StatusNotFound {
		return nil // it is starting
	}
	require.NoError(p.t, json.NewDecoder(r.Body).Decode(&answer))
	require.Equal(p.t, "success", answer.Status, answer.Error)
	var out []series
	for _, x := range answer.Data.Result {
		s := series{labels: x.Metric}
		if x.Value[1] != nil {
			s.value = point(p.t, x.Value)[1]
		}
		for _, v := range x.Values {
			s.points = append(s.points, point(p.t, v))
		}
		out = append(out, s)
	}
	return out
}

func point(t *testing.T, v [2]any) (out [2]float64) {
	t.Helper()
	_, err := fmt.Sscan(fmt.Sprintf("%f %v", v[0], v[1]), &out[0], &out[1])
	require.NoError(t, err)
	return out
}

// await asks until it is so. A server's first scrape takes some six seconds to
// show; a busy machine may need longer.
func (p *prometheus) await(expr string, so func([]series) bool) []series {
	p.t.Helper()
	ctx, done := context.WithTimeout(p.t.Context(), 2*time.Minute)
	defer done()
	again := time.NewTicker(200 * time.Millisecond)
	defer again.Stop()
	for {
		found := p.query(expr)
		if so(found) {
			return found
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			require.FailNow(p.t, "never so: "+strings.TrimSpace(expr), "last: %v", found)
		}
	}
}
