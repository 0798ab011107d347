package scpi

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"loomproof/probe"
	"loomproof/probe/port"
)

// Options are what a meter and a supply have in common. All may be left zero.
type Options struct {
	Name        string                    // what the person calls it; empty for the model
	Accuracy    map[string]probe.Accuracy // for each channel
	Calibrated  time.Time
	Certificate string

	Terminator string        // ends each message: "\n", the default, or "\r\n"
	Timeout    time.Duration // for one answer; 0 for 3 s
	SetUp      []string      // sent once after opening, as SYST:REM
	Plain      bool          // it can't take joined commands; see the package comment

	// NoErrorQueue says that it has no SYST:ERR?.
	NoErrorQueue bool

	Span probe.Spans // what is physically possible on a channel
}

// The numbers that a message carries: three digits, so that a lost digit is
// seen, and inside the eight bits of the register.
const (
	firstTag = 100
	lastTag  = 255
)

// A line is one line that came, without its end.
type line struct {
	text string
	at   time.Time
}

// A session is the talk with one instrument.
type session struct {
	conn     port.Conn
	options  Options
	identity probe.Identity
	marker   string // the line that answers *IDN?

	lines  chan line
	ended  chan struct{} // closed when the pump has ended, after why is set
	why    error
	closed chan struct{}
	once   sync.Once

	turn chan struct{} // holds a token while one exchange runs

	tally probe.Tally

	mu   sync.Mutex // over what follows
	stop context.CancelCauseFunc
	sent []string // the last messages, for telling echoes

	// Used with the turn held.
	tag   int
	lost  bool // plain only: an answer may still be on its way
	doubt bool // an exchange failed: the error queue may say why
}

// open starts the talk: it finds out who answers, clears the error queue and
// sends the set-up.
func open(ctx context.Context, conn port.Conn, options Options) (*session, error) {
	if options.Terminator == "" {
		options.Terminator = "\n"
	}
	if options.Timeout == 0 {
		options.Timeout = 3 * time.Second
	}
	s := &session{
		conn: conn, options: options,
		lines: make(chan line, 64), ended: make(chan struct{}), closed: make(chan struct{}),
		turn: make(chan struct{}, 1), tag: firstTag,
	}
	go s.pump()
	if err := s.begin(ctx); err != nil {
		s.close()
		return nil, err
	}
	return s, nil
}

func (s *session) begin(ctx context.Context) error {
	if s.options.Terminator != "\n" && s.options.Terminator != "\r\n" {
		return fmt.Errorf("%s: terminator %q is neither LF nor CR LF", s.name(), s.options.Terminator)
	}
	if err := s.identify(ctx); err != nil {
		return err
	}
	for _, command := range append([]string{"*CLS"}, s.options.SetUp...) {
		if err := s.tell(ctx, command); err != nil {
			return err
		}
	}
	return s.noErrors(ctx, "setting it up")
}

func (s *session) name() string {
	switch {
	case s.options.Name != "":
		return s.options.Name
	case s.identity.Model != "":
		return s.identity.Model
	}
	return "instrument"
}

// pump turns bytes into lines until the port is gone.
func (s *session) pump() {
	defer close(s.ended)
	chunk := make([]byte, 512)
	var waiting []byte
	for {
		n, err := s.conn.Read(chunk)
		if err != nil {
			s.why = err
			return
		}
		now := time.Now()
		waiting = append(waiting, chunk[:n]...)
		rest := waiting
		for {
			text, after, ok := cutLine(rest)
			if !ok {
				break
			}
			rest = after
			if len(text) == 0 {
				continue
			}
			select {
			case s.lines <- line{string(text), now}:
			case <-s.closed:
			}
		}
		if len(rest) > longestLine {
			rest = nil
		}
		waiting = append(waiting[:0], rest...)
	}
}

func (s *session) close() error {
	s.once.Do(func() { close(s.closed) })
	err := s.conn.Close()
	<-s.ended
	return err
}

