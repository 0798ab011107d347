package logbook

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"
)

// The kinds of record that the logbook itself knows. Those of a procedure are
// in package procedure. A kind never changes its meaning.
const (
	KindOpen  = "open"  // the first record: an [Opening]
	KindClose = "close" // the procedure has ended: only the following may come after
	KindSign  = "sign"  // a sign-off, see package evidence
	KindAmend = "amend" // an amendment, see package evidence
)

// An Opening is the first record of a worksheet: everything that is needed to
// understand the rest.
type Opening struct {
	Procedure string `json:"procedure"`
	Script    string `json:"script"` // the procedure's whole text
	Aircraft  string `json:"aircraft"`
	Design    string `json:"design"` // the design file's whole text
	File      string `json:"file"`   // and its name
	Revision  string `json:"revision"`
	Program   string `json:"program"`         // version of the program
	After     string `json:"after,omitempty"` // what had to be put right before it was begun; "" for nothing
}

// A Record is one entry of a worksheet.
type Record struct {
	Seq  int             `json:"seq"`
	At   time.Time       `json:"at"` // UTC
	Kind string          `json:"kind"`
	Body json.RawMessage `json:"body"`
	Hash string          `json:"hash"`

	Stamp string `json:"-"` // At as it stands in the file: that is what was hashed
}

// Decode reads the body into v.
func (r Record) Decode(v any) error {
	if err := json.Unmarshal(r.Body, v); err != nil {
		return fmt.Errorf("record %d (%s): %w", r.Seq, r.Kind, err)
	}
	return nil
}

// A Worksheet is one performance of a procedure on one aircraft. It is for
// several goroutines.
type Worksheet struct {
	book *Book
	id   int64

	mu   sync.Mutex
	recs []Record
}

// Begin opens a new worksheet. It is there with its first record or not at all.
func (b *Book) Begin(ctx context.Context, o Opening) (*Worksheet, error) {
	r, err := next(nil, KindOpen, func(Record, string) (any, error) { return o, nil })
	if err != nil {
		return nil, err
	}
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return nil, b.wrap(err)
	}
	defer func() { _ = tx.Rollback() }() // does nothing after the commit
	res, err := tx.ExecContext(ctx, "INSERT INTO worksheets (begun, aircraft, procedure) VALUES (?, ?, ?)", r.Stamp, o.Aircraft, o.Procedure)
	if err != nil {
		return nil, b.wrap(err)
	}
	id, err := res.LastInsertId()
	if err != nil {
		return nil, b.wrap(err)
	}
	w := &Worksheet{book: b, id: id, recs: []Record{r}}
	if err := w.insert(ctx, tx, r); err != nil {
		return nil, err
	}
	return w, b.wrap(tx.Commit())
}

// Worksheet finds a worksheet by its number. It does not check its chain; see
// [Check].
func (b *Book) Worksheet(ctx context.Context, id int64) (*Worksheet, error) {
	rows, err := b.db.QueryContext(ctx, "SELECT seq, at, kind, body, hash FROM records WHERE worksheet = ? ORDER BY seq", id)
	if err != nil {
		return nil, b.wrap(err)
	}
	defer rows.Close()
	w := &Worksheet{book: b, id: id}
	for rows.Next() {
		var r Record
		var body string
		if err := rows.Scan(&r.Seq, &r.Stamp, &r.Kind, &body, &r.Hash); err != nil {
			return nil, b.wrap(err)
		}
		r.At, _ = time.Parse(time.RFC3339Nano, r.Stamp)
		r.Body = json.RawMessage(body)
		w.recs = append(w.recs, r)
	}
	if err := rows.Err(); err != nil {
		return nil, b.wrap(err)
	}
	if len(w.recs) == 0 {
		return nil, fmt.Errorf("logbook %s: %w: %d%s", b.path, ErrNotFound, id, b.numbers(ctx))
	}
	return w, nil
}

// numbers says which worksheets there are, for who typed another number.
func (b *Book) numbers(ctx context.Context) string {
	list, err := b.Worksheets(ctx)
	switch {
	case err != nil:
		return ""
	case len(list) == 0:
		return "; there is none in it yet"
	}
	return fmt.Sprintf("; they go from %d to %d", list[len(list)-1].ID, list[0].ID)
}

