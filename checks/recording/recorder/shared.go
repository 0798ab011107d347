package recorder

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
	"loomproof/probe/sources"
)

// A Recorder makes recordings of sources that others may use at the same time,
// one after the other. Of a node every sample goes to the recording and to whoever
// reads it beside. It is for any number of goroutines.
type Recorder struct {
	// Tell and Kept are called as those of [Config] are. Set them before Start.
	Tell func(text string)
	Kept func(Status)

	store    *store.Store
	sources  []*sources.Source
	program  string
	aircraft string

	mu        sync.Mutex
	state     State // but for what is asked anew each time
	changed   chan struct{}
	session   *Session
	stop      context.CancelFunc
	done      chan struct{}
	err       error // of the last recording
	starting  bool
	listeners map[chan []Block]bool
}

// New makes a recorder that records into a store.
func New(st *store.Store, all []*sources.Source, aircraft, program string) *Recorder {
	return &Recorder{
		store: st, sources: all, aircraft: aircraft, program: program, state: State{Phase: Idle},
		changed: make(chan struct{}), listeners: map[chan []Block]bool{},
	}
}

// A Phase is what a recorder does.
type Phase string

// The phases.
const (
	Idle      Phase = "idle"
	Waiting   Phase = "waiting" // for its trigger, or a marker
	Recording Phase = "recording"
	Stopping  Phase = "stopping"
)

// An Order says what to record.
type Order struct {
	By       string   `json:"by"`       // who wants it
	Title    string   `json:"title"`    // in their words
	Channels []string `json:"channels"` // as [Inputs] reads them; none: all whose accuracy is stated
	Trigger  string   `json:"trigger"`  // as [ParseTrigger] reads it; "": at once
	Before   float64  `json:"before_s"` // how much from before the trigger is kept, in seconds
	For      float64  `json:"for_s"`    // ends after so many seconds; 0: when it is stopped

	Inputs []Input `json:"-"` // instead of Channels
}

// A Message is what was told, and when.
type Message struct {
	At   time.Time `json:"at"`
	Text string    `json:"text"`
}

// A State is all that a screen needs.
type State struct {
	Phase     Phase              `json:"phase"`
	Recording int64              `json:"recording"` // number; of the last one while idle; 0: none yet
	Title     string             `json:"title"`
	By        string             `json:"by"`
	Begun     time.Time          `json:"begun,omitzero"`
	Elapsed   float64            `json:"elapsed_s"`
	Trigger   string             `json:"trigger"`
	Samples   int64              `json:"samples"` // on disk
	Pending   int                `json:"pending"` // not yet
	Dropped   int64              `json:"dropped"` // lost, since memory was full while the disk was
	Gaps      int                `json:"gaps"`    // of all channels
	Room      float64            `json:"room_s"`  // how long the disk lasts at this pace; 0: not known yet
	Trouble   string             `json:"trouble"` // why nothing is written now
	Error     string             `json:"error"`   // why the last recording ended early
	Markers   []recording.Marker `json:"markers"`
	Channels  []ChannelState     `json:"channels"`
	Messages  []Message          `json:"messages"` // the last, oldest first
	Sources   []SourceState      `json:"sources"`  // what can be recorded
	Roles     []recording.Role   `json:"roles"`
	Kinds     []recording.Kind   `json:"kinds"`
}

// A SourceState is a source that can be recorded.
type SourceState struct {
	Name     string          `json:"name"`
	Open     bool            `json:"open"`
	Channels []SourceChannel `json:"channels"`
}

// A SourceChannel is a channel of one.
type SourceChannel struct {
	Name     string `json:"name"`
	Quantity string `json:"quantity"`
	Unit     string `json:"unit"`
	Write    string `json:"write"`  // for [Order.Channels]; ":ROLE" may be added
	Stated   bool   `json:"stated"` // whether its accuracy is
}

// mostMessages is how many are kept for who looks later.
const mostMessages = 20

