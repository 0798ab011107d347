package evidence

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// A Key signs.
type Key struct {
	Path    string
	private ed25519.PrivateKey
}

// keyName is the file of a person's own key, in the program's folder in their
// configuration directory.
const keyName = "signing-key.pem"

// OwnKey is the key in a person's folder; it is made there if there is none. It
// is a file that only that person can read.
func OwnKey(dir string) (k *Key, made bool, err error) {
	path := filepath.Join(dir, keyName)
	k, err = OpenKey(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return k, false, err
	}
	if err := makeKey(dir, path); err != nil {
		return nil, false, fmt.Errorf("a signing key cannot be made: %w", err)
	}
	k, err = OpenKey(path)
	return k, true, err
}

// makeKey writes a new key. The file is there whole or not at all, and of two
// programs that make one at the same time, the first one's stands.
func makeKey(dir, path string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return err
	}
	der, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(dir, keyName+".*") // 0600
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	err = pem.Encode(f, &pem.Block{Type: "PRIVATE KEY", Bytes: der})
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Link(f.Name(), path); err != nil && !errors.Is(err, fs.ErrExist) {
		return os.Rename(f.Name(), path) // a file system without links
	}
	return nil
}

// OpenKey reads a private key: PKCS #8 in PEM, Ed25519. It refuses one that others
// can read.
func OpenKey(path string) (*Key, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("key %s: there is none; openssl genpkey -algorithm ed25519 -out FILE makes one: %w", path, fs.ErrNotExist)
	}
	if err != nil {
		return nil, fmt.Errorf("key %s: %w", path, err)
	}
	if info, err := os.Stat(path); err == nil && runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("key %s: others can read it, so that it proves nothing; chmod 600 it, or make another", path)
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "PRIVATE KEY" {
		return nil, fmt.Errorf("key %s: it is no private key in PEM form", path)
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("key %s: %w", path, err)
	}
	private, ok := parsed.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("key %s: it is no Ed25519 key", path)
	}
	return &Key{path, private}, nil
}

// Public is the half that verifies.
func (k *Key) Public() ed25519.PublicKey { return k.private.Public().(ed25519.PublicKey) }

// Fingerprint is how people name a public key: the first 128 bits of its SHA-256
// in groups of four hexadecimal digits. That is enough that nobody can make
// another key with the same one.
func Fingerprint(key ed25519.PublicKey) string {
	sum := sha256.Sum256(key)
	digits := hex.EncodeToString(sum[:16])
	var groups []string
	for i := 0; i < len(digits); i += 4 {
		groups = append(groups, digits[i:i+4])
	}
	return strings.Join(groups, " ")
}

// PublicPEM is a public key as other programs read it: SubjectPublicKeyInfo in PEM.
func PublicPEM(key ed25519.PublicKey) []byte {
	der, err := x509.MarshalPKIXPublicKey(key)
	if err != nil {
		panic(err) // cannot be: it is an Ed25519 key
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})
}

// Known are the fingerprints of keys that somebody vouches for.
type Known map[string]bool

// Add takes a fingerprint, with or without spaces, or the name of a file with a
// public key in PEM.
func (k Known) Add(what string) error {
	digits := strings.ToLower(strings.ReplaceAll(what, " ", ""))
	if b, err := hex.DecodeString(digits); err == nil && len(b) == 16 {
		k[digits] = true
		return nil
	}
	text, err := os.ReadFile(what)
	if err != nil {
		return fmt.Errorf("%q is neither a fingerprint (32 hexadecimal digits) nor a file with a public key: %w", what, err)
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "PUBLIC KEY" {
		return fmt.Errorf("key %s: it is no public key in PEM form", what)
	}
	parsed, err := x509.ParsePKIXPublicKey(block.Bytes)
	if err != nil {
		return fmt.Errorf("key %s: %w", what, err)
	}
	public, ok := parsed.(ed25519.PublicKey)
	if !ok {
		return fmt.Errorf("key %s: it is no Ed25519 key", what)
	}
	k.AddKey(public)
	return nil
}

// AddKey takes a public key.
func (k Known) AddKey(key ed25519.PublicKey) {
	k[strings.ReplaceAll(Fingerprint(key), " ", "")] = true
}

// Has tells whether somebody vouches for a key.
func (k Known) Has(key ed25519.PublicKey) bool {
	return k[strings.ReplaceAll(Fingerprint(key), " ", "")]
}

// KeyIn is the key in a person's folder, if there is one.
func KeyIn(dir string) (*Key, error) { return OpenKey(filepath.Join(dir, keyName)) }