// Unfinished finds the newest worksheet of a procedure and design revision that
// was not closed. The error wraps [ErrNotFound] if there is none.
func (b *Book) Unfinished(ctx context.Context, procedure, revision string) (*Worksheet, error) {
	return b.unfinished(ctx, procedure, "design revision "+revision, func(o Opening) bool { return o.Revision == revision })
}

// UnfinishedOf gives the newest worksheet of a procedure on an aircraft that is not
// closed, whatever its design was. It fails with [ErrNotFound] if there is none.
func (b *Book) UnfinishedOf(ctx context.Context, procedure, aircraft string) (*Worksheet, error) {
	return b.unfinished(ctx, procedure, aircraft, func(o Opening) bool { return o.Aircraft == aircraft })
}

func (b *Book) unfinished(ctx context.Context, procedure, of string, fits func(Opening) bool) (*Worksheet, error) {
	list, err := b.Worksheets(ctx)
	if err != nil {
		return nil, err
	}
	for _, s := range list {
		if s.Closed || s.Procedure != procedure {
			continue
		}
		w, err := b.Worksheet(ctx, s.ID)
		if err != nil {
			if errors.Is(err, ErrNotFound) {
				continue // it has no records: nothing to go on with
			}
			return nil, err
		}
		if o, err := w.Opening(); err == nil && fits(o) {
			return w, nil
		}
	}
	return nil, fmt.Errorf("%w: no unfinished %s of %s", ErrNotFound, procedure, of)
}

// ID is the worksheet's number.
func (w *Worksheet) ID() int64 { return w.id }

// Opening is the worksheet's first record.
func (w *Worksheet) Opening() (Opening, error) {
	var o Opening
	r := w.Records()
	if len(r) == 0 || r[0].Kind != KindOpen {
		return o, fmt.Errorf("worksheet %d does not begin with its opening record", w.id)
	}
	return o, r[0].Decode(&o)
}

// Records are the worksheet's records so far.
func (w *Worksheet) Records() []Record {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.recs[:len(w.recs):len(w.recs)]
}

// Closed tells whether the worksheet has been closed.
func (w *Worksheet) Closed() bool { return closed(w.Records()) }

func closed(records []Record) bool {
	for _, r := range records {
		if r.Kind == KindClose {
			return true
		}
	}
	return false
}

// Append adds a record. When it returns without error the record is on disk.
// To a closed worksheet only sign-offs and amendments can be added. The error
// wraps [ErrTaken] if another program added a record meanwhile.
func (w *Worksheet) Append(ctx context.Context, kind string, body any) (Record, error) {
	return w.AppendFor(ctx, kind, func(Record, string) (any, error) { return body, nil })
}

// AppendFor is Append for a body that speaks of its own place: it is given the
// record so far, with number and time, and the hash of the record before.
func (w *Worksheet) AppendFor(ctx context.Context, kind string, body func(r Record, before string) (any, error)) (Record, error) {
	return w.append(ctx, kind, nil, body)
}

// AppendAttached is AppendFor with something attached, as a photograph: both are
// in the logbook, or neither. The body must name it by its SHA-256, [HashOf], for
// the chain to cover it; [Worksheet.Attached] gives it back by that.
func (w *Worksheet) AppendAttached(ctx context.Context, kind string, attached []byte, body func(r Record, before string) (any, error)) (Record, error) {
	return w.append(ctx, kind, attached, body)
}

// HashOf names what is attached: its SHA-256 in lower-case hexadecimal.
func HashOf(attached []byte) string {
	sum := sha256.Sum256(attached)
	return hex.EncodeToString(sum[:])
}

// Attached gives what is attached under a hash. It does not check it. The error
// wraps [ErrNotFound] if there is none.
func (w *Worksheet) Attached(hash string) ([]byte, error) {
	var body []byte
	err := w.book.db.QueryRow("SELECT body FROM attached WHERE hash = ?", hash).Scan(&body)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("%w: nothing is attached under %.12s…", ErrNotFound, hash)
	}
	return body, w.book.wrap(err)
}

