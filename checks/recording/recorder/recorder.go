// Package recorder records channels of sources into a logbook.
//
//	session, err := recorder.Open(ctx, store, recorder.Config{Inputs: inputs})
//	go session.Mark("crank", "keyboard")
//	id, err := session.Run(ctx)   // until ctx ends, or Config.For has passed
//
// A node gives every sample, stamped by its own clock; any other source gives a
// reading as often as it can. A source that is pulled is looked for and goes on
// when it is back; what is missing is a gap. All that came is on disk within a quarter of
// a second. When the disk is full it says so, holds what comes for as long as
// memory is set aside for it, and goes on when there is room.
//
// With a [Trigger] it waits: what came in the last seconds is held in memory, and
// is part of the recording when the trigger comes.
package recorder

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
	"loomproof/probe"
	"loomproof/probe/node"
	"loomproof/probe/sources"
)

const (
	// commitEvery leaves room below the quarter second that is promised.
	commitEvery = 150 * time.Millisecond
	// retryEvery is how often a full disk is tried again.
	retryEvery = 2 * time.Second
	// mostPending is how many samples are held while the disk takes none: 16 MB.
	mostPending = 4 << 20
	// mostHeld is how many samples a trigger's buffer holds: 64 MB.
	mostHeld = 16 << 20
	// pieces that wait for the writer.
	piecesWaiting = 4096
	// closeWithin is how long the end may take.
	closeWithin = 20 * time.Second
)

// DefaultPatience is how long a disk that takes nothing is waited for.
const DefaultPatience = 10 * time.Minute

// An Input is one channel of a source.
type Input struct {
	Name    string // in the recording
	Role    recording.Role
	Source  *sources.Source
	Channel string // of the source
}

// Config says what to record and how.
type Config struct {
	Title, Aircraft, Program string
	By                       string // who wants it; "" is not known

	Inputs  []Input
	For     time.Duration // 0: until the context ends
	Trigger *Trigger      // nil: at once
	Before  time.Duration // how much from before the trigger is kept

	Patience time.Duration // 0 means DefaultPatience

	// Tell is called with what a person should know, as it happens: a source
	// lost and back, a full disk, the trigger. Kept is called after each commit.
	// Both from one goroutine at a time; they must not wait.
	Tell func(text string)
	Kept func(Status)

	// Marked is called with each marker that is set, as Tell is.
	Marked func(recording.Marker)
}

// Status is how it stands.
type Status struct {
	Begun    time.Time     `json:"begun,omitzero"`
	ID       int64         `json:"id"`       // 0 while it waits for the trigger
	Samples  int64         `json:"samples"`  // on disk
	Pending  int           `json:"pending"`  // not on disk
	Dropped  int64         `json:"dropped"`  // lost since memory was full while the disk was
	Markers  int           `json:"markers"`  // set
	Elapsed  time.Duration `json:"elapsed"`  // since the recording's start
	Room     time.Duration `json:"room"`     // how long it can go on at this pace; 0: not known
	Trouble  string        `json:"trouble"`  // why nothing is written now
	Waiting  bool          `json:"waiting"`  // for the trigger
	Finished bool          `json:"finished"` // the disk has everything
}

// A Session is one recording on its way. Mark may be called by any goroutine.
type Session struct {
	config  Config
	store   *store.Store
	feeds   []feed
	streams []store.Stream
	base    time.Time

	watching *watching

	in    chan piece
	marks chan mark
	told  sync.Mutex

	w       *store.Writer
	status  Status
	held    []piece // before the trigger
	heldN   int
	space   space
	failing time.Time // since when no commit has succeeded
	retry   time.Time
}

// A piece is what a feed brings: samples of one stream, not in the recording's
// time yet.
type piece struct {
	stream int
	store.Piece
	at time.Time // arrival of its last sample
	by bool      // the host's clock stamps it: Tick is not set
}

// A mark is a marker that is not in the recording's time yet.
type mark struct {
	at time.Time
	recording.Marker
}

// A feed is one stream's source.
type feed interface {
	run(ctx context.Context, s *Session)
}

