package logbook

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var ctx = context.Background()

func newBook(t testing.TB) *Book {
	t.Helper()
	b, err := Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	t.Cleanup(func() { b.Close() })
	return b
}

func begin(t testing.TB, b *Book) *Worksheet {
	t.Helper()
	w, err := b.Begin(ctx, Opening{Procedure: "first-power-on", Aircraft: "Marsh Hen", Revision: "abc"})
	require.NoError(t, err)
	return w
}

func TestWhatWasAppendedIsThereAfterReopening(t *testing.T) {
	b := newBook(t)
	w := begin(t, b)
	for i := range 5 {
		_, err := w.Append(ctx, "reading", map[string]int{"n": i})
		require.NoError(t, err)
	}
	require.NoError(t, b.Close())
	b, err := Open(b.Path())
	require.NoError(t, err)
	defer b.Close()
	again, err := b.Worksheet(ctx, w.ID())
	require.NoError(t, err)
	require.NoError(t, again.Check())
	assert.Equal(t, w.Records()[5].Hash, again.Records()[5].Hash)
	var body struct{ N int }
	require.NoError(t, again.Records()[5].Decode(&body))
	assert.Equal(t, 4, body.N)
}

func TestWorkedExample(t *testing.T) {
	format, err := os.ReadFile("FORMAT.md")
	require.NoError(t, err)
	r := Record{Seq: 1, Stamp: "2026-11-25T09:00:00Z", Kind: "open", Body: json.RawMessage("{}")}
	assert.Contains(t, string(format), r.Link(""))
}

// Each way of tampering is found, with the place.
func TestTamperingIsFound(t *testing.T) {
	for name, c := range map[string]struct {
		sql string
		seq int
	}{
		"body":       {"UPDATE records SET body = replace(body, '3', '4') WHERE seq = 4", 4},
		"kind":       {"UPDATE records SET kind = 'note' WHERE seq = 3", 3},
		"time":       {"UPDATE records SET at = replace(at, 'Z', '1Z') WHERE seq = 2", 2},
		"taken out":  {"DELETE FROM records WHERE seq = 3", 3},
		"no opening": {"DELETE FROM records WHERE seq = 1", 1},
		"swapped":    {"UPDATE records SET seq = CASE seq WHEN 3 THEN 104 WHEN 4 THEN 103 END WHERE seq IN (3,4); UPDATE records SET seq = seq - 100 WHERE seq > 100", 3},
		"hash":       {"UPDATE records SET hash = upper(hash) WHERE seq = 5", 5},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBook(t)
			w := begin(t, b)
			for i := range 5 {
				_, err := w.Append(ctx, "reading", i+1)
				require.NoError(t, err)
			}
			_, err := b.db.Exec(c.sql)
			require.NoError(t, err)
			again, err := b.Worksheet(ctx, w.ID())
			require.NoError(t, err)
			var broken *Broken
			require.ErrorAs(t, again.Check(), &broken)
			assert.Equal(t, c.seq, broken.Seq)
			assert.Equal(t, c.seq-1, broken.Good)
		})
	}
}

func TestTwoProgramsCannotWriteOneWorksheet(t *testing.T) {
	b := newBook(t)
	w := begin(t, b)
	other, err := Open(b.Path())
	require.NoError(t, err)
	defer other.Close()
	second, err := other.Worksheet(ctx, w.ID())
	require.NoError(t, err)
	_, err = w.Append(ctx, "reading", 1)
	require.NoError(t, err)
	_, err = second.Append(ctx, "reading", 2)
	assert.ErrorIs(t, err, ErrTaken)
}