func (w *Worksheet) append(ctx context.Context, kind string, attached []byte, body func(r Record, before string) (any, error)) (Record, error) {
	begun := time.Now()
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.book.copied != "" {
		return Record{}, fmt.Errorf("logbook %s: %w", w.book.path, errNoRoom)
	}
	if closed(w.recs) && kind != KindSign && kind != KindAmend {
		return Record{}, fmt.Errorf("logbook %s: worksheet %d is closed", w.book.path, w.id)
	}
	r, err := next(w.recs, kind, body)
	if err != nil {
		return Record{}, err
	}
	inserting := time.Now()
	if attached == nil {
		err = w.insert(ctx, w.book.db, r)
	} else {
		err = w.insertBoth(ctx, r, attached)
	}
	if err != nil {
		return Record{}, err
	}
	if w.book.Took != nil {
		w.book.Took(time.Since(begun), time.Since(inserting))
	}
	w.recs = append(w.recs, r)
	return r, nil
}

// next makes the record that follows on others.
func next(after []Record, kind string, body func(Record, string) (any, error)) (Record, error) {
	before := ""
	if n := len(after); n > 0 {
		before = after[n-1].Hash
	}
	now := time.Now().UTC()
	r := Record{Seq: len(after) + 1, At: now, Kind: kind, Stamp: now.Format(time.RFC3339Nano)}
	b, err := body(r, before)
	if err != nil {
		return Record{}, err
	}
	if r.Body, err = json.Marshal(b); err != nil {
		return Record{}, fmt.Errorf("logbook: a %s record cannot be written: %w", kind, err)
	}
	r.Hash = r.Link(before)
	return r, nil
}

// An execer is the store, or a transaction on it.
type execer interface {
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
}

func (w *Worksheet) insert(ctx context.Context, to execer, r Record) error {
	_, err := to.ExecContext(ctx, "INSERT INTO records (worksheet, seq, at, kind, body, hash) VALUES (?, ?, ?, ?, ?, ?)",
		w.id, r.Seq, r.Stamp, r.Kind, string(r.Body), r.Hash)
	if err != nil && (strings.Contains(err.Error(), "UNIQUE") || strings.Contains(err.Error(), "constraint")) {
		return fmt.Errorf("logbook %s: %w: worksheet %d, record %d", w.book.path, ErrTaken, w.id, r.Seq)
	}
	return w.book.wrap(err)
}

// insertBoth puts a record and what is attached to it into the store.
func (w *Worksheet) insertBoth(ctx context.Context, r Record, attached []byte) error {
	tx, err := w.book.db.BeginTx(ctx, nil)
	if err != nil {
		return w.book.wrap(err)
	}
	defer func() { _ = tx.Rollback() }() // does nothing after the commit
	if _, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO attached (hash, body) VALUES (?, ?)", HashOf(attached), attached); err != nil {
		return w.book.wrap(err)
	}
	if err := w.insert(ctx, tx, r); err != nil {
		return err
	}
	return w.book.wrap(tx.Commit())
}

// Link is what the record's hash must be, behind the one with the hash before;
// FORMAT.md states it byte for byte.
func (r Record) Link(before string) string {
	h := sha256.New()
	fmt.Fprintf(h, "%s\n%d\n%s\n%s\n", before, r.Seq, r.Stamp, r.Kind)
	h.Write(r.Body)
	return hex.EncodeToString(h.Sum(nil))
}

// A Broken says where a worksheet's chain is broken.
type Broken struct {
	Worksheet int64
	Seq       int // the first record that does not fit
	Good      int // how many before it do
	Why       string
}

func (b *Broken) Error() string {
	return fmt.Sprintf("worksheet %d: record %d: %s; the %d before it stand", b.Worksheet, b.Seq, b.Why, b.Good)
}

// Check follows the chain of a worksheet. The error is a [*Broken] if a record
// was changed, taken out or moved.
func (w *Worksheet) Check() error {
	before := ""
	for i, r := range w.Records() {
		switch {
		case r.Seq != i+1:
			return &Broken{w.id, i + 1, i, "it is missing"}
		case i == 0 && r.Kind != KindOpen:
			return &Broken{w.id, 1, 0, "the opening record is missing"}
		case r.Link(before) != r.Hash:
			return &Broken{w.id, r.Seq, i, "it was changed, or the one before it was"}
		}
		before = r.Hash
	}
	return nil
}
