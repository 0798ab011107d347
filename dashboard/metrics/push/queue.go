package push

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strings"
	"sync"

	"github.com/klauspost/compress/snappy"
	_ "modernc.org/sqlite" // the store
)

// A queue keeps gatherings on disk, in order. It is one SQLite file, which only
// one program has open.
type queue struct {
	db   *sql.DB
	path string

	mu      sync.Mutex
	n, held int64 // how many it holds, and their bytes
}

const queueSchema = `
CREATE TABLE IF NOT EXISTS gatherings (
	id   INTEGER PRIMARY KEY AUTOINCREMENT,
	body BLOB NOT NULL -- snappy of a remote write request
);
`

func openQueue(path string) (*queue, error) {
	// What was put in is on disk when the program is killed; the last seconds may be
	// lost with the power (synchronous NORMAL): it is no evidence.
	pragmas := url.Values{"_pragma": {"locking_mode(EXCLUSIVE)", "journal_mode(WAL)", "synchronous(NORMAL)", "auto_vacuum(FULL)"}}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: filepath.ToSlash(path)}).EscapedPath()+"?"+pragmas.Encode())
	if err != nil {
		return nil, fmt.Errorf("queue %s: %w", path, err)
	}
	db.SetMaxOpenConns(1) // so that it stays locked, and waits are in order
	if _, err := db.Exec(queueSchema); err != nil {
		db.Close()
		if strings.Contains(err.Error(), "locked") {
			return nil, fmt.Errorf("queue %s: another program pushes from it; end that one first", path)
		}
		return nil, fmt.Errorf("queue %s cannot be used: %w; check its folder, or move the file away, with what was not sent yet", path, err)
	}
	q := &queue{db: db, path: path}
	if err := db.QueryRow("SELECT count(*), coalesce(sum(length(body)), 0) FROM gatherings").Scan(&q.n, &q.held); err != nil {
		db.Close()
		return nil, q.wrap(err)
	}
	return q, nil
}

func (q *queue) Close() error { return q.db.Close() }

// put adds a gathering, and throws the oldest away for as long as there is more
// than fits, but never the newest. It gives how many it threw away.
func (q *queue) put(ctx context.Context, body []byte, most int64) (dropped int64, err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	tx, err := q.db.BeginTx(ctx, nil)
	if err != nil {
		return 0, q.wrap(err)
	}
	defer func() { _ = tx.Rollback() }() // does nothing after the commit
	packed := snappy.Encode(nil, body)
	if _, err := tx.ExecContext(ctx, "INSERT INTO gatherings (body) VALUES (?)", packed); err != nil {
		return 0, q.wrap(err)
	}
	n, held := q.n+1, q.held+int64(len(packed))
	for held > most && n > 1 {
		var size int64
		if err := tx.QueryRowContext(ctx, "DELETE FROM gatherings WHERE id = (SELECT min(id) FROM gatherings) RETURNING length(body)").Scan(&size); err != nil {
			return 0, q.wrap(err)
		}
		n, held, dropped = n-1, held-size, dropped+1
	}
	if err := tx.Commit(); err != nil {
		return 0, q.wrap(err)
	}
	q.n, q.held = n, held
	return dropped, nil
}

// oldest gives the first gathering; nil if there is none.
func (q *queue) oldest(ctx context.Context) (id int64, body []byte, err error) {
	var packed []byte
	err = q.db.QueryRowContext(ctx, "SELECT id, body FROM gatherings ORDER BY id LIMIT 1").Scan(&id, &packed)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil, nil
	}
	if err != nil {
		return 0, nil, q.wrap(err)
	}
	body, err = snappy.Decode(nil, packed)
	if err != nil {
		return 0, nil, errors.Join(q.wrap(err), q.take(ctx, id)) // damaged: the next ones need not be
	}
	return id, body, nil
}

// take takes a gathering out; one that was thrown away meanwhile is none.
func (q *queue) take(ctx context.Context, id int64) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	var size int64
	err := q.db.QueryRowContext(ctx, "DELETE FROM gatherings WHERE id = ? RETURNING length(body)", id).Scan(&size)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil
	case err != nil:
		return q.wrap(err)
	}
	q.n, q.held = q.n-1, q.held-size
	return nil
}

// size is how many gatherings it holds, and their bytes.
func (q *queue) size() (n, bytes int64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.n, q.held
}

func (q *queue) wrap(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("queue %s: %w; check its disk", q.path, err)
}
