package evidence

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"loomproof/checks/logbook"
	"loomproof/checks/procedure"
	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
)

// The chain vouches for a recording: who changes samples, or samples and seal
// together, or takes both away, is found out.
func TestTheChainVouchesForARecording(t *testing.T) {
	book, err := logbook.Open(filepath.Join(t.TempDir(), "logbook.db"))
	require.NoError(t, err)
	defer book.Close()
	st, err := store.Open(book)
	require.NoError(t, err)
	m := recording.NewMemory(time.Date(2026, 5, 2, 9, 0, 0, 0, time.UTC), recording.Channel{Name: "bus", Scale: 0.01, Rate: 10})
	require.NoError(t, m.Append(0, recording.Block{Step: 0.1, Codes: []int32{1, 2, 3}}))
	id, err := st.Keep(t.Context(), m, store.Opening{Title: "run"})
	require.NoError(t, err)
	seal, err := st.Seal(t.Context(), id)
	require.NoError(t, err)
	w, err := book.Begin(t.Context(), logbook.Opening{Procedure: "x"})
	require.NoError(t, err)
	for _, x := range []procedure.Recorded{{Recording: id}, {Recording: id, Digest: seal.Digest}} {
		_, err = w.Append(t.Context(), procedure.KindRecording, x)
		require.NoError(t, err)
	}
	digest := Digests(w.Records())[id]
	require.Equal(t, seal.Digest, digest)
	look := func(digests ...string) FoundRecording {
		f, err := VerifyRecording(t.Context(), st, id, digests...)
		require.NoError(t, err)
		return f
	}
	assert.True(t, look(digest).Proven())
	assert.False(t, look().Proven(), "nobody vouches for it")
	assert.Empty(t, look().Faults)

	_, err = book.DB().Exec("UPDATE recording_chunks SET body = x'00' || substr(body, 2)")
	require.NoError(t, err)
	assert.Equal(t, []string{"the samples of channel bus, from 0.000 s on: changed"}, look(digest).Faults)
	_, err = book.DB().Exec("UPDATE recording_seals SET body = '[]', digest = 'x'")
	require.NoError(t, err)
	assert.Contains(t, look(digest).Faults, "its digest is not the one that was kept of it: samples and seal were changed together")
	_, err = book.DB().Exec("DELETE FROM recording_seals")
	require.NoError(t, err)
	assert.Equal(t, []string{"it, or its seal, is missing from the logbook; a worksheet tells of it"}, look(digest).Faults)
}