// ErrBusy is returned by Start while something is recorded, ErrIdle by Mark and
// Stop while nothing is.
var (
	ErrBusy = errors.New("something is recorded already: stop it first")
	ErrIdle = errors.New("nothing is recorded: start a recording first")
)

// Start starts a recording, which goes on until it is stopped or its time is over.
// The context counts for opening the sources.
func (r *Recorder) Start(ctx context.Context, o Order) error {
	config, err := r.config(o)
	if err != nil {
		return err
	}
	r.mu.Lock()
	if r.starting || r.session != nil {
		r.mu.Unlock()
		return ErrBusy
	}
	r.starting = true
	r.mu.Unlock()
	s, err := Open(ctx, r.store, config)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.starting = false
	if err != nil {
		return err
	}
	running, stop := context.WithCancel(context.WithoutCancel(ctx))
	r.session, r.stop, r.done = s, stop, make(chan struct{})
	r.state = State{Phase: Recording, Title: o.Title, By: o.By, Trigger: o.Trigger}
	if config.Trigger != nil {
		r.state.Phase = Waiting
	}
	r.told()
	go r.run(running, s, r.done)
	return nil
}

func (r *Recorder) config(o Order) (c Config, err error) {
	if o.For < 0 || o.Before < 0 || o.For > maxSeconds || o.Before > maxSeconds {
		return c, errors.New("the time before the trigger and the time to record are 0 or more seconds")
	}
	c = Config{
		Title: o.Title, By: o.By, Aircraft: r.aircraft, Program: r.program, Inputs: o.Inputs,
		Before: seconds(o.Before), For: seconds(o.For),
		Tell: r.tell, Kept: r.kept, Marked: r.marked,
	}
	if o.Trigger != "" {
		if c.Trigger, err = ParseTrigger(o.Trigger); err != nil {
			return c, err
		}
	}
	if c.Inputs == nil {
		c.Inputs, err = Inputs(r.sources, o.Channels)
	}
	return c, err
}

// maxSeconds is the longest time that can be asked for: a year.
const maxSeconds = 366 * 24 * 3600

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// run runs one recording to its end.
func (r *Recorder) run(ctx context.Context, s *Session, done chan struct{}) {
	id, err := s.Run(ctx)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.state.Channels = s.watching.states()
	r.state.Phase, r.state.Recording, r.err, r.session = Idle, id, err, nil
	if err != nil {
		r.state.Error = err.Error()
	}
	r.stop()
	close(done)
	r.told()
}

// Mark sets a marker now; see [Session.Mark].
func (r *Recorder) Mark(text, by string) error {
	s := r.now()
	if s == nil {
		return ErrIdle
	}
	s.Mark(text, by)
	return nil
}

// MarkAs sets a marker now; see [Session.MarkAs].
func (r *Recorder) MarkAs(m recording.Marker) error {
	s := r.now()
	if s == nil {
		return ErrIdle
	}
	s.MarkAs(m)
	return nil
}

// Store is where the recordings are.
func (r *Recorder) Store() *store.Store { return r.store }

// Inputs are all channels of its sources whose accuracy is stated. The channel of
// a source that reads the main bus is of the bus voltage, unless one is named so.
func (r *Recorder) Inputs(source, bus string) []Input {
	all := everything(r.sources)
	for _, in := range all {
		if in.Role == recording.BusVolts {
			return all
		}
	}
	for i, in := range all {
		if in.Source.Name() == source && in.Channel == bus {
			all[i].Role = recording.BusVolts
		}
	}
	return all
}

// Begun waits until the recording has its number, and gives how it stands.
func (r *Recorder) Begun(ctx context.Context) (State, error) {
	for {
		s, changed := r.State()
		switch {
		case s.Phase == Idle && s.Error != "":
			return s, errors.New(s.Error)
		case s.Phase == Idle:
			return s, ErrIdle
		case s.Recording != 0:
			return s, nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return s, context.Cause(ctx)
		}
	}
}

