package station

import (
	"loomproof/checks/design"
	"loomproof/checks/logbook"
	"loomproof/checks/recording/recorder"
	"loomproof/checks/recording/store"
	"loomproof/probe/sources"
)

// NewRecorder makes the recorder of the opened instruments. What a procedure
// reads one reading after the other is left to it: the supply, which is watched
// while it feeds, and the meter that is moved by hand. A node gives its samples to
// both.
func (o *Opened) NewRecorder(book *logbook.Book, d *design.Design, program string) (*recorder.Recorder, error) {
	st, err := store.Open(book)
	if err != nil {
		return nil, err
	}
	var free []*sources.Source
	for _, s := range o.Sources {
		if s != kept(o.Bench.Supply) && s != kept(o.Bench.Meter) {
			free = append(free, s)
		}
	}
	return recorder.New(st, free, d.Aircraft.Name, program), nil
}

// kept is the source of the file that something on the bench is; nil for none.
func kept(s any) *sources.Source {
	if k, ok := s.(interface{ Kept() *sources.Source }); ok {
		return k.Kept()
	}
	return nil
}