// take waits for its turn. The context it returns ends when the given one does
// or when [session.interrupt] is called; end gives the turn back.
func (s *session) take(ctx context.Context) (context.Context, func(), error) {
	select {
	case s.turn <- struct{}{}:
	case <-ctx.Done():
		return nil, nil, fmt.Errorf("%s: %w", s.name(), context.Cause(ctx))
	}
	ctx, stop := context.WithCancelCause(ctx)
	s.mu.Lock()
	s.stop = stop
	s.mu.Unlock()
	return ctx, func() {
		s.mu.Lock()
		s.stop = nil
		s.mu.Unlock()
		stop(nil)
		<-s.turn
	}, nil
}

// interrupt ends the exchange in progress, if there is one.
func (s *session) interrupt(why error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.stop != nil {
		s.stop(why)
	}
}

// write sends one message. It needs no turn: what must not wait goes at once.
func (s *session) write(message string) error {
	s.mu.Lock()
	if len(s.sent) == 8 {
		s.sent = append(s.sent[:0], s.sent[1:]...)
	}
	s.sent = append(s.sent, message)
	s.mu.Unlock()
	_, err := s.conn.Write([]byte(message + s.options.Terminator))
	if err != nil {
		return fmt.Errorf("%s: sending %s: %w", s.name(), message, err)
	}
	return nil
}

// tell sends a command that has no answer.
func (s *session) tell(ctx context.Context, command string) error {
	if ctx.Err() != nil {
		return s.stopped(ctx, command)
	}
	return s.write(command)
}

func (s *session) stopped(ctx context.Context, what string) error {
	return fmt.Errorf("%s: stopped at %s: %w", s.name(), what, context.Cause(ctx))
}

// withoutEcho takes off a line what the instrument only sent back.
func (s *session) withoutEcho(text string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, message := range slices.Backward(s.sent) {
		if rest, ok := strings.CutPrefix(text, message); ok && message != "" {
			return strings.TrimLeft(rest, " ")
		}
	}
	return text
}

// next waits for a line that is not an echo.
func (s *session) next(ctx context.Context, deadline <-chan time.Time, query string) (line, error) {
	for {
		select {
		case l := <-s.lines:
			if l.text = s.withoutEcho(l.text); l.text != "" {
				return l, nil
			}
		case <-deadline:
			s.tally.Silence()
			return line{}, s.silent(query)
		case <-ctx.Done():
			return line{}, s.stopped(ctx, query)
		case <-s.ended:
			return line{}, fmt.Errorf("%s: waiting for the answer to %s: %w", s.name(), query, s.why)
		}
	}
}

func (s *session) silent(query string) error {
	return fmt.Errorf("%s on port %s: %w to %s in %v; check that it is on, that the lead is in, "+
		"and that its menu has this speed, parity and line end", s.name(), s.conn.Name(), probe.ErrSilent, query, s.options.Timeout)
}

// ask sends queries and returns their answers, and when they came. With the turn held.
func (s *session) ask(ctx context.Context, queries ...string) ([]string, time.Time, error) {
	if s.options.Plain {
		return s.askPlain(ctx, queries)
	}
	return s.askTagged(ctx, queries)
}

// askTagged joins the queries into one message with a number of its own.
func (s *session) askTagged(ctx context.Context, queries []string) ([]string, time.Time, error) {
	if s.tag++; s.tag > lastTag {
		s.tag = firstTag
	}
	tag := strconv.Itoa(s.tag)
	message := "*ESE " + tag
	for _, q := range queries {
		message += ";" + rooted(q)
	}
	message += ";*ESE?"
	s.dropWaiting()
	if err := s.tell(ctx, message); err != nil {
		return nil, time.Time{}, err
	}
	deadline := time.NewTimer(s.options.Timeout)
	defer deadline.Stop()
	for {
		l, err := s.next(ctx, deadline.C, message)
		if err != nil {
			s.doubt = true
			return nil, time.Time{}, err
		}
		answers := splitFields(nil, l.text)
		last := len(answers) - 1
		if last == len(queries) && answers[last] == tag {
			s.tally.Frame(1)
			return answers[:last], l.at, nil
		}
		if l.text == s.marker || s.isOlder(answers[last]) {
			s.tally.Stray()
			continue
		}
		return nil, time.Time{}, badFrame{l.text, message}
	}
}

