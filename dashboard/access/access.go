// Package access decides who may look at the pages and who may answer on them.
//
// The machine that the program runs on may do all, without ceremony. Every
// other device must be paired: the program shows a code, once, as a QR code and
// in letters; whoever gives it back gets a pass of the code's [Right], kept by
// the browser as a cookie.
//
//	g, err := access.Open(dir)                     // passes that were given before
//	code := g.Offer(access.MayAnswer)              // show it: access.Letters(url, ...)
//	http.Serve(tlsListener, g.Paired(pages))       // devices of the hangar's network
//	http.Serve(loopback, access.Local(pages))      // this machine
//	who := access.Of(r.Context())                  // inside a page
//
// What is promised: a code works once and for ten minutes; guessing is slowed
// until it is hopeless; passes are kept as hashes, so that the file is no key;
// a device that may only watch changes nothing, whatever it sends.
package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

// A Right is what a device may do.
type Right string

// The rights.
const (
	MayAnswer Right = "answer" // look, and answer at hold points
	MayWatch  Right = "watch"  // look
)

// A Visitor is who sent a request.
type Visitor struct {
	Name  string // what the device was called when it was paired; "" on this machine
	Right Right
	Local bool // this machine
}

type visitorKey struct{}

// Of tells who sent the request that a context belongs to. A request that no
// guard let in may do nothing.
func Of(ctx context.Context) Visitor {
	v, _ := ctx.Value(visitorKey{}).(Visitor)
	return v
}

func with(ctx context.Context, v Visitor) context.Context {
	return context.WithValue(ctx, visitorKey{}, v)
}

// A Pass is a paired device.
type Pass struct {
	ID    string    `json:"id"` // to withdraw it by; no secret
	Name  string    `json:"name"`
	Right Right     `json:"right"`
	Hash  string    `json:"hash"` // SHA-256 of what the device's cookie holds
	Since time.Time `json:"since"`
}

// How long a code can be used, and how long a pass lasts: a building season's
// weekends, then the device is paired again. Common practice, no source.
const (
	codeLife = 10 * time.Minute
	passLife = 90 * 24 * time.Hour
)

// ErrCode is the answer to a code that is wrong, used or too old: which of them
// is nobody's business.
var ErrCode = errors.New("this code is not valid; show a new one on the computer (page Devices)")

// A Guard knows the paired devices. It can be used by several goroutines.
type Guard struct {
	path   string
	now    func() time.Time
	limits *limits

	mu     sync.Mutex
	offers map[string]offer // by code
	passes []Pass
}

type offer struct {
	right Right
	until time.Time
}

// Open reads the devices that were paired before from a folder, which is made
// if need be. A file that cannot be read is an error: forgetting who was let in
// must be somebody's decision.
func Open(dir string) (*Guard, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("paired devices: %w", err)
	}
	g := &Guard{path: filepath.Join(dir, "devices.json"), now: time.Now, limits: newLimits(), offers: map[string]offer{}}
	text, err := os.ReadFile(g.path)
	if errors.Is(err, fs.ErrNotExist) {
		return g, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &g.passes)
	}
	if err != nil {
		return nil, fmt.Errorf("paired devices: %s: %w; mend it, or remove it and pair the devices again", g.path, err)
	}
	return g, nil
}

// Offer makes a code that lets one device in, with a right. It is 10 letters
// and digits that are hard to mistake, 50 bits.
func (g *Guard) Offer(right Right) (code string) {
	code = secret(10)
	g.mu.Lock()
	defer g.mu.Unlock()
	for c, o := range g.offers {
		if g.now().After(o.until) {
			delete(g.offers, c)
		}
	}
	g.offers[code] = offer{right, g.now().Add(codeLife)}
	return code
}

// Pair takes a code back and gives a pass for it: the token is what the device
// keeps. It returns [ErrCode] for a code that is not valid.
func (g *Guard) Pair(code, name string) (token string, p Pass, err error) {
	code = plain(code)
	g.mu.Lock()
	defer g.mu.Unlock()
	var o offer
	found := ""
	for c, each := range g.offers { // compares all, in constant time each
		if subtle.ConstantTimeCompare([]byte(c), []byte(code)) == 1 {
			found, o = c, each
		}
	}
	if found == "" || g.now().After(o.until) {
		return "", Pass{}, ErrCode
	}
	token = secret(32)
	p = Pass{ID: secret(8), Name: name, Right: o.right, Hash: hash(token), Since: g.now().UTC()}
	passes := append(slices.Clone(g.passes), p)
	if err := g.keep(passes); err != nil {
		return "", Pass{}, err
	}
	delete(g.offers, found)
	g.passes = passes
	return token, p, nil
}

// Passes lists the paired devices.
func (g *Guard) Passes() []Pass {
	g.mu.Lock()
	defer g.mu.Unlock()
	return slices.Clone(g.passes)
}

// Withdraw takes a device's pass away; it tells whether there was one.
func (g *Guard) Withdraw(id string) (bool, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	left := slices.DeleteFunc(slices.Clone(g.passes), func(p Pass) bool { return p.ID == id })
	if len(left) == len(g.passes) {
		return false, nil
	}
	if err := g.keep(left); err != nil {
		return true, err
	}
	g.passes = left
	return true, nil
}

// visitor finds who holds a token.
func (g *Guard) visitor(token string) (Visitor, bool) {
	h := hash(token)
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, p := range g.passes {
		if subtle.ConstantTimeCompare([]byte(p.Hash), []byte(h)) == 1 && g.now().Sub(p.Since) < passLife {
			return Visitor{Name: p.Name, Right: p.Right}, true
		}
	}
	return Visitor{}, false
}

// keep writes the passes beside the file and puts it in its place, so that a
// full disk loses nothing.
func (g *Guard) keep(passes []Pass) error {
	text, err := json.MarshalIndent(passes, "", "  ")
	if err != nil {
		return err
	}
	return replaceFile(g.path, text)
}

func replaceFile(path string, text []byte) error {
	beside := path + ".new"
	if err := os.WriteFile(beside, text, 0o600); err != nil {
		return fmt.Errorf("it cannot be kept: %w", err)
	}
	if err := os.Rename(beside, path); err != nil {
		return fmt.Errorf("it cannot be kept: %w", err)
	}
	return nil
}

// alphabet leaves out what is easily mistaken for another (I, L, O, U).
var alphabet = base32.NewEncoding("0123456789ABCDEFGHJKMNPQRSTVWXYZ").WithPadding(base32.NoPadding)

// secret makes n random characters, of 5 bits each.
func secret(n int) string {
	b := make([]byte, n)
	rand.Read(b) //nolint:errcheck // it never fails: the program ends if it would
	return alphabet.EncodeToString(b)[:n]
}

// plain takes out what people put into a code when they type it.
func plain(code string) string {
	code = strings.ToUpper(strings.NewReplacer(" ", "", "-", "").Replace(code))
	return strings.NewReplacer("O", "0", "I", "1", "L", "1").Replace(code)
}

// Grouped is a code as people read it aloud: 7K2MQ-4TX9B.
func Grouped(code string) string {
	if len(code) < 6 {
		return code
	}
	return code[:5] + "-" + code[5:]
}

func hash(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}
