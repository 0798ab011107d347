// Package logbook keeps worksheets on disk.
//
//	book, err := logbook.Open("marsh-hen.db")
//	sheet, err := book.Begin(ctx, logbook.Opening{Procedure: "first-power-on", ...})
//	rec, err := sheet.Append(ctx, "reading", reading)  // on disk when it returns
//
// A worksheet is a chain of records. Each record carries the SHA-256 of itself
// and of the record before it, so that a changed, missing or reordered one is
// found; see [Check] and FORMAT.md. Nothing is ever changed or taken out: a
// correction is another record.
//
// The store is one SQLite file. A record is on disk, through the file system's
// cache, when Append returns. Several programs may read a logbook; only one can
// add to a worksheet, and the second is told so.
package logbook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	_ "modernc.org/sqlite" // the store
)

// ErrNotFound is returned, wrapped, for a worksheet that is not in the logbook.
var ErrNotFound = errors.New("no such worksheet")

// errNoRoom says that the store's files cannot be made beside a logbook.
var errNoRoom = errors.New("it cannot be written: check that its folder exists and can be written")

// ErrTaken is returned, wrapped, when another program has added to the
// worksheet meanwhile.
var ErrTaken = errors.New("another program is performing this worksheet")

// A Book is a logbook. It is for several goroutines.
type Book struct {
	// Took, if set before the first use, is told after each record how long it took
	// to write, and how long the store's part of that.
	Took func(whole, commit time.Duration)

	db     *sql.DB
	path   string
	copied string // folder of the copy that is read in its stead, if any
}

const schema = `
CREATE TABLE IF NOT EXISTS worksheets (
	id        INTEGER PRIMARY KEY AUTOINCREMENT,
	begun     TEXT NOT NULL,
	aircraft  TEXT NOT NULL,
	procedure TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS records (
	worksheet INTEGER NOT NULL REFERENCES worksheets(id),
	seq       INTEGER NOT NULL,
	at        TEXT NOT NULL,
	kind      TEXT NOT NULL,
	body      TEXT NOT NULL,
	hash      TEXT NOT NULL,
	PRIMARY KEY (worksheet, seq)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS attached (
	hash TEXT PRIMARY KEY,
	body BLOB NOT NULL
);
`

// formatVersion is kept in the file's user_version; see FORMAT.md.
const formatVersion = 1

// Open opens a logbook, and makes it if it is not there.
func Open(path string) (*Book, error) {
	b, err := open(path)
	if err != nil {
		return nil, fmt.Errorf("logbook %s: %w", path, err)
	}
	return b, nil
}

// OpenExisting opens a logbook that is there already. One in a place that cannot
// be written, such as a stick that was handed over, is read from a copy;
// nothing can be added to its worksheets.
func OpenExisting(path string) (*Book, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("logbook %s: there is none; name it with --logbook", path)
	}
	b, err := open(path)
	if errors.Is(err, errNoRoom) {
		b, err = openToRead(path)
	}
	if err != nil {
		return nil, fmt.Errorf("logbook %s: %w", path, err)
	}
	return b, nil
}

// Openable tells why [Open] would refuse a logbook, and makes none.
func Openable(path string) error {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		if err := hasFolder(path); err != nil {
			return fmt.Errorf("logbook %s: %w", path, err)
		}
		return nil
	}
	b, err := Open(path)
	if err != nil {
		return err
	}
	return b.Close()
}

func hasFolder(path string) error {
	dir := filepath.Dir(path)
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return fmt.Errorf("the folder %s does not exist; make it first", dir)
	}
	return nil
}

func open(path string) (*Book, error) {
	if err := hasFolder(path); err != nil {
		return nil, err
	}
	// Every commit waits for the disk (synchronous FULL): it is evidence.
	pragmas := url.Values{"_pragma": {"busy_timeout(5000)", "journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)"}}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: path}).EscapedPath()+"?"+pragmas.Encode())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(4)
	if err := prepare(db); err != nil {
		db.Close()
		return nil, plain(err)
	}
	return &Book{db: db, path: path}, nil
}

