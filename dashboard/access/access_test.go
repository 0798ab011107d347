package access

import (
	"crypto/x509"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// echo is a page that says who came, and counts what would change something.
func echo(changed *int) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := Of(r.Context())
		if r.Method == http.MethodPost {
			*changed++
		}
		_, _ = io.WriteString(w, v.Name+" "+string(v.Right))
	})
}

// phone is a browser that keeps cookies and trusts the server's certificate.
func phone(t *testing.T, server *httptest.Server) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	c := *server.Client()
	c.Jar = jar
	return &c
}

func open(t *testing.T) (*Guard, *httptest.Server, *int) {
	t.Helper()
	g, err := Open(t.TempDir())
	require.NoError(t, err)
	changed := new(int)
	server := httptest.NewTLSServer(g.Paired([]string{"127.0.0.1"}, echo(changed)))
	t.Cleanup(server.Close)
	return g, server, changed
}

func pair(t *testing.T, c *http.Client, server, code, name string) *http.Response {
	t.Helper()
	r, err := c.PostForm(server+"/pair", url.Values{"code": {code}, "name": {name}})
	require.NoError(t, err)
	t.Cleanup(func() { r.Body.Close() })
	return r
}

func body(t *testing.T, r *http.Response) string {
	t.Helper()
	b, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	return string(b)
}

func TestADeviceIsPairedOnce(t *testing.T) {
	g, server, changed := open(t)
	first, second := phone(t, server), phone(t, server)

	r, err := first.Get(server.URL + "/")
	require.NoError(t, err)
	assert.Equal(t, http.StatusUnauthorized, r.StatusCode)
	assert.Contains(t, body(t, r), "Pair this device")

	code := g.Offer(MayAnswer)
	r = pair(t, first, server.URL, strings.ToLower(Grouped(code)), "Wren's phone")
	assert.Equal(t, http.StatusOK, r.StatusCode)
	assert.Equal(t, "Wren's phone answer", body(t, r), "as typed by hand, and led to the bench page")

	r = pair(t, second, server.URL, code, "somebody")
	assert.Equal(t, http.StatusForbidden, r.StatusCode, "a code works once")

	r, err = first.Post(server.URL+"/answer", "text/plain", strings.NewReader("go on"))
	require.NoError(t, err)
	assert.Equal(t, http.StatusOK, r.StatusCode)
	assert.Equal(t, 1, *changed)
}

func TestAWatcherChangesNothing(t *testing.T) {
	g, server, changed := open(t)
	c := phone(t, server)
	pair(t, c, server.URL, g.Offer(MayWatch), "a friend")
	for _, method := range []string{http.MethodPost, http.MethodPut, http.MethodDelete, http.MethodPatch} {
		q, err := http.NewRequest(method, server.URL+"/answer", nil)
		require.NoError(t, err)
		r, err := c.Do(q)
		require.NoError(t, err)
		assert.Equal(t, http.StatusForbidden, r.StatusCode, method)
	}
	assert.Zero(t, *changed)
	r, err := c.Get(server.URL + "/")
	require.NoError(t, err)
	assert.Equal(t, "a friend watch", body(t, r))
}

func TestACodeGrowsOld(t *testing.T) {
	g, _, _ := open(t)
	code := g.Offer(MayAnswer)
	g.now = func() time.Time { return time.Now().Add(codeLife + time.Second) }
	_, _, err := g.Pair(code, "late")
	assert.ErrorIs(t, err, ErrCode)
}

func TestPassesSurviveARestartAndCanBeWithdrawn(t *testing.T) {
	dir := t.TempDir()
	g, err := Open(dir)
	require.NoError(t, err)
	token, p, err := g.Pair(g.Offer(MayAnswer), "phone")
	require.NoError(t, err)

	text, err := os.ReadFile(filepath.Join(dir, "devices.json"))
	require.NoError(t, err)
	assert.NotContains(t, string(text), token, "the file is no key")

	again, err := Open(dir)
	require.NoError(t, err)
	v, ok := again.visitor(token)
	assert.True(t, ok)
	assert.Equal(t, Visitor{Name: "phone", Right: MayAnswer}, v)

	was, err := again.Withdraw(p.ID)
	require.NoError(t, err)
	assert.True(t, was)
	_, ok = again.visitor(token)
	assert.False(t, ok)

	third, err := Open(dir)
	require.NoError(t, err)
	assert.Empty(t, third.Passes())

	token, _, err = third.Pair(third.Offer(MayAnswer), "phone")
	require.NoError(t, err)
	third.now = func() time.Time { return time.Now().Add(passLife + time.Hour) }
	_, ok = third.visitor(token)
	assert.False(t, ok, "passes grow old too")
}

func TestASpoiltFileIsTold(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "devices.json"), []byte("{"), 0o600))
	_, err := Open(dir)
	assert.ErrorContains(t, err, "pair the devices again")
}

func TestStrangersAreTurnedAway(t *testing.T) {
	g, server, changed := open(t)
	c := phone(t, server)
	pair(t, c, server.URL, g.Offer(MayAnswer), "phone")

	q, err := http.NewRequest(http.MethodGet, server.URL+"/", nil)
	require.NoError(t, err)
	q.Host = "marsh-hen.invalid"
	r, err := c.Do(q)
	require.NoError(t, err)
	assert.Equal(t, http.StatusForbidden, r.StatusCode, "a name that was made to point here")

	q, err = http.NewRequest(http.MethodPost, server.URL+"/answer", nil)
	require.NoError(t, err)
	q.Header.Set("Sec-Fetch-Site", "cross-site")
	r, err = c.Do(q)
	require.NoError(t, err)
	assert.Equal(t, http.StatusForbidden, r.StatusCode, "another site's form")
	assert.Zero(t, *changed)
}

