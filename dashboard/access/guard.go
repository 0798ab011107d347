package access

import (
	"embed"
	"errors"
	"html/template"
	"net"
	"net/http"
	"strings"

	"golang.org/x/time/rate"
)

//go:embed pair.html devices.html
var files embed.FS

var pages = template.Must(template.ParseFS(files, "pair.html", "devices.html"))

// cookie is the name that the browser keeps a pass under. Its prefix makes
// browsers refuse it but from this host over TLS (RFC 6265bis, section 4.1.3).
const cookie = "__Host-loomproof"

// Local lets this machine in: a listener on the loopback may hand everything it
// gets to it. A Host header that is not the loopback is turned away: another
// name that was made to point here is an attack by name server.
func Local(pages http.Handler) http.Handler {
	return hosts(loopback, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		pages.ServeHTTP(w, r.WithContext(with(r.Context(), Visitor{Right: MayAnswer, Local: true})))
	}))
}

// Paired lets devices in that have a pass, and offers the others the way to get
// one. Names are the hosts that it is served by, without ports.
func (g *Guard) Paired(names []string, pages http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /pair", func(w http.ResponseWriter, r *http.Request) { pairPage(w, r, http.StatusOK, "") })
	mux.HandleFunc("POST /pair", g.pair)
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		v, ok := Visitor{}, false
		if c, err := r.Cookie(cookie); err == nil {
			v, ok = g.visitor(c.Value)
		}
		switch {
		case !ok && strings.HasPrefix(r.URL.Path, "/static/"): // the pairing page is dressed too
			pages.ServeHTTP(w, r)
		case !ok:
			pairPage(w, r, http.StatusUnauthorized, "")
		case !g.limits.requests(v.Name, r):
			tooMany(w)
		case v.Right != MayAnswer && r.Method != http.MethodGet && r.Method != http.MethodHead:
			http.Error(w, "This device may only watch. Pair it with the other code to answer.", http.StatusForbidden)
		default:
			pages.ServeHTTP(w, r.WithContext(with(r.Context(), v)))
		}
	})
	known := func(host string) bool {
		for _, n := range names {
			if strings.EqualFold(n, host) {
				return true
			}
		}
		return false
	}
	return hosts(known, http.NewCrossOriginProtection().Handler(mux))
}

// hosts lets requests through whose Host header names a host that is known.
func hosts(known func(string) bool, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !known(hostOf(r.Host)) {
			http.Error(w, "This address is not served here. Open the dashboard by the address that the program printed.", http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}

func hostOf(host string) string {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return strings.Trim(host, "[]")
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func tooMany(w http.ResponseWriter) {
	w.Header().Set("Retry-After", "10")
	http.Error(w, "Too many requests from this device. Wait ten seconds.", http.StatusTooManyRequests)
}

// maxForm is the size of a form in bytes beyond which it is refused; maxName
// the length of a device's name.
const (
	maxForm = 4096
	maxName = 60
)

func (g *Guard) pair(w http.ResponseWriter, r *http.Request) {
	if !g.limits.tries(r) {
		tooMany(w)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	name := strings.TrimSpace(r.PostFormValue("name"))
	if name == "" || len(name) > maxName {
		pairPage(w, r, http.StatusBadRequest, "Say whose device this is, in up to 60 letters: the worksheet names who answered.")
		return
	}
	token, _, err := g.Pair(r.PostFormValue("code"), name)
	switch {
	case errors.Is(err, ErrCode):
		pairPage(w, r, http.StatusForbidden, "This code is not valid: codes work once, and for ten minutes. Show a new one on the computer, page Devices.")
		return
	case err != nil:
		pairPage(w, r, http.StatusInternalServerError, err.Error())
		return
	}
	http.SetCookie(w, &http.Cookie{
		Name: cookie, Value: token, Path: "/", MaxAge: int(passLife.Seconds()),
		HttpOnly: true, Secure: true, SameSite: http.SameSiteStrictMode,
	})
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

func pairPage(w http.ResponseWriter, r *http.Request, code int, problem string) {
	show(w, r, code, "pair.html", struct{ Problem string }{problem})
}

// Night tells whether this screen's Night button is pressed: the pages are dark then.
func Night(r *http.Request) bool {
	c, err := r.Cookie("night")
	return err == nil && c.Value == "on"
}

func show(w http.ResponseWriter, r *http.Request, code int, page string, data any) {
	var b strings.Builder
	if err := pages.ExecuteTemplate(&b, page, data); err != nil {
		http.Error(w, "The page could not be made: "+err.Error(), http.StatusInternalServerError)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", Policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	w.WriteHeader(code)
	text := b.String()
	if Night(r) {
		text = strings.Replace(text, `<html lang="en">`, `<html lang="en" class="night">`, 1)
	}
	_, _ = w.Write([]byte(text))
}

// Policy is the Content-Security-Policy of every page: nothing inline, nothing
// from another host.
const Policy = "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; frame-ancestors 'none'; form-action 'self'"

// Devices is the page on which this machine lists the paired devices, shows a
// new code and takes passes away. Address is where devices reach the pages.
func (g *Guard) Devices(address string) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /devices", func(w http.ResponseWriter, r *http.Request) { g.devicesPage(w, r, address, "") })
	mux.HandleFunc("POST /devices/code", func(w http.ResponseWriter, r *http.Request) {
		right := Right(r.PostFormValue("right"))
		if right != MayAnswer && right != MayWatch {
			http.Error(w, "A code is for answering or for watching.", http.StatusBadRequest)
			return
		}
		g.devicesPage(w, r, address, right)
	})
	mux.HandleFunc("POST /devices/withdraw", func(w http.ResponseWriter, r *http.Request) {
		if _, err := g.Withdraw(r.PostFormValue("id")); err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		http.Redirect(w, r, "/devices", http.StatusSeeOther)
	})
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !Of(r.Context()).Local {
			http.Error(w, "Devices are paired on the computer that the program runs on.", http.StatusForbidden)
			return
		}
		mux.ServeHTTP(w, r)
	})
}

func (g *Guard) devicesPage(w http.ResponseWriter, r *http.Request, address string, right Right) {
	data := struct {
		Passes  []Pass
		Right   Right
		Code    string
		Picture template.HTML
		Address string
	}{Passes: g.Passes(), Right: right, Address: address}
	if right != "" {
		code := g.Offer(right)
		data.Code = Grouped(code)
		picture, err := SVG(PairingURL(address, code))
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		data.Picture = template.HTML(picture) //nolint:gosec // drawn by us, of squares only
	}
	show(w, r, http.StatusOK, "devices.html", data)
}

// PairingURL is what the QR code holds. The code is behind the #, which
// browsers do not send: it stands in no log.
func PairingURL(address, code string) string {
	return strings.TrimSuffix(address, "/") + "/pair#" + code
}

// limits slow down who asks too much.
type limits struct {
	all    *rate.Limiter // tries to pair, of everybody together
	byHost *limiters
	byPass *limiters
}

// Guessing a code of 50 bits at 30 tries a minute takes 36 million years; a page
// that is followed live sends a few requests a second at most.
func newLimits() *limits {
	return &limits{
		all:    rate.NewLimiter(rate.Limit(0.5), 20),
		byHost: newLimiters(rate.Limit(0.1), 6),
		byPass: newLimiters(20, 100),
	}
}

func (l *limits) tries(r *http.Request) bool {
	return l.byHost.of(hostOf(r.RemoteAddr)).Allow() && l.all.Allow()
}

func (l *limits) requests(name string, r *http.Request) bool {
	return l.byPass.of(name + " " + hostOf(r.RemoteAddr)).Allow()
}