// rooted starts a query at the root; common commands have no place in the tree.
func rooted(query string) string {
	if query[0] == '*' {
		return query
	}
	return ":" + query
}

// isOlder tells the number of an earlier message.
func (s *session) isOlder(field string) bool {
	n, err := strconv.Atoi(field)
	return err == nil && len(field) == 3 && n >= firstTag && n <= lastTag && n != s.tag
}

// dropWaiting forgets lines that came before anything was asked.
func (s *session) dropWaiting() (strays bool) {
	for {
		select {
		case l := <-s.lines:
			if s.withoutEcho(l.text) != "" {
				strays = true
				s.tally.Stray()
			}
		default:
			return strays
		}
	}
}

// askPlain sends each query alone. It starts by getting back in step when an
// earlier answer may still be on its way.
func (s *session) askPlain(ctx context.Context, queries []string) (answers []string, at time.Time, err error) {
	if s.dropWaiting() || s.lost {
		if err := s.stepIn(ctx); err != nil {
			return nil, time.Time{}, err
		}
	}
	for _, q := range queries {
		s.lost = true
		if err := s.tell(ctx, q); err != nil {
			return nil, time.Time{}, err
		}
		l, err := s.answer(ctx, q)
		if err != nil {
			s.doubt = true
			return nil, time.Time{}, err
		}
		s.lost = false
		s.tally.Frame(1)
		answers = append(answers, strings.Trim(l.text, " "))
		if at.IsZero() {
			at = l.at
		}
	}
	return answers, at, nil
}

// answer waits for the answer to a plain query. An identity that comes now
// belongs to an earlier *IDN?.
func (s *session) answer(ctx context.Context, query string) (line, error) {
	deadline := time.NewTimer(s.options.Timeout)
	defer deadline.Stop()
	for {
		l, err := s.next(ctx, deadline.C, query)
		if err != nil || l.text != s.marker {
			return l, err
		}
		s.tally.Stray()
	}
}

// stepIn asks who is there and drops everything until the known answer:
// answers come in the order of the queries, so what follows it is fresh.
func (s *session) stepIn(ctx context.Context) error {
	s.lost = true
	if err := s.tell(ctx, "*IDN?"); err != nil {
		return err
	}
	deadline := time.NewTimer(s.options.Timeout)
	defer deadline.Stop()
	for {
		l, err := s.next(ctx, deadline.C, "*IDN?")
		if err != nil {
			return err
		}
		if l.text == s.marker {
			s.lost = false
			return nil
		}
		s.tally.Stray()
	}
}

// identify asks *IDN? until two answers running are the same, because the
// first ones may carry noise of switching on.
func (s *session) identify(ctx context.Context) error {
	if err := s.write(""); err != nil { // ends what the instrument may have received in part
		return err
	}
	const tries = 6
	silences, last, noise := 0, "", ""
	for range tries {
		if err := s.tell(ctx, "*IDN?"); err != nil {
			return err
		}
		text, err := s.firstIdentity(ctx, &noise)
		switch {
		case errors.Is(err, probe.ErrSilent):
			if silences++; silences == 2 {
				if noise != "" {
					return s.badIdentity(noise)
				}
				return err
			}
			continue
		case err != nil:
			return err
		}
		if text == last {
			s.marker, s.lost = text, true
			s.identity, _ = ParseIdentity(text)
			s.identity.Port, s.identity.Calibrated, s.identity.Certificate = s.conn.Name(), s.options.Calibrated, s.options.Certificate
			s.identity.Name = s.name()
			return nil
		}
		last = text
	}
	return s.badIdentity(noise + last)
}

// firstIdentity waits for a line that looks like an identity, and keeps the
// last other one as noise.
func (s *session) firstIdentity(ctx context.Context, noise *string) (string, error) {
	deadline := time.NewTimer(s.options.Timeout)
	defer deadline.Stop()
	for {
		l, err := s.next(ctx, deadline.C, "*IDN?")
		if err != nil {
			return "", err
		}
		if _, ok := ParseIdentity(l.text); ok {
			return l.text, nil
		}
		*noise = l.text
	}
}