// openToRead opens a copy of a logbook that cannot be written: beside the file may
// stand what a killed program left in the write-ahead log, and only a store that
// can be written reads that. A year's logbook is some megabytes.
func openToRead(path string) (*Book, error) {
	dir, err := os.MkdirTemp("", "loomproof-logbook-")
	if err != nil {
		return nil, err
	}
	for _, end := range []string{"", "-wal"} {
		err = copyFile(filepath.Join(dir, "logbook.db"+end), path+end)
		if err != nil && (end == "" || !errors.Is(err, fs.ErrNotExist)) {
			return nil, errors.Join(err, os.RemoveAll(dir))
		}
	}
	b, err := open(filepath.Join(dir, "logbook.db"))
	if err != nil {
		return nil, errors.Join(err, os.RemoveAll(dir))
	}
	b.path, b.copied = path, dir
	return b, nil
}

func copyFile(to, from string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

func prepare(db *sql.DB) error {
	var version int
	if err := db.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	switch version {
	case 0:
		_, err := db.Exec(schema + fmt.Sprintf("PRAGMA user_version = %d;", formatVersion))
		return err
	case formatVersion:
		_, err := db.Exec(schema) // what a younger program added
		return err
	}
	return fmt.Errorf("its format is %d, this program reads %d; use the program that made it, or a newer one", version, formatVersion)
}

// plain says what the store's common failures mean and what to do.
func plain(err error) error {
	text := err.Error()
	for _, known := range []struct{ said, means string }{
		{"full", "the disk is full: make room and start again; what was recorded is kept"},
		{"readonly", "it cannot be written: check its permissions and those of its folder"},
		{"disk I/O error", "the disk does not take it: it is full, or a limit of the system is reached, or it is failing; make room and start again; what was recorded is kept"},
		{"not a database", "it is no logbook: choose another file"},
	} {
		if strings.Contains(text, known.said) {
			return fmt.Errorf("%s (%w)", known.means, err)
		}
	}
	if strings.Contains(text, "unable to open") {
		return fmt.Errorf("%w (%w)", errNoRoom, err)
	}
	return err
}

// Close closes the logbook.
func (b *Book) Close() error {
	err := b.db.Close()
	if b.copied != "" {
		err = errors.Join(err, os.RemoveAll(b.copied))
	}
	return err
}

// Path is the logbook's file.
func (b *Book) Path() string { return b.path }

// DB is the store itself, for a package that keeps tables of its own in the
// logbook, as recording/store does. Worksheets are not to be touched by it.
func (b *Book) DB() *sql.DB { return b.db }

// Explain says of an error of the store in which logbook it was, what it means
// and what to do.
func (b *Book) Explain(err error) error { return b.wrap(err) }

// A Summary says which worksheet it is.
type Summary struct {
	ID        int64     `json:"id"`
	Begun     time.Time `json:"begun"`
	Aircraft  string    `json:"aircraft"`
	Procedure string    `json:"procedure"`
	Records   int       `json:"records"`
	Closed    bool      `json:"closed"`
}

// Worksheets lists the worksheets, the newest first.
func (b *Book) Worksheets(ctx context.Context) ([]Summary, error) {
	rows, err := b.db.QueryContext(ctx, `
		SELECT w.id, w.begun, w.aircraft, w.procedure, count(r.seq), coalesce(max(r.kind = ?), 0)
		FROM worksheets w LEFT JOIN records r ON r.worksheet = w.id
		GROUP BY w.id ORDER BY w.id DESC`, KindClose)
	if err != nil {
		return nil, b.wrap(err)
	}
	defer rows.Close()
	var out []Summary
	for rows.Next() {
		var s Summary
		var begun string
		if err := rows.Scan(&s.ID, &begun, &s.Aircraft, &s.Procedure, &s.Records, &s.Closed); err != nil {
			return nil, b.wrap(err)
		}
		s.Begun, _ = time.Parse(time.RFC3339Nano, begun)
		out = append(out, s)
	}
	return out, b.wrap(rows.Err())
}

func (b *Book) wrap(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("logbook %s: %w", b.path, plain(err))
}