// Stop ends the recording in order, and waits until everything is on disk.
func (r *Recorder) Stop(ctx context.Context) (id int64, err error) {
	r.mu.Lock()
	if r.session == nil {
		r.mu.Unlock()
		return 0, ErrIdle
	}
	r.stop()
	r.state.Phase = Stopping
	r.told()
	r.mu.Unlock()
	return r.Wait(ctx)
}

// Wait waits for the end of what is recorded, and gives its number: 0 if the
// trigger never came.
func (r *Recorder) Wait(ctx context.Context) (id int64, err error) {
	r.mu.Lock()
	done := r.done
	r.mu.Unlock()
	if done == nil {
		return 0, ErrIdle
	}
	select {
	case <-done:
	case <-ctx.Done():
		return 0, context.Cause(ctx)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.state.Recording, r.err
}

// Close ends what is recorded.
func (r *Recorder) Close() error {
	if _, err := r.Stop(context.Background()); err != nil && !errors.Is(err, ErrIdle) {
		return err
	}
	return nil
}

// now is what is recorded; nil for nothing.
func (r *Recorder) now() *Session {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.session
}

// State is how it stands, and a channel that closes when that changes.
func (r *Recorder) State() (State, <-chan struct{}) {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.state
	if r.session != nil {
		s.Channels = r.session.watching.states()
	}
	s.Gaps = 0
	for _, c := range s.Channels {
		s.Gaps += c.Gaps
	}
	if s.Phase == Recording && !s.Begun.IsZero() {
		s.Elapsed = time.Since(s.Begun).Seconds()
	}
	s.Markers, s.Messages = slices.Clone(s.Markers), slices.Clone(s.Messages)
	s.Sources, s.Roles, s.Kinds = sourceStates(r.sources), recording.Roles(), recording.Kinds()
	return s, r.changed
}

func sourceStates(all []*sources.Source) []SourceState {
	out := []SourceState{}
	for _, src := range all {
		s := SourceState{Name: src.Name(), Open: src.Status().State == sources.Up, Channels: []SourceChannel{}}
		for _, c := range src.Listed() {
			s.Channels = append(s.Channels, SourceChannel{
				Name: c.Name, Quantity: string(c.Quantity), Unit: c.Quantity.Unit(),
				Write: c.Name + "=" + src.Name() + "/" + c.Name, Stated: src.HasAccuracy(c.Name),
			})
		}
		out = append(out, s)
	}
	return out
}

// Live gives what comes, for as long as it is wanted; a listener that is slow
// misses some.
func (r *Recorder) Live() (blocks <-chan []Block, cancel func()) {
	c := make(chan []Block, liveWaiting)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.listeners[c] = true
	return c, func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		delete(r.listeners, c)
	}
}

// told says that the state has changed. With the lock held.
func (r *Recorder) told() {
	close(r.changed)
	r.changed = make(chan struct{})
}

func (r *Recorder) tell(text string) {
	if r.Tell != nil {
		r.Tell(text)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.state.Messages = append(r.state.Messages, Message{time.Now(), text})
	r.state.Messages = r.state.Messages[max(0, len(r.state.Messages)-mostMessages):]
	r.told()
}

func (r *Recorder) marked(m recording.Marker) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.state.Markers = append(r.state.Markers, m)
	r.told()
}

// kept takes how it stands after a commit.
func (r *Recorder) kept(s Status) {
	if r.Kept != nil {
		r.Kept(s)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	x := &r.state
	if x.Phase == Waiting && !s.Waiting {
		x.Phase = Recording
	}
	x.Recording, x.Samples, x.Pending, x.Dropped, x.Trouble = s.ID, s.Samples, s.Pending, s.Dropped, s.Trouble
	x.Begun, x.Elapsed, x.Room = s.Begun, s.Elapsed.Seconds(), s.Room.Seconds()
	if r.session != nil {
		r.spread(r.session.watching.blocks(s.ID))
	}
	r.told()
}

// spread gives what came to all who listen. With the lock held.
func (r *Recorder) spread(blocks []Block) {
	for c := range r.listeners {
		select {
		case c <- blocks:
		default:
		}
	}
}