func (s *session) badIdentity(what string) error {
	return s.refusal(probe.BadFrame, "the answer to *IDN? on port "+s.conn.Name()+" was "+show(what),
		"set the speed and parity that its menu shows, or choose another kind of instrument")
}

// badFrame is an answer that is none.
type badFrame struct{ text, query string }

func (b badFrame) Error() string { return "the answer to " + b.query + " was " + show(b.text) }

// refusal counts and makes a refusal, without asking the instrument.
func (s *session) refusal(reason probe.Reason, detail, do string) *probe.Refusal {
	s.tally.Refuse(reason)
	return &probe.Refusal{Source: s.name(), Reason: reason, Detail: detail, Do: do}
}

// refuse is refusal with what the instrument's error queue says about it.
func (s *session) refuse(ctx context.Context, reason probe.Reason, detail, do string) error {
	s.lost = s.lost || reason == probe.BadFrame
	r := s.refusal(reason, detail, do)
	entries, err := s.errorQueue(ctx)
	switch {
	case err != nil:
		s.doubt = true
		r.Detail += "; its error queue could not be read"
	case len(entries) > 0:
		r.Detail += "; it reports " + list(entries)
	}
	return r
}

// asRefusal turns an answer that is none into a refusal; other errors stay.
func (s *session) asRefusal(ctx context.Context, err error) error {
	var bad badFrame
	if !errors.As(err, &bad) {
		return err
	}
	do := "try again; if it comes back, check the lead and that the speed and parity are right"
	if !s.options.Plain {
		do += ", and set it to plain if it can't take joined commands"
	}
	return s.refuse(ctx, probe.BadFrame, bad.Error(), do)
}

// errorQueue reads SYST:ERR? until it is empty.
func (s *session) errorQueue(ctx context.Context) (entries []entry, err error) {
	if s.options.NoErrorQueue {
		return nil, nil
	}
	const most = 50 // more than any queue holds: then something else is wrong
	for range most {
		answers, _, err := s.ask(ctx, "SYST:ERR?")
		if err != nil {
			return entries, err
		}
		e, ok := parseEntry(answers[0])
		if !ok {
			return entries, badFrame{answers[0], "SYST:ERR?"}
		}
		if e.code == 0 {
			return entries, nil
		}
		entries = append(entries, e)
	}
	return entries, nil
}

// noErrors refuses when the error queue holds something after what was done.
func (s *session) noErrors(ctx context.Context, doing string) error {
	entries, err := s.errorQueue(ctx)
	if err != nil {
		return s.asQueueRefusal(err)
	}
	if len(entries) == 0 {
		return nil
	}
	return s.refusal(probe.InstrumentErr, doing+", it reports "+list(entries), "see its manual for these numbers")
}

// asQueueRefusal is asRefusal where the error queue itself is what failed.
func (s *session) asQueueRefusal(err error) error {
	var bad badFrame
	if errors.As(err, &bad) {
		s.lost = true
		do := "set it to no error queue if it has none"
		if !s.options.Plain {
			do += ", or to plain if it can't take joined commands"
		}
		return s.refusal(probe.BadFrame, bad.Error(), do)
	}
	return err
}

// clearDoubt reads why an earlier exchange failed. Entries -400 and below come
// of asking again before the answer was there: our own doing.
func (s *session) clearDoubt(ctx context.Context) error {
	if !s.doubt {
		return nil
	}
	entries, err := s.errorQueue(ctx)
	if err != nil {
		return s.asQueueRefusal(err)
	}
	s.doubt = false
	entries = slices.DeleteFunc(entries, func(e entry) bool { return e.code <= -400 && e.code > -500 })
	if len(entries) > 0 {
		return s.refusal(probe.InstrumentErr, "after the last try it reports "+list(entries), "see its manual for these numbers")
	}
	return nil
}

func list(entries []entry) string {
	texts := make([]string, len(entries))
	for i, e := range entries {
		texts[i] = e.String()
	}
	return strings.Join(texts, ", ")
}
