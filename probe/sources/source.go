package sources

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"loomproof/probe"
	"loomproof/probe/port"
)

// How a source that is away is looked for: soon at first, then less often. A
// source that has been silent twice running is opened anew, since it may have
// been switched off and on and have forgotten how it was set.
const (
	firstWait  = 100 * time.Millisecond
	longWait   = 2 * time.Second
	mostSilent = 2
)

// A State is how it stands with a source.
type State string

// The states.
const (
	Up     State = "up"     // it answers
	Silent State = "silent" // its port is there, it does not answer
	Gone   State = "gone"   // its port is not there, or cannot be opened
)

// Status is how it stands with a source.
type Status struct {
	Name     string         `json:"name"`
	Kind     string         `json:"kind"`
	Port     string         `json:"port"`
	State    State          `json:"state"`
	Trouble  string         `json:"trouble,omitempty"` // why it is not up, and what to do
	Since    time.Time      `json:"since"`             // of the state
	Readings uint64         `json:"readings"`          // given
	Losses   uint64         `json:"losses"`            // times that it went away or silent
	Counters probe.Counters `json:"counters"`
	At       time.Time      `json:"at,omitzero"` // of the last reading
}

// A Source is a source of the file, kept through the life on a cable. It is a
// probe.Source: one goroutine reads at a time. Status, Identity and Channels may
// be asked by any.
type Source struct {
	entry        entry
	kind         Kind
	finder       *port.Finder // nil for a kind without a port
	calibrations []probe.Calibration

	opening chan struct{} // holds a token while somebody opens

	mu       sync.Mutex
	inner    probe.Source   // nil while it is away
	first    probe.Identity // of the instrument that answered first
	channels []probe.Channel
	latest   map[string]probe.Reading // the last of each channel
	status   Status
	silences int
	wait     time.Duration // before the next look
	next     time.Time
	owed     bool // a cut that could not be confirmed
	closed   bool
	past     probe.Counters // of what was opened before
	tally    probe.Tally
}

func newSource(e entry, calibrations []probe.Calibration) (*Source, error) {
	kind, err := KindNamed(e.common().Kind)
	if err != nil {
		return nil, err
	}
	s := &Source{entry: e, kind: kind, calibrations: calibrations, opening: make(chan struct{}, 1), latest: map[string]probe.Reading{}, past: (&probe.Tally{}).Counters()}
	if !kind.NoPort {
		if s.finder, err = port.NewFinder(e.common().Port); err != nil {
			return nil, err
		}
	}
	s.status = Status{
		Name: e.common().Name, Kind: kind.Name, Port: e.common().Port,
		State: Gone, Trouble: "it has not been opened yet", Since: time.Now(),
	}
	return s, nil
}

// Name is what the person calls the source.
func (s *Source) Name() string { return s.entry.common().Name }

// Open opens the source now, and tells why it cannot be. Without it, the first
// Read does.
func (s *Source) Open(ctx context.Context) error {
	_, err := s.ready(ctx)
	var away awayError
	if errors.As(err, &away) {
		err = away.why
	}
	if err != nil && !strings.HasPrefix(err.Error(), s.Name()) {
		err = fmt.Errorf("%s: %w", s.Name(), err)
	}
	return err
}

// An awayError is why a source is away.
type awayError struct {
	name string
	why  error
}

func (a awayError) Error() string   { return a.name + ": looked for: " + a.why.Error() }
func (a awayError) Unwrap() []error { return []error{probe.ErrAway, a.why} }

// Read takes one fresh reading, corrected by the calibration. While the source is
// away it looks for it again, at most every two seconds, and returns an error
// that wraps probe.ErrAway.
func (s *Source) Read(ctx context.Context, channel string) (probe.Reading, error) {
	inner, err := s.ready(ctx)
	if err != nil {
		return probe.Reading{}, err
	}
	r, err := inner.Read(ctx, channel)
	if err = s.note(inner, err); err != nil {
		return probe.Reading{}, err
	}
	r.Source = s.Name()
	if r, err = s.judge(r); err != nil {
		return probe.Reading{}, err
	}
	s.mu.Lock()
	s.status.Readings++
	s.status.At = r.At
	s.latest[r.Channel] = r
	s.mu.Unlock()
	return r, nil
}