// What is attached is there with its record or not at all, and in a logbook from
// before there was a place for it.
func TestWhatIsAttachedIsThereWithItsRecord(t *testing.T) {
	b := newBook(t)
	_, err := b.db.Exec("DROP TABLE attached")
	require.NoError(t, err)
	w := begin(t, b)
	again, err := Open(b.Path())
	require.NoError(t, err)
	defer again.Close()
	other, err := again.Worksheet(ctx, w.ID())
	require.NoError(t, err)
	named := func(hash string) func(Record, string) (any, error) {
		return func(Record, string) (any, error) { return hash, nil }
	}
	_, err = w.AppendAttached(ctx, "picture", []byte("one"), named(HashOf([]byte("one"))))
	require.NoError(t, err)
	got, err := other.Attached(HashOf([]byte("one")))
	require.NoError(t, err)
	assert.Equal(t, "one", string(got))
	_, err = other.AppendAttached(ctx, "picture", []byte("two"), named(HashOf([]byte("two"))))
	require.ErrorIs(t, err, ErrTaken)
	_, err = w.Attached(HashOf([]byte("two")))
	assert.ErrorIs(t, err, ErrNotFound)
	require.NoError(t, w.Check())
}

func TestUnfinishedFindsTheNewestOfTheSameDesign(t *testing.T) {
	b := newBook(t)
	_, err := b.Unfinished(ctx, "first-power-on", "abc")
	assert.ErrorIs(t, err, ErrNotFound)
	first, second := begin(t, b), begin(t, b)
	found, err := b.Unfinished(ctx, "first-power-on", "abc")
	require.NoError(t, err)
	assert.Equal(t, second.ID(), found.ID())
	_, err = second.Append(ctx, KindClose, nil)
	require.NoError(t, err)
	found, err = b.Unfinished(ctx, "first-power-on", "abc")
	require.NoError(t, err)
	assert.Equal(t, first.ID(), found.ID())
	_, err = b.Unfinished(ctx, "first-power-on", "other")
	assert.ErrorIs(t, err, ErrNotFound)
	_, err = second.Append(ctx, "reading", 1)
	assert.ErrorContains(t, err, "closed")
	list, err := b.Worksheets(ctx)
	require.NoError(t, err)
	assert.True(t, list[0].Closed)
	assert.False(t, list[1].Closed)
}

func TestBadFilesSayWhatToDo(t *testing.T) {
	dir := t.TempDir()
	text := filepath.Join(dir, "notes.db")
	require.NoError(t, os.WriteFile(text, []byte(strings.Repeat("this is no database\n", 100)), 0o600))
	_, err := Open(text)
	assert.ErrorContains(t, err, "no logbook: choose another file")
	_, err = Open(filepath.Join(dir, "nowhere", "book.db"))
	assert.ErrorContains(t, err, "does not exist; make it first")
	b := newBook(t)
	_, err = b.db.Exec("PRAGMA user_version = 99")
	require.NoError(t, err)
	_, err = Open(b.Path())
	assert.ErrorContains(t, err, "its format is 99")
	_, err = b.Worksheet(ctx, 7)
	assert.ErrorIs(t, err, ErrNotFound)
}

func TestAFullDiskIsToldAndLosesNothing(t *testing.T) {
	b := newBook(t)
	w := begin(t, b)
	_, err := b.db.Exec("PRAGMA max_page_count = 1")
	require.NoError(t, err)
	b.db.SetMaxOpenConns(1) // the limit is the connection's
	written := 1
	for ; written < 2000; written++ {
		if _, err = w.Append(ctx, "reading", fmt.Sprint(written, strings.Repeat("x", 500))); err != nil {
			break
		}
	}
	require.ErrorContains(t, err, "the disk is full")
	again, err := b.Worksheet(ctx, w.ID())
	require.NoError(t, err)
	require.NoError(t, again.Check())
	assert.Len(t, again.Records(), written)
}

func BenchmarkAppend(b *testing.B) {
	b.ReportAllocs()
	w := begin(b, newBook(b))
	body := map[string]any{"value": 13.8214, "source": "meter", "point": "radio.load+"}
	for b.Loop() {
		if _, err := w.Append(ctx, "reading", body); err != nil {
			b.Fatal(err)
		}
	}
}