func TestGuessingIsSlowed(t *testing.T) {
	g, server, _ := open(t)
	c := phone(t, server)
	codes := map[int]int{}
	for range 20 {
		codes[pair(t, c, server.URL, "0000000000", "guesser").StatusCode]++
	}
	assert.LessOrEqual(t, codes[http.StatusForbidden], 8)
	assert.GreaterOrEqual(t, codes[http.StatusTooManyRequests], 12)
	assert.Empty(t, g.Passes())
}

func TestThisMachineNeedsNoCeremony(t *testing.T) {
	changed := 0
	server := httptest.NewServer(Local(echo(&changed)))
	defer server.Close()
	r, err := http.Get(server.URL)
	require.NoError(t, err)
	assert.Equal(t, " answer", body(t, r))

	q, _ := http.NewRequest(http.MethodGet, server.URL, nil)
	q.Host = "marsh-hen.invalid"
	r, err = http.DefaultClient.Do(q)
	require.NoError(t, err)
	assert.Equal(t, http.StatusForbidden, r.StatusCode)
}

func TestDevicesPage(t *testing.T) {
	g, err := Open(t.TempDir())
	require.NoError(t, err)
	page := g.Devices("https://192.0.2.7:8471/")

	fromOutside := httptest.NewRecorder()
	page.ServeHTTP(fromOutside, httptest.NewRequest(http.MethodGet, "/devices", nil))
	assert.Equal(t, http.StatusForbidden, fromOutside.Code)

	ask := func(method, path string, form url.Values) *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		r := httptest.NewRequest(method, path, strings.NewReader(form.Encode()))
		r.Host = "127.0.0.1"
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		Local(page).ServeHTTP(w, r)
		return w
	}
	assert.Contains(t, ask(http.MethodGet, "/devices", nil).Body.String(), "None yet")
	dark, inTheDark := httptest.NewRecorder(), httptest.NewRequest(http.MethodGet, "/devices", nil)
	inTheDark.Host = "127.0.0.1"
	inTheDark.AddCookie(&http.Cookie{Name: "night", Value: "on"})
	Local(page).ServeHTTP(dark, inTheDark)
	assert.Contains(t, dark.Body.String(), `<html lang="en" class="night">`)
	shown := ask(http.MethodPost, "/devices/code", url.Values{"right": {"watch"}})
	assert.Contains(t, shown.Body.String(), "<svg")
	assert.Contains(t, shown.Body.String(), "may watch")
	assert.Len(t, g.offers, 1)
	assert.Equal(t, http.StatusBadRequest, ask(http.MethodPost, "/devices/code", url.Values{"right": {"all"}}).Code)

	_, p, err := g.Pair(g.Offer(MayWatch), `<script>alert(1)</script>`)
	require.NoError(t, err)
	listed := ask(http.MethodGet, "/devices", nil).Body.String()
	assert.NotContains(t, listed, "<script>alert")
	assert.Contains(t, listed, "&lt;script&gt;alert")
	assert.Equal(t, http.StatusSeeOther, ask(http.MethodPost, "/devices/withdraw", url.Values{"id": {p.ID}}).Code)
	assert.Empty(t, g.Passes())
}

func TestCertificate(t *testing.T) {
	dir, now := t.TempDir(), time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	hosts := []string{"192.0.2.7", "2001:db8::7", "hangar"}
	c, err := Certificate(dir, hosts, now)
	require.NoError(t, err)
	pool := x509.NewCertPool()
	pool.AddCert(c.Leaf)
	for _, h := range hosts {
		_, err := c.Leaf.Verify(x509.VerifyOptions{DNSName: h, Roots: pool, CurrentTime: now})
		assert.NoError(t, err, h)
	}
	info, err := os.Stat(filepath.Join(dir, "dashboard-key.pem"))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	assert.Len(t, Fingerprint(c), 32*3-1)

	same, err := Certificate(dir, hosts[:1], now.AddDate(1, 0, 0))
	require.NoError(t, err)
	assert.Equal(t, Fingerprint(c), Fingerprint(same), "kept, so that phones know it again")
	other, err := Certificate(dir, []string{"192.0.2.8"}, now)
	require.NoError(t, err)
	assert.NotEqual(t, Fingerprint(c), Fingerprint(other), "another address")
	late, err := Certificate(dir, []string{"192.0.2.8"}, now.Add(certificateLife))
	require.NoError(t, err)
	assert.NotEqual(t, Fingerprint(other), Fingerprint(late), "run out")

	require.NoError(t, os.WriteFile(filepath.Join(dir, "dashboard-cert.pem"), []byte("spoilt"), 0o600))
	_, err = Certificate(dir, hosts, now)
	assert.ErrorContains(t, err, "remove it")
}

// The letters and the picture must show the same code, module by module; that
// the code can be read is the library's and is shown by its own tests.
func TestQRCodesAgree(t *testing.T) {
	text := PairingURL("https://192.0.2.7:8471/", "7K2MQ4TX9B")
	assert.Equal(t, "https://192.0.2.7:8471/pair#7K2MQ4TX9B", text)
	letters, err := Letters(text)
	require.NoError(t, err)
	svg, err := SVG(text)
	require.NoError(t, err)
	rows := strings.Split(strings.TrimSpace(letters), "\n")
	dark := 0
	for _, r := range rows {
		dark += strings.Count(r, "▄") + strings.Count(r, "▀") + 2*strings.Count(r, "█")
	}
	// A row of letters beyond an odd code's last is light: dark counts modules.
	assert.Equal(t, strings.Count(svg, "h1v1h-1z"), dark)
}