// judge gives a reading the accuracy of its range, and corrects it.
func (s *Source) judge(r probe.Reading) (probe.Reading, error) {
	e := s.entry.common()
	if c := e.Accuracy.of(r.Channel); c != nil {
		a, ok := c.on(r.FullScale)
		if !ok {
			s.tally.Refuse(probe.OutOfRange)
			return r, &probe.Refusal{
				Source: e.Name, Reason: probe.OutOfRange,
				Detail: fmt.Sprintf("it is on the range up to %g %s, which the source file has no accuracy line for", r.FullScale, r.Quantity.Unit()),
				Do:     "add a line for that range, or one for " + others,
			}
		}
		r.Accuracy = a
	}
	for _, c := range s.calibrations {
		r = c.Apply(r)
		if r.Correction != nil {
			break
		}
	}
	return r, nil
}

// ready gives the open instrument, and opens it when it is time to.
func (s *Source) ready(ctx context.Context) (probe.Source, error) {
	s.mu.Lock()
	inner, wait := s.inner, time.Until(s.next)
	s.mu.Unlock()
	if inner != nil {
		return inner, nil
	}
	if wait > 0 {
		pause := time.NewTimer(wait)
		defer pause.Stop()
		select {
		case <-pause.C:
		case <-ctx.Done():
			return nil, fmt.Errorf("%s: %w", s.Name(), context.Cause(ctx))
		}
	}
	return s.open(ctx)
}

// open opens the instrument, unless somebody else just has.
func (s *Source) open(ctx context.Context) (probe.Source, error) {
	select {
	case s.opening <- struct{}{}:
		defer func() { <-s.opening }()
	case <-ctx.Done():
		return nil, fmt.Errorf("%s: %w", s.Name(), context.Cause(ctx))
	}
	s.mu.Lock()
	inner, closed, owed := s.inner, s.closed, s.owed
	s.mu.Unlock()
	if inner != nil {
		return inner, nil
	}
	if closed {
		return nil, fmt.Errorf("%s: %w", s.Name(), port.ErrClosed)
	}
	inner, err := s.connect(ctx, owed)
	if err != nil && ctx.Err() != nil {
		return nil, err // it was not given its time: that says nothing of the source
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		s.wait = min(longWait, max(firstWait, 2*s.wait))
		s.next = time.Now().Add(s.wait)
		return nil, s.trouble(err)
	}
	if s.closed {
		inner.Close()
		return nil, fmt.Errorf("%s: %w", s.Name(), port.ErrClosed)
	}
	s.inner, s.silences, s.wait = inner, 0, 0
	s.owed = s.owed && !owed
	s.channels = s.withRanges(inner.Channels())
	s.status.Port = inner.Identity().Port
	s.set(Up, "")
	return inner, nil
}

// connect finds the port, opens it and the instrument on it, and makes a cut good
// that is owed.
func (s *Source) connect(ctx context.Context, owed bool) (probe.Source, error) {
	var conn port.Conn
	if s.finder != nil {
		mode := s.kind.Mode
		if m := s.entry.common().Mode; m != nil {
			mode = *m
		}
		var err error
		if conn, err = s.finder.Open(mode); err != nil {
			return nil, err
		}
	}
	inner, err := s.entry.open(ctx, conn)
	if err != nil {
		return nil, err
	}
	if err := s.sameAsBefore(inner.Identity()); err != nil {
		inner.Close()
		return nil, err
	}
	if c, ok := inner.(probe.Cutter); ok && owed {
		if err := c.Cut(ctx); err != nil {
			inner.Close()
			return nil, fmt.Errorf("%s is back, but the cut that it missed fails: %w", s.Name(), err)
		}
	}
	return inner, nil
}

// sameAsBefore refuses an instrument that is another one than was lost: its
// accuracy and calibration would be those of the first.
func (s *Source) sameAsBefore(now probe.Identity) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.first == (probe.Identity{}) {
		s.first = now
		return nil
	}
	was := s.first
	if was.Maker == now.Maker && was.Model == now.Model && was.Serial == now.Serial {
		return nil
	}
	s.tally.Refuse(probe.InstrumentErr)
	return &probe.Refusal{
		Source: s.Name(), Reason: probe.InstrumentErr,
		Detail: fmt.Sprintf("another instrument answers there: %s, %s, %s; it was %s, %s, %s", now.Maker, now.Model, now.Serial, was.Maker, was.Model, was.Serial),
		Do:     "plug the first one in again, or start anew with the other",
	}
}

