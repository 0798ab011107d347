// Package store keeps recordings in a logbook.
//
//	s, err := store.Open(book)
//	w, err := s.Begin(ctx, store.Opening{Start: time.Now(), Streams: streams})
//	w.Append(0, store.Piece{Tick: 2000, Period: 2000, Codes: codes})  // in memory
//	err = w.Commit(ctx)                                               // on disk when it returns
//	r, err := s.Recording(ctx, w.ID())                                // a recording.Recording
//
// # What is kept
//
// Codes as they came from the converter, never volts; times as the device's own
// clock told them, in ticks. A stream is the channels that one clock stamps
// together. Samples are packed in chunks (package codec), each with a checksum.
// What is too new for a chunk stands in a tail, a row for each commit. Beside them
// stands a pyramid of least, most and sum, so that a view costs the same whatever
// its length. FORMAT.md has it byte for byte.
//
// # What is promised
//
// What was committed is there after a kill, and after a loss of power as far as
// disk and file system keep their word. A commit that fails changes nothing, on
// disk or in the Writer: it may be tried again. Nothing is filled in: what was not
// appended is a gap. Memory does not grow with length.
//
// # Time
//
// A device's clock is tied to the host's by the moments at which its samples
// arrive: the earliest arrival of each second counts, since nothing arrives before
// it was sent, and a line is fitted through them. It says how much faster the
// device's clock runs, and how sure that is. What the shortest way through cable
// and computer takes (a few milliseconds) stays in all times alike. The line is
// found anew when a recording is opened, from sums that are kept; a device that
// restarts begins another era with a line of its own.
package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"loomproof/checks/logbook"
	"loomproof/checks/recording"
)

// ErrNotFound is returned, wrapped, for a recording that is not in the logbook.
var ErrNotFound = errors.New("no such recording")

// format is that of the tables; see FORMAT.md.
const format = 1

const schema = `
CREATE TABLE IF NOT EXISTS recordings (
	id     INTEGER PRIMARY KEY AUTOINCREMENT,
	format INTEGER NOT NULL,
	begun  TEXT NOT NULL,
	about  TEXT NOT NULL,
	ended  TEXT,
	why    TEXT
);
CREATE TABLE IF NOT EXISTS recording_eras (
	recording INTEGER NOT NULL REFERENCES recordings(id),
	stream    INTEGER NOT NULL,
	era       INTEGER NOT NULL,
	clock     TEXT NOT NULL,
	PRIMARY KEY (recording, stream, era)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS recording_markers (
	recording INTEGER NOT NULL REFERENCES recordings(id),
	seq       INTEGER NOT NULL,
	body      TEXT NOT NULL,
	PRIMARY KEY (recording, seq)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS recording_chunks (
	recording INTEGER NOT NULL REFERENCES recordings(id),
	channel   INTEGER NOT NULL,
	era       INTEGER NOT NULL,
	tick      INTEGER NOT NULL,
	until     INTEGER NOT NULL,
	count     INTEGER NOT NULL,
	body      BLOB NOT NULL,
	UNIQUE (recording, channel, era, tick)
);
CREATE TABLE IF NOT EXISTS recording_tails (
	recording INTEGER NOT NULL REFERENCES recordings(id),
	stream    INTEGER NOT NULL,
	part      INTEGER NOT NULL,
	era       INTEGER NOT NULL,
	body      BLOB NOT NULL,
	UNIQUE (recording, stream, part)
);
CREATE TABLE IF NOT EXISTS recording_levels (
	recording INTEGER NOT NULL REFERENCES recordings(id),
	channel   INTEGER NOT NULL,
	level     INTEGER NOT NULL,
	era       INTEGER NOT NULL,
	tick      INTEGER NOT NULL,
	until     INTEGER NOT NULL,
	body      BLOB NOT NULL,
	UNIQUE (recording, channel, level, era, tick)
);
CREATE TABLE IF NOT EXISTS recording_seals (
	recording INTEGER PRIMARY KEY REFERENCES recordings(id),
	digest    TEXT NOT NULL,
	body      TEXT NOT NULL
);
`

