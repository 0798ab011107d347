package store

import (
	"context"
	"math"

	"loomproof/checks/recording"
)

// keptTicks is the clock of a recording that came from elsewhere: picoseconds, so
// that no step is rounded by more than counts. It lasts for a hundred days.
const keptTicks = 1e12

// keptPending is how many samples are held before they are written.
const keptPending = 1 << 20

// Keep copies a recording into the logbook, as of somebody else's log, and gives
// its number. It is there as a whole, or ends with the reason why it is not.
func (s *Store) Keep(ctx context.Context, r recording.Recording, o Opening) (int64, error) {
	o.Start = r.Start()
	for _, c := range r.Channels() {
		o.Streams = append(o.Streams, Stream{TickHz: keptTicks, Channels: []recording.Channel{c}})
	}
	w, err := s.Begin(ctx, o)
	if err != nil {
		return 0, err
	}
	for i := range r.Channels() {
		if err := w.keep(ctx, r, i); err != nil {
			// The disk may be full: then the reason cannot be kept, either.
			_ = w.Close(ctx, "not whole: "+err.Error())
			return w.ID(), err
		}
	}
	for _, m := range r.Markers() {
		w.Mark(m)
	}
	return w.ID(), w.Close(ctx, "copied")
}

func (w *Writer) keep(ctx context.Context, r recording.Recording, channel int) error {
	until := int64(math.MinInt64)
	for b, err := range r.Blocks(channel, math.Inf(-1), math.Inf(1)) {
		if err != nil {
			return err
		}
		p := Piece{Tick: max(until, int64(math.Round(b.Start*keptTicks))), Period: int64(math.Round(b.Step * keptTicks)), Codes: [][]int32{b.Codes}}
		if err := w.Append(channel, p); err != nil {
			return err
		}
		until = run{p.Tick, p.Period, len(b.Codes)}.until()
		if w.Pending() > keptPending {
			if err := w.Commit(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// Find gives a recording by its number; 0 is the newest.
func (s *Store) Find(ctx context.Context, id int64) (*Recording, error) {
	if id == 0 {
		var err error
		if id, err = s.Latest(ctx); err != nil {
			return nil, err
		}
	}
	return s.Recording(ctx, id)
}