// note keeps what a call of the instrument says about its life, and gives the
// caller's error.
func (s *Source) note(inner probe.Source, err error) error {
	s.mu.Lock()
	switch {
	case err == nil:
		s.silences = 0
		s.set(Up, "")
	case errors.Is(err, probe.ErrGone):
		err = s.trouble(err)
		s.mu.Unlock()
		s.drop(inner)
		return err
	case errors.Is(err, probe.ErrSilent):
		s.silences++
		again := s.silences >= mostSilent
		s.set(Silent, err.Error())
		s.mu.Unlock()
		if again {
			s.drop(inner)
		}
		return err
	}
	s.mu.Unlock()
	return err
}

// trouble sets the state that an error tells, and says whether the source is
// away. With the lock held.
func (s *Source) trouble(err error) error {
	var refused *probe.Refusal
	if errors.Is(err, probe.ErrSilent) || errors.As(err, &refused) {
		s.set(Silent, err.Error())
		return err
	}
	s.set(Gone, err.Error())
	return awayError{s.Name(), err}
}

// set changes the state. With the lock held.
func (s *Source) set(state State, why string) {
	s.status.Trouble = why
	if s.status.State == state {
		return
	}
	if s.status.State == Up {
		s.status.Losses++
	}
	s.status.State, s.status.Since = state, time.Now()
}

// drop gives an instrument up, once.
func (s *Source) drop(inner probe.Source) {
	s.mu.Lock()
	if s.inner != inner {
		s.mu.Unlock()
		return
	}
	s.inner, s.next = nil, time.Time{}
	s.mu.Unlock()
	inner.Close()
	if c, ok := inner.(probe.Counting); ok {
		s.mu.Lock()
		s.past = sum(s.past, c.Counters())
		s.mu.Unlock()
	}
}

// Latest is what the channels show, by their names: of a source that gives its
// samples unasked, as a node, what came in this moment, whoever else uses it; of
// any other, the last reading of each channel that somebody has read. That may be
// old: see Reading.At and Status.
func (s *Source) Latest() (out []probe.Reading) {
	streams, ok := s.now().(interface {
		Latest(channel string) (probe.Reading, bool)
	})
	if !ok {
		s.mu.Lock()
		defer s.mu.Unlock()
		return slices.SortedFunc(maps.Values(s.latest), func(a, b probe.Reading) int { return cmp.Compare(a.Channel, b.Channel) })
	}
	for _, c := range s.Listed() {
		r, is := streams.Latest(c.Name)
		if !is {
			continue
		}
		r.Source = s.Name()
		if r, err := s.judge(r); err == nil {
			out = append(out, r)
		}
	}
	return out
}

// now is the open instrument, or nil.
func (s *Source) now() probe.Source {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.inner
}

// Instrument is the driver's own source while it is open, for what only it can
// do, as a node's stream; nil while it is away.
func (s *Source) Instrument() probe.Source { return s.now() }

// cut takes power away. What cannot be confirmed is owed: it is made good when the
// instrument is back.
func (s *Source) cut(ctx context.Context) error {
	inner := s.now()
	var err error
	if inner == nil {
		s.owe(true)
		_, err = s.open(ctx) // which cuts
	} else if err = inner.(probe.Cutter).Cut(ctx); err != nil {
		s.owe(true)
		err = s.note(inner, err)
	}
	if err != nil {
		return fmt.Errorf("%w; it is cut as soon as it is back", err)
	}
	s.owe(false)
	return nil
}

func (s *Source) owe(owed bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.owed = owed
}

// Identity says which instrument it is, and its calibration: the file's where
// there is one.
func (s *Source) Identity() probe.Identity {
	s.mu.Lock()
	id := s.first
	if s.inner != nil {
		id = s.inner.Identity()
	}
	s.mu.Unlock()
	e := s.entry.common()
	id.Name = e.Name
	id.Port = cmp.Or(id.Port, e.Port)
	if !e.Calibrated.IsZero() {
		id.Calibrated, id.Certificate = e.Calibrated.Time, e.Certificate
	}
	if !e.Due.IsZero() {
		id.Due = e.Due.Time
	}
	for i, c := range s.calibrations {
		if i == 0 || c.Date.Before(id.Calibrated) {
			id.Calibrated = c.Date
		}
		if !c.Due.IsZero() && (i == 0 || id.Due.IsZero() || c.Due.Before(id.Due)) {
			id.Due = c.Due
		}
		if i == 0 {
			id.Certificate = ""
		}
		id.Certificate = joinNew(id.Certificate, c.Channel+" against "+referenceText(c))
	}
	return id
}

