package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"strconv"
	"strings"
)

// A Seal lists every stored row of a recording with its SHA-256, in a fixed order.
// It is made when the recording has ended; its own SHA-256 is the recording's
// digest, which stands for every byte.
type Seal struct {
	Recording int64  `json:"recording"`
	Digest    string `json:"digest"`
	Rows      int    `json:"rows"`
}

// ErrNoSeal is returned, wrapped, for a recording that has none: it goes on, or
// was made by a program that knew of none.
var ErrNoSeal = errors.New("it has no seal")

// A sealed row: where it stands, and its SHA-256.
type sealedRow struct {
	Key string `json:"row"`
	Sum string `json:"sha256"`
}

// The tables in the order of the seal: the name of a row, its key and what else
// of it counts.
var sealedTables = []struct{ name, query string }{
	{"begin", "SELECT 0, 0, 0, 0, format, begun, about, ended, why FROM recordings WHERE id = ?"},
	{"clock", "SELECT stream, era, 0, 0, clock FROM recording_eras WHERE recording = ? ORDER BY stream, era"},
	{"marker", "SELECT seq, 0, 0, 0, body FROM recording_markers WHERE recording = ? ORDER BY seq"},
	{"chunk", "SELECT channel, era, tick, 0, until, count, body FROM recording_chunks WHERE recording = ? ORDER BY channel, era, tick"},
	{"tail", "SELECT stream, era, part, 0, body FROM recording_tails WHERE recording = ? ORDER BY stream, part"},
	{"level", "SELECT channel, era, tick, level, until, body FROM recording_levels WHERE recording = ? ORDER BY channel, era, tick, level"},
}

// sealedKeys is how many columns of each row are its key.
const sealedKeys = 4

// rows sums every stored row of a recording.
func (s *Store) rows(ctx context.Context, id int64, each func(sealedRow) error) error {
	for _, table := range sealedTables {
		if err := s.sumTable(ctx, id, table.name, table.query, each); err != nil {
			return err
		}
	}
	return nil
}

func (s *Store) sumTable(ctx context.Context, id int64, name, query string, each func(sealedRow) error) error {
	rows, err := s.db.QueryContext(ctx, query, id)
	if err != nil {
		return s.book.Explain(err)
	}
	defer rows.Close()
	columns, err := rows.Columns()
	if err != nil {
		return s.book.Explain(err)
	}
	cells := make([]sql.RawBytes, len(columns))
	into := make([]any, len(columns))
	for i := range cells {
		into[i] = &cells[i]
	}
	sum := sha256.New()
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return s.book.Explain(err)
		}
		sum.Reset()
		key := name
		for i, c := range cells {
			if i < sealedKeys {
				key += " " + string(c)
			}
			addCell(sum, c)
		}
		if err := each(sealedRow{key, hex.EncodeToString(sum.Sum(nil))}); err != nil {
			return err
		}
	}
	return s.book.Explain(rows.Err())
}

// addCell adds a column: its length, low byte first in eight bytes, and its bytes.
func addCell(sum hash.Hash, cell []byte) {
	var n [8]byte
	binary.LittleEndian.PutUint64(n[:], uint64(len(cell)))
	sum.Write(n[:])
	sum.Write(cell)
}

// seal makes the seal of a recording that has ended.
func (s *Store) seal(ctx context.Context, id int64) error {
	var list []sealedRow
	err := s.rows(ctx, id, func(r sealedRow) error { list = append(list, r); return nil })
	if err != nil {
		return err
	}
	body, err := json.Marshal(list)
	if err != nil {
		return err
	}
	_, err = s.db.ExecContext(ctx, "INSERT OR REPLACE INTO recording_seals (recording, digest, body) VALUES (?, ?, ?)", id, digestOf(body), string(body))
	return s.book.Explain(err)
}

func digestOf(body []byte) string {
	sum := sha256.Sum256(body)
	return hex.EncodeToString(sum[:])
}

// Seal is the seal of a recording.
func (s *Store) Seal(ctx context.Context, id int64) (Seal, error) {
	digest, _, list, err := s.readSeal(ctx, id)
	return Seal{id, digest, len(list)}, err
}

func (s *Store) readSeal(ctx context.Context, id int64) (digest string, body []byte, list []sealedRow, err error) {
	err = s.db.QueryRowContext(ctx, "SELECT digest, body FROM recording_seals WHERE recording = ?", id).Scan(&digest, &body)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return "", nil, nil, fmt.Errorf("recording %d: %w", id, ErrNoSeal)
	case err != nil:
		return "", nil, nil, s.book.Explain(err)
	}
	if err := json.Unmarshal(body, &list); err != nil {
		list = nil // the digest tells that it was changed
	}
	return digest, body, list, nil
}

// Verify looks at every byte of a recording, and says in words what was changed,
// is missing or was added since it ended. The digest is that of the seal as it
// stands now: who has it from elsewhere must compare. Without a seal the error
// wraps [ErrNoSeal].
func (s *Store) Verify(ctx context.Context, id int64) (seal Seal, faults []string, err error) {
	digest, body, list, err := s.readSeal(ctx, id)
	if err != nil {
		return Seal{Recording: id}, nil, err
	}
	seal = Seal{id, digestOf(body), len(list)}
	if seal.Digest != digest {
		faults = append(faults, "its seal: changed")
	}
	due := map[string]string{}
	for _, r := range list {
		due[r.Key] = r.Sum
	}
	say := s.places(ctx, id)
	err = s.rows(ctx, id, func(r sealedRow) error {
		sum, listed := due[r.Key]
		switch {
		case !listed:
			faults = append(faults, say(r.Key)+": added")
		case sum != r.Sum:
			faults = append(faults, say(r.Key)+": changed")
		}
		delete(due, r.Key)
		return nil
	})
	for _, r := range list { // in the order of the seal
		if _, missing := due[r.Key]; missing {
			faults = append(faults, say(r.Key)+": missing")
		}
	}
	return seal, faults, err
}

// places says what a row is, for people; in time, where the recording can still
// be opened.
func (s *Store) places(ctx context.Context, id int64) func(key string) string {
	r, err := s.Recording(ctx, id)
	return func(key string) string {
		word := strings.Fields(key)
		var at [sealedKeys]int64
		for i := range at {
			at[i], _ = strconv.ParseInt(word[i+1], 10, 64)
		}
		switch word[0] {
		case "begin":
			return "what is recorded, its begin or its end"
		case "clock":
			return "the clock of stream " + word[1]
		case "marker":
			return fmt.Sprintf("marker %d", at[0]+1)
		case "tail":
			return "the tail of stream " + word[1]
		}
		what := map[string]string{"chunk": "the samples", "level": "the picture"}[word[0]]
		if err != nil || at[0] >= int64(len(r.channels)) {
			return fmt.Sprintf("%s of channel %d, from tick %d on", what, at[0], at[2])
		}
		return fmt.Sprintf("%s of channel %s, from %.3f s on", what, r.channels[at[0]].Name, r.time(int(at[0]), int(at[1]), at[2]))
	}
}
