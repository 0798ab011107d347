package store

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What a killed program left is ended by who opens the logbook next: all that was
// committed is in chunks, every view is right, and it ended with its last sample.
// What another program is still writing is left alone.
func TestWhatWasKilledIsEndedAtTheNextOpen(t *testing.T) {
	for seed := range uint64(3) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, 11))
			s := newStore(t)
			x := newTwin(t, s, streams()...)
			x.random(r, 40)
			require.NoError(t, x.w.Commit(t.Context()))
			other := reopen(t, s.book.Path())
			going, err := other.Recording(t.Context(), x.w.ID())
			require.NoError(t, err)
			assert.True(t, going.Ended.IsZero(), "it goes on")
			_, spanned := going.Span(0)
			require.ErrorIs(t, func() error { _, err := other.Seal(t.Context(), x.w.ID()); return err }(), ErrNoSeal)

			x.w.Abandon() // what the system does for one that is killed
			after := reopen(t, s.book.Path())
			x.compare(r, after)
			ended, err := after.Recording(t.Context(), x.w.ID())
			require.NoError(t, err)
			assert.Contains(t, ended.Why, "stopped without a word")
			_, to := ended.Span(0)
			assert.InDelta(t, spanned, to, 1e-9)
			_, meter := ended.Span(2)
			assert.WithinDuration(t, start.Add(time.Duration(max(to, meter)*1e9)), ended.Ended, time.Millisecond)
			var tails int
			require.NoError(t, after.db.QueryRow("SELECT count(*) FROM recording_tails").Scan(&tails))
			assert.Zero(t, tails)
			_, faults, err := after.Verify(t.Context(), x.w.ID())
			require.NoError(t, err)
			assert.Empty(t, faults)
			left, err := filepath.Glob(s.book.Path() + "-recording-*")
			require.NoError(t, err)
			assert.Empty(t, left, "no file stays beside the logbook")
		})
	}
}

// Each byte of each stored row of a recording is flipped: found every time, and at
// the right place. So is each row that is taken away, and one that is added.
func TestEachFlippedByteOfARecordingIsFound(t *testing.T) {
	s := newStore(t)
	x := newTwin(t, s, streams()...)
	x.random(rand.New(rand.NewPCG(1, 1)), 4)
	x.w.Arrived(0, 0, 2_000_000, 1.001)
	x.append(0, Piece{Tick: 1 << 40, Period: 2000, Codes: [][]int32{{1, 2, 3}, {4, 5, 6}}})
	require.NoError(t, x.w.Close(t.Context(), "by the test"))
	id := x.w.ID()
	whole, faults, err := s.Verify(t.Context(), id)
	require.NoError(t, err)
	require.Empty(t, faults)
	kept, err := s.Seal(t.Context(), id)
	require.NoError(t, err)
	require.Equal(t, whole, kept)

	flipped := 0
	for _, c := range []struct{ table, column, says string }{
		{"recording_chunks", "body", "the samples of channel"},
		{"recording_levels", "body", "the picture of channel"},
		{"recording_eras", "clock", "the clock of stream"},
	} {
		rows := rowids(t, s, c.table)
		for _, row := range rows {
			var body []byte
			where := fmt.Sprintf(" FROM %s WHERE %s = ?", c.table, keyOf(c.table))
			require.NoError(t, s.db.QueryRow("SELECT "+c.column+where, row).Scan(&body))
			step := 1 + len(body)/40 // the first bytes of each place, and evenly through the rest
			for at := 0; at < len(body); at += step {
				body[at] ^= 1
				put(t, s, c.table, c.column, row, body)
				_, faults, err := s.Verify(t.Context(), id)
				require.NoError(t, err)
				require.Len(t, faults, 1, "%s row %v byte %d", c.table, row, at)
				require.Contains(t, faults[0], c.says)
				require.Contains(t, faults[0], ": changed")
				body[at] ^= 1
				flipped++
			}
			put(t, s, c.table, c.column, row, body)
		}
	}
	assert.Greater(t, flipped, 300)
	_, faults, err = s.Verify(t.Context(), id)
	require.NoError(t, err)
	require.Empty(t, faults, "all is back")

	exec := func(query string) {
		_, err := s.db.Exec(query)
		require.NoError(t, err)
	}
	says := func(what string) {
		_, faults, err := s.Verify(t.Context(), id)
		require.NoError(t, err)
		assert.Contains(t, strings.Join(faults, "; "), what)
	}
	exec("UPDATE recordings SET why = 'otherwise'")
	says("what is recorded, its begin or its end: changed")
	exec("UPDATE recordings SET why = 'by the test'")
	exec("INSERT INTO recording_markers VALUES (1, 0, '{}')")
	says("marker 1: added")
	exec("DELETE FROM recording_markers")
	exec("UPDATE recording_chunks SET tick = tick + 2000 WHERE channel = 1 AND tick = (SELECT max(tick) FROM recording_chunks WHERE channel = 1)")
	says("the samples of channel load")
	exec("UPDATE recording_chunks SET tick = tick - 2000 WHERE channel = 1 AND tick = (SELECT max(tick) FROM recording_chunks WHERE channel = 1)")
	exec("DELETE FROM recording_chunks WHERE channel = 0 AND tick = (SELECT max(tick) FROM recording_chunks WHERE channel = 0)")
	says("the samples of channel bus, from")
	says(": missing")

	// Who changes the seal with the samples changes the digest.
	require.NoError(t, s.seal(t.Context(), id))
	forged, faults, err := s.Verify(t.Context(), id)
	require.NoError(t, err)
	assert.Empty(t, faults)
	assert.NotEqual(t, whole.Digest, forged.Digest)
	exec("UPDATE recording_seals SET body = replace(body, 'chunk', 'chink')")
	says("its seal: changed")
}

func keyOf(table string) string {
	if table == "recording_eras" {
		return "stream"
	}
	return "rowid"
}

func rowids(t *testing.T, s *Store, table string) (ids []int64) {
	rows, err := s.db.Query("SELECT " + keyOf(table) + " FROM " + table)
	require.NoError(t, err)
	defer rows.Close()
	for rows.Next() {
		var id int64
		require.NoError(t, rows.Scan(&id))
		ids = append(ids, id)
	}
	return ids
}

func put(t *testing.T, s *Store, table, column string, row int64, body []byte) {
	var v any = body
	if column == "clock" {
		v = string(body)
	}
	_, err := s.db.Exec(fmt.Sprintf("UPDATE %s SET %s = ? WHERE %s = ?", table, column, keyOf(table)), v, row)
	require.NoError(t, err)
}