func referenceText(c probe.Calibration) string {
	if c.Certificate == "" {
		return c.Reference
	}
	return c.Reference + ", certificate " + c.Certificate
}

func joinNew(list, text string) string {
	if list == "" {
		return text
	}
	return list + "; " + text
}

// Channels lists what can be read; nothing before it was opened once.
func (s *Source) Channels() []probe.Channel {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.channels)
}

func (s *Source) withRanges(channels []probe.Channel) []probe.Channel {
	for i := range channels {
		if a := s.entry.common().Accuracy.of(channels[i].Name); a != nil {
			channels[i].Accuracy = a.Other
			for _, b := range a.Ranges {
				channels[i].Ranges = append(channels[i].Ranges, b.RangeAccuracy)
			}
		}
	}
	return channels
}

// Clipped says which of the channels are clipped to which terminal of the design.
func (s *Source) Clipped() map[string]string {
	if c, ok := s.entry.(interface{ clipped() map[string]string }); ok {
		return c.clipped()
	}
	return nil
}

// HasAccuracy tells whether the file states how far a channel can be trusted.
func (s *Source) HasAccuracy(channel string) bool {
	if s.entry.common().Accuracy.of(channel) != nil {
		return true
	}
	e, ok := s.entry.(interface{ states(channel string) bool })
	return ok && e.states(channel)
}

// Listed are the channels as far as the file tells, before anything is opened: an
// instrument of a kind that the file lists none for has voltage, current and
// resistance.
func (s *Source) Listed() []probe.Channel {
	if e, ok := s.entry.(interface{ listed() []probe.Channel }); ok {
		return e.listed()
	}
	var out []probe.Channel
	for _, q := range []probe.Quantity{probe.Voltage, probe.Current, probe.Resistance} {
		out = append(out, probe.Channel{Name: string(q), Quantity: q})
	}
	return out
}

// Accuracy is how far a channel can be trusted on the range with a full scale, as
// far as that is known while the instrument is closed; false where nobody says.
func (s *Source) Accuracy(channel string, full float64) (probe.Accuracy, bool) {
	if c := s.entry.common().Accuracy.of(channel); c != nil {
		return c.on(full)
	}
	e, ok := s.entry.(interface {
		stated(channel string, full float64) (probe.Accuracy, bool)
	})
	if !ok {
		return probe.Accuracy{}, false
	}
	return e.stated(channel, full)
}

// Counters are those of all instruments that were opened, and the source's own.
func (s *Source) Counters() probe.Counters {
	s.mu.Lock()
	inner, past := s.inner, s.past
	s.mu.Unlock()
	total := sum(past, s.tally.Counters())
	if c, ok := inner.(probe.Counting); ok {
		total = sum(total, c.Counters())
	}
	return total
}

func sum(a, b probe.Counters) probe.Counters {
	out := probe.Counters{
		Frames: a.Frames + b.Frames, Strays: a.Strays + b.Strays, Silences: a.Silences + b.Silences,
		Samples: a.Samples + b.Samples, Lost: a.Lost + b.Lost, Restarts: a.Restarts + b.Restarts,
		Refused: map[probe.Reason]uint64{},
	}
	for _, r := range probe.Reasons() {
		out.Refused[r] = a.Refused[r] + b.Refused[r]
	}
	return out
}

// Status is how it stands with the source.
func (s *Source) Status() Status {
	c := s.Counters()
	s.mu.Lock()
	defer s.mu.Unlock()
	status := s.status
	status.Counters = c
	return status
}

// Close gives the source up. The output of a supply stays as it is.
func (s *Source) Close() error {
	s.mu.Lock()
	inner := s.inner
	s.closed = true
	s.mu.Unlock()
	if inner != nil {
		s.drop(inner)
	}
	return nil
}
