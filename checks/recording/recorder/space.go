package recorder

import (
	"path/filepath"
	"time"

	"loomproof/checks/logbook"
	"loomproof/checks/recording/store"
)

// firstGuess is what a sample takes on disk with all that belongs to it, until it
// is known: twice what 12-bit samples of a bus took.
const firstGuess = 1.5 // bytes

// known is how many samples it takes to know: by then chunks have been made.
const known = 200_000

// A space says how long the disk lasts.
type space struct {
	before int64 // bytes of the logbook when the recording began
	asked  time.Time
	last   time.Duration
}

func (s *space) begin(st *store.Store) { s.before, _ = st.Size() }

// left is how long it can go on at the pace until now; 0 when that is not known.
func (s *space) left(st *store.Store, samples int64, elapsed time.Duration) time.Duration {
	if time.Since(s.asked) < time.Second || samples == 0 || elapsed < time.Second {
		return s.last
	}
	s.asked = time.Now()
	free, _, err := logbook.Room(filepath.Dir(st.Path()))
	if err != nil {
		return 0
	}
	each := firstGuess
	if size, err := st.Size(); err == nil && samples > known {
		each = float64(size-s.before) / float64(samples)
	}
	perSecond := each * float64(samples) / elapsed.Seconds()
	if perSecond <= 0 {
		return 0
	}
	s.last = time.Duration(min(float64(free)/perSecond, 1e9)) * time.Second
	return s.last
}
