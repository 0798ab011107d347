package sources

import (
	"context"
	"fmt"

	"loomproof/probe"
	"loomproof/probe/layout"
	"loomproof/probe/node"
	"loomproof/probe/port"
)

// Opened makes a source of an instrument that is open already, on a line that
// cannot be found again by a name, as an emulated one in memory. When it goes it
// stays away. Closing the source closes it.
func Opened(inner probe.Source) probe.Source {
	e := &openedEntry{Entry: Entry{Name: inner.Identity().Name}, inner: inner}
	s := &Source{
		entry: e, kind: Kind{Name: "open already", NoPort: true}, opening: make(chan struct{}, 1), past: (&probe.Tally{}).Counters(),
		inner: inner, first: inner.Identity(), channels: inner.Channels(),
	}
	s.status = Status{Name: e.Name, Kind: s.kind.Name, Port: inner.Identity().Port}
	s.set(Up, "")
	if _, ok := inner.(*node.Node); ok {
		return Node{s}
	}
	if _, ok := inner.(probe.Supply); ok {
		return Supply{s}
	}
	return s
}

type openedEntry struct {
	Entry
	inner probe.Source
}

func (e *openedEntry) check(*layout.Reader) {}

func (e *openedEntry) open(context.Context, port.Conn) (probe.Source, error) {
	return nil, fmt.Errorf("%s: %w: its line cannot be opened again", e.Name, probe.ErrGone)
}

func (e *openedEntry) listed() []probe.Channel { return e.inner.Channels() }

func (e *openedEntry) states(channel string) bool {
	for _, c := range e.inner.Channels() {
		if c.Name == channel {
			return c.Accuracy != probe.Accuracy{}
		}
	}
	return false
}