// A Store is the recordings of a logbook. It is for several goroutines.
type Store struct {
	book *logbook.Book
	db   *sql.DB
}

// Open finds the recordings of a logbook, which stays open for as long as the
// Store is used. One that was left open by a program that is gone is ended.
func Open(book *logbook.Book) (*Store, error) {
	if _, err := book.DB().Exec(schema); err != nil {
		return nil, book.Explain(err)
	}
	s := &Store{book, book.DB()}
	s.mend(context.Background())
	return s, nil
}

// An Opening says what is recorded.
type Opening struct {
	Start    time.Time `json:"-"` // times count from here
	Title    string    `json:"title"`
	Aircraft string    `json:"aircraft"`
	By       string    `json:"by,omitempty"` // who began it; "" is not known
	Program  string    `json:"program"`      // version of the program
	Streams  []Stream  `json:"streams"`
}

// A Stream is channels that are sampled together, by one clock.
type Stream struct {
	Device string  `json:"device"`  // whose clock; "" is the host's, whose tick 0 is Start
	TickHz float64 `json:"tick_hz"` // nominal

	// Channels as they are recorded; their Clock is found from the recording.
	Channels []recording.Channel `json:"channels"`
}

// A Summary says which recording it is.
type Summary struct {
	ID       int64     `json:"id"`
	Begun    time.Time `json:"begun"`
	Ended    time.Time `json:"ended,omitzero"` // zero while it goes on, and when the program was killed
	Why      string    `json:"why"`            // it ended
	Title    string    `json:"title"`
	Aircraft string    `json:"aircraft"`
	By       string    `json:"by,omitempty"` // who began it; "" is not known
	Channels []string  `json:"channels"`
}

// List lists the recordings, the newest first.
func (s *Store) List(ctx context.Context) ([]Summary, error) {
	rows, err := s.db.QueryContext(ctx, "SELECT id, begun, about, coalesce(ended, ''), coalesce(why, '') FROM recordings ORDER BY id DESC")
	if err != nil {
		return nil, s.book.Explain(err)
	}
	defer rows.Close()
	var out []Summary
	for rows.Next() {
		var sum Summary
		var begun, about, ended string
		if err := rows.Scan(&sum.ID, &begun, &about, &ended, &sum.Why); err != nil {
			return nil, s.book.Explain(err)
		}
		var o Opening
		if err := json.Unmarshal([]byte(about), &o); err != nil {
			return nil, fmt.Errorf("recording %d: %w", sum.ID, err)
		}
		sum.Title, sum.Aircraft, sum.By = o.Title, o.Aircraft, o.By
		sum.Begun, _ = time.Parse(time.RFC3339Nano, begun)
		sum.Ended, _ = time.Parse(time.RFC3339Nano, ended)
		for _, st := range o.Streams {
			for _, c := range st.Channels {
				sum.Channels = append(sum.Channels, c.Name)
			}
		}
		out = append(out, sum)
	}
	return out, s.book.Explain(rows.Err())
}

// Latest is the number of the newest recording.
func (s *Store) Latest(ctx context.Context) (int64, error) {
	var id sql.NullInt64
	if err := s.db.QueryRowContext(ctx, "SELECT max(id) FROM recordings").Scan(&id); err != nil {
		return 0, s.book.Explain(err)
	}
	if !id.Valid {
		return 0, fmt.Errorf("logbook %s: %w: there is none in it yet; loomproof record makes one", s.book.Path(), ErrNotFound)
	}
	return id.Int64, nil
}

// Path is the logbook's file.
func (s *Store) Path() string { return s.book.Path() }

// Size is how many bytes the logbook's pages take.
func (s *Store) Size() (int64, error) {
	var pages, each int64
	if err := s.db.QueryRow("SELECT page_count, page_size FROM pragma_page_count, pragma_page_size").Scan(&pages, &each); err != nil {
		return 0, s.book.Explain(err)
	}
	return pages * each, nil
}