// Open opens the sources and finds what their samples stand for.
func Open(ctx context.Context, st *store.Store, c Config) (*Session, error) {
	if len(c.Inputs) == 0 {
		return nil, errors.New("nothing to record: name a source, or a channel of one")
	}
	if c.Patience == 0 {
		c.Patience = DefaultPatience
	}
	s := &Session{config: c, store: st, in: make(chan piece, piecesWaiting), marks: make(chan mark, 64)}
	boards := map[*sources.Source]*nodeFeed{}
	for _, in := range c.Inputs {
		if err := in.Source.Open(ctx); err != nil {
			return nil, err
		}
		n, _ := in.Source.Instrument().(*node.Node)
		if n != nil && isStreamed(n, in.Channel) {
			if boards[in.Source] == nil {
				boards[in.Source] = newNodeFeed(in.Source, len(s.streams))
				s.feeds = append(s.feeds, boards[in.Source])
				s.streams = append(s.streams, boards[in.Source].begin(n))
			}
			f := boards[in.Source]
			s.streams[f.stream].Channels = append(s.streams[f.stream].Channels, f.add(n, in))
			continue
		}
		ch, err := polledChannel(in)
		if err != nil {
			return nil, err
		}
		s.addPolled(in, ch)
	}
	s.watching = newWatching(s.streams)
	if t := c.Trigger; t != nil {
		if err := t.bind(s.streams); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// Streams are what is recorded, as it will stand in the logbook.
func (s *Session) Streams() []store.Stream { return s.streams }

func (s *Session) tell(format string, args ...any) {
	if s.config.Tell != nil {
		s.told.Lock()
		defer s.told.Unlock()
		s.config.Tell(fmt.Sprintf(format, args...))
	}
}

// Mark sets a marker now. One whose text names a kind is of that kind. While a
// trigger is waited for, it starts the recording.
func (s *Session) Mark(text, by string) {
	m := recording.Marker{Text: text, By: by}
	for _, k := range recording.Kinds() {
		if strings.EqualFold(strings.TrimSpace(text), string(k)) {
			m.Kind = k
		}
	}
	s.MarkAs(m)
}

// MarkAs sets a marker of a kind that its text does not name; its time is now.
func (s *Session) MarkAs(m recording.Marker) {
	select {
	case s.marks <- mark{time.Now(), m}:
	default:
		s.tell("the marker %q was lost: too many at once", m.Text)
	}
}

// Run records until ctx ends or Config.For has passed, and gives the number of the
// recording. What was recorded until an error is kept.
func (s *Session) Run(ctx context.Context) (int64, error) {
	feeding, stop := context.WithCancel(ctx)
	var crew sync.WaitGroup
	for _, f := range s.feeds {
		crew.Go(func() { f.run(feeding, s) })
	}
	err := s.keep(ctx)
	stop()
	crew.Wait()
	if end := s.finish(err); end != nil {
		err = end // it says what is lost, and why
	}
	return s.status.ID, err
}

// begin opens the recording; what is held is part of it.
func (s *Session) begin(ctx context.Context, start time.Time) error {
	s.base = start
	w, err := s.store.Begin(ctx, store.Opening{
		Start: start, Title: s.config.Title, Aircraft: s.config.Aircraft, By: s.config.By, Program: s.config.Program, Streams: s.streams,
	})
	if err != nil {
		return err
	}
	s.w, s.status.ID, s.status.Begun, s.status.Waiting = w, w.ID(), start, false
	s.space.begin(s.store)
	for _, p := range s.held {
		if !p.at.Before(start) {
			s.append(p)
		}
	}
	s.held = nil
	return nil
}

// keep is the one goroutine that writes.
func (s *Session) keep(ctx context.Context) error {
	s.status.Waiting = s.config.Trigger != nil
	if !s.status.Waiting {
		if err := s.begin(ctx, time.Now()); err != nil {
			return err
		}
	}
	tick := time.NewTicker(commitEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case p := <-s.in:
			if err := s.take(ctx, p); err != nil {
				return err
			}
		case m := <-s.marks:
			if err := s.mark(ctx, m); err != nil {
				return err
			}
		case now := <-tick.C:
			if err := s.tick(ctx, now); err != nil {
				return err
			}
			if s.w != nil && s.config.For > 0 && now.Sub(s.base) >= s.config.For {
				return nil
			}
		}
	}
}

// take appends a piece, or holds it until the trigger comes.
func (s *Session) take(ctx context.Context, p piece) error {
	if s.w != nil {
		s.append(p)
		return nil
	}
	s.hold(p)
	s.watching.see(p)
	if !s.config.Trigger.passed(p) {
		return nil
	}
	s.tell("trigger: %v", s.config.Trigger)
	start := p.at.Add(-s.config.Before)
	if err := s.begin(ctx, start); err != nil {
		return err
	}
	s.set(recording.Marker{At: p.at.Sub(s.base).Seconds(), Text: s.config.Trigger.String(), By: "trigger"})
	return nil
}

// hold keeps what may still be wanted.
func (s *Session) hold(p piece) {
	s.held = append(s.held, p)
	s.heldN += p.size()
	oldest := p.at.Add(-s.config.Before)
	drop := 0
	for drop < len(s.held)-1 && (s.held[drop].at.Before(oldest) || s.heldN > mostHeld) {
		s.heldN -= s.held[drop].size()
		drop++
	}
	if drop > len(s.held)/2 {
		s.held = append([]piece(nil), s.held[drop:]...)
	} else {
		s.held = s.held[drop:]
	}
}

func (p piece) size() int { return len(p.Codes) * len(p.Codes[0]) }

// append puts a piece into the recording's time.
func (s *Session) append(p piece) {
	if s.w.Pending() > mostPending {
		s.status.Dropped += int64(p.size())
		return
	}
	host := p.at.Sub(s.base).Seconds()
	if p.by {
		p.Tick = int64(math.Round(host * hostTicks))
	} else {
		n := int64(len(p.Codes[0]))
		s.w.Arrived(p.stream, p.Era, p.Tick+n*p.Period, host)
	}
	if err := s.w.Append(p.stream, p.Piece); err != nil {
		s.tell("%v", err)
		return
	}
	s.watching.take(p, host)
}

func (s *Session) mark(ctx context.Context, m mark) error {
	if s.w == nil {
		s.tell("started by hand")
		if err := s.begin(ctx, m.at.Add(-s.config.Before)); err != nil {
			return err
		}
	}
	m.At = m.at.Sub(s.base).Seconds()
	s.set(m.Marker)
	return nil
}

// set puts a marker into the recording.
func (s *Session) set(m recording.Marker) {
	s.w.Mark(m)
	s.status.Markers++
	if s.config.Marked != nil {
		s.config.Marked(m)
	}
}

// tick commits. Only a disk that takes nothing for long ends the recording.
func (s *Session) tick(ctx context.Context, now time.Time) error {
	if s.w == nil || now.Before(s.retry) {
		return nil
	}
	samples := s.w.Pending()
	err := s.w.Commit(ctx)
	switch {
	case err == nil:
		s.status.Samples += int64(samples)
		if s.status.Trouble != "" {
			s.tell("there is room again: nothing was lost but %d samples; going on", s.status.Dropped)
		}
		s.status.Trouble, s.failing, s.retry = "", time.Time{}, time.Time{}
	case ctx.Err() != nil:
		return nil
	case s.failing.IsZero():
		s.failing = now
		s.tell("%v; what comes now is held in memory", err)
		fallthrough
	default:
		s.status.Trouble, s.retry = err.Error(), now.Add(retryEvery)
		if now.Sub(s.failing) > s.config.Patience {
			return fmt.Errorf("%w; nothing could be written for %v", err, s.config.Patience)
		}
	}
	s.report(now)
	return nil
}

func (s *Session) report(now time.Time) {
	s.status.Pending = s.w.Pending()
	s.status.Elapsed = now.Sub(s.base)
	s.status.Room = s.space.left(s.store, s.status.Samples, s.status.Elapsed)
	if s.config.Kept != nil {
		s.config.Kept(s.status)
	}
}

// finish takes what the feeds have still brought and closes the recording.
func (s *Session) finish(cause error) error {
	if s.w == nil {
		return nil
	}
	for {
		select {
		case p := <-s.in:
			s.append(p)
			continue
		case m := <-s.marks:
			if err := s.mark(context.Background(), m); err != nil {
				return err
			}
			continue
		default:
		}
		break
	}
	why := "ended in order"
	if cause != nil {
		why = cause.Error()
	}
	ctx, cancel := context.WithTimeout(context.Background(), closeWithin)
	defer cancel()
	samples := s.w.Pending()
	if err := s.w.Close(ctx, why); err != nil {
		s.w.Abandon()
		return fmt.Errorf("%w; the last %d samples are lost, all before is kept", err, samples)
	}
	s.status.Samples += int64(samples)
	s.status.Finished = true
	s.report(time.Now())
	return nil
}

// bring hands a piece to the writer, and waits while that is busy.
func (s *Session) bring(ctx context.Context, p piece) {
	select {
	case s.in <- p:
	case <-ctx.Done():
	}
}

// hostTicks is the pace of the clock that stamps readings which the host asks for.
const hostTicks = 1e6

// A polled feed asks a source for one reading after the other.
type polled struct {
	source *sources.Source
	inputs []polledInput
}

type polledInput struct {
	stream  int
	channel string
	scale   float64
}

// steps are the codes that readings are kept in: a millionth of the unit, of
// ohms a thousandth. Meters show coarser ones.
func steps(q probe.Quantity) float64 {
	if q == probe.Resistance {
		return 1e-3
	}
	return 1e-6
}

func polledChannel(in Input) (recording.Channel, error) {
	for _, ch := range in.Source.Channels() {
		if ch.Name == in.Channel {
			return recording.Channel{
				Name: in.Name, Role: in.Role, Where: in.Source.Name() + "/" + in.Channel, Quantity: ch.Quantity, Scale: steps(ch.Quantity), Accuracy: ch.Accuracy,
			}, nil
		}
	}
	var names []string
	for _, ch := range in.Source.Channels() {
		names = append(names, ch.Name)
	}
	return recording.Channel{}, fmt.Errorf("source %q has no channel %q; it has %s", in.Source.Name(), in.Channel, strings.Join(names, ", "))
}

func (s *Session) addPolled(in Input, ch recording.Channel) {
	p := polledInput{len(s.streams), in.Channel, ch.Scale}
	s.streams = append(s.streams, store.Stream{TickHz: hostTicks, Channels: []recording.Channel{ch}})
	for _, f := range s.feeds {
		if have, ok := f.(*polled); ok && have.source == in.Source {
			have.inputs = append(have.inputs, p)
			return
		}
	}
	s.feeds = append(s.feeds, &polled{in.Source, []polledInput{p}})
}

func (f *polled) run(ctx context.Context, s *Session) {
	trouble := trouble{s: s, name: f.source.Name()}
	for ctx.Err() == nil {
		for _, in := range f.inputs {
			r, err := f.source.Read(ctx, in.channel)
			code := math.Round(r.Value / in.scale)
			if err == nil && !(math.Abs(code) < math.MaxInt32) {
				err = fmt.Errorf("%s: %v is too large to be recorded", f.source.Name(), r)
			}
			if trouble.is(ctx, err) {
				continue
			}
			s.bring(ctx, piece{stream: in.stream, at: r.At, by: true, Piece: store.Piece{Codes: [][]int32{{int32(code)}}}})
		}
		// A source that refuses at once must not keep a core busy.
		trouble.pause(ctx)
	}
}

// trouble tells what is wrong with a source, once, and that it is over.
type trouble struct {
	s     *Session
	name  string
	last  string
	since time.Time
}

const pauseInTrouble = 100 * time.Millisecond

func (t *trouble) is(ctx context.Context, err error) bool {
	switch {
	case ctx.Err() != nil:
		return true
	case err == nil:
		if t.last != "" {
			t.s.tell("%s gives samples again, after %v", t.name, time.Since(t.since).Round(10*time.Millisecond))
			t.last = ""
		}
		return false
	case t.last == "":
		t.since = time.Now()
		fallthrough
	case t.last != err.Error():
		t.s.tell("%v", err)
		t.last = err.Error()
	}
	return true
}

func (t *trouble) pause(ctx context.Context) {
	if t.last == "" {
		return
	}
	wait := time.NewTimer(pauseInTrouble)
	defer wait.Stop()
	select {
	case <-wait.C:
	case <-ctx.Done():
	}
}
