// Package watch shows live readings: in large digits on a terminal, a line each
// where there is none, or as JSON for scripts.
//
//	err := watch.Run(ctx, watch.Options{Sources: sources, Out: os.Stdout, Width: width})
//
// The screen has for each channel the reading, its least, mean and most, its place
// between limits, its rate, and why there is no fresh one. It is drawn for 40 to
// 200 columns. No colour says what a word does not.
//
// # The lines for scripts
//
// With JSON there is one object a line; see [Line]. Fields may be added; what is
// there keeps its meaning.
package watch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"loomproof/probe"
)

// A Watched is one channel to watch.
type Watched struct {
	Source  probe.Source
	Name    string // of the source
	Channel string // empty for the first that it has
}

// Options say what to watch and how to show it.
type Options struct {
	Watched []Watched
	Limits  Limits
	Out     io.Writer
	JSON    bool
	Live    bool       // Out is a terminal: draw a screen and draw it again
	Colour  bool       // of the screen
	Width   func() int // columns of the terminal now; nil for 80
	Keys    <-chan byte
	Count   int           // end after so many readings of each channel; 0 goes on
	For     time.Duration // end after so long; 0 goes on
}

// A Line is what a script reads: a reading, a refusal, or why there is nothing.
// Value and uncertainty are in the SI unit named.
type Line struct {
	At          time.Time `json:"at"`
	Source      string    `json:"source"`
	Channel     string    `json:"channel"`
	Quantity    string    `json:"quantity,omitempty"`
	Value       *float64  `json:"value"` // null when there is no reading
	Unit        string    `json:"unit,omitempty"`
	Uncertainty *float64  `json:"uncertainty,omitempty"` // expanded, k = 2; not there when no accuracy is stated
	Limits      string    `json:"limits,omitempty"`      // inside, BELOW or ABOVE, where there are limits
	Refused     string    `json:"refused,omitempty"`     // why what came is no reading: one of a closed list
	Trouble     string    `json:"trouble,omitempty"`     // what is wrong, and what to do
}

// redrawEvery is how often a screen is drawn: as often as an eye can follow.
const redrawEvery = 100 * time.Millisecond

// A result is what one read brought.
type result struct {
	at      time.Time
	channel string
	r       probe.Reading
	err     error
	to      *panel
}

// ErrNothing is what Run returns when something that was watched gave no reading.
var ErrNothing = errors.New("not all that was watched gave a reading")

// Run watches until the context ends, the count or the time is reached, or a key
// ends it.
func Run(ctx context.Context, o Options) error {
	if o.For > 0 {
		var stop context.CancelFunc
		ctx, stop = context.WithTimeout(ctx, o.For)
		defer stop()
	}
	ctx, stop := context.WithCancel(ctx)
	results := make(chan result)
	var readers sync.WaitGroup
	defer readers.Wait()
	defer stop()
	var panels []*panel
	for _, w := range o.Watched {
		p := &panel{source: w.Name, channel: w.Channel, limits: o.Limits}
		panels = append(panels, p)
		readers.Go(func() { read(ctx, w, p, o.Count, results) })
	}
	all := make(chan struct{})
	go func() { readers.Wait(); close(all) }()
	if err := show(ctx, o, panels, results, all); err != nil {
		return err
	}
	for _, p := range panels {
		if !p.have {
			return ErrNothing
		}
	}
	return nil
}

// read reads one channel, again and again.
func read(ctx context.Context, w Watched, p *panel, count int, results chan<- result) {
	channel := w.Channel
	for given := 0; count == 0 || given < count; {
		r, err := next(ctx, w.Source, &channel)
		if ctx.Err() != nil {
			return
		}
		if err == nil {
			given++
		}
		select {
		case results <- result{time.Now(), channel, r, err, p}:
		case <-ctx.Done():
			return
		}
		if err != nil && !pause(ctx, err) {
			return
		}
	}
}

// next reads once. Where no channel was named it opens the source first, to take
// its first one.
func next(ctx context.Context, s probe.Source, channel *string) (probe.Reading, error) {
	if *channel == "" {
		if opener, ok := s.(interface{ Open(context.Context) error }); ok {
			if err := opener.Open(ctx); err != nil {
				return probe.Reading{}, err
			}
		}
		all := s.Channels()
		if len(all) == 0 {
			return probe.Reading{}, fmt.Errorf("%s: it has no channels: %w", s.Identity().Name, probe.ErrSilent)
		}
		*channel = all[0].Name
	}
	return s.Read(ctx, *channel)
}

// afterTrouble keeps a source that refuses at once from being asked too often.
const afterTrouble = 100 * time.Millisecond

func pause(ctx context.Context, err error) bool {
	if errors.Is(err, probe.ErrSilent) {
		return ctx.Err() == nil // it has waited already
	}
	t := time.NewTimer(afterTrouble)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// show takes results and keys, and writes.
func show(ctx context.Context, o Options, panels []*panel, results <-chan result, all <-chan struct{}) error {
	tick := time.NewTicker(redrawEvery)
	defer tick.Stop()
	if o.Live {
		fmt.Fprint(o.Out, "\x1b[?1049h\x1b[?25l") // a screen of its own, no cursor
		defer func() {
			fmt.Fprint(o.Out, "\x1b[?25h\x1b[?1049l")
			o.last(panels)
		}()
	}
	said := map[*panel]string{}
	for {
		select {
		case r := <-results:
			r.to.channel = r.channel
			r.to.take(r.r, r.err)
			if err := o.write(r, said); err != nil {
				return err
			}
		case k := <-o.Keys:
			switch k {
			case 'q', 'Q', 3, 4: // control-C and control-D come as bytes
				return nil
			case 'r', 'R':
				each(panels, (*panel).reset)
			case ' ':
				each(panels, (*panel).mark)
			}
		case <-tick.C:
			if err := o.draw(panels); err != nil {
				return err
			}
		case <-all:
			return nil
		case <-ctx.Done():
			return nil
		}
	}
}

func each(panels []*panel, do func(*panel)) {
	for _, p := range panels {
		do(p)
	}
}

// write writes one result where there is no screen. The same trouble is told once.
func (o Options) write(r result, said map[*panel]string) error {
	if o.Live {
		return nil
	}
	var err error
	switch {
	case o.JSON:
		err = json.NewEncoder(o.Out).Encode(lineOf(r))
	case r.err == nil:
		_, err = fmt.Fprintf(o.Out, "%s  %s  %s  %s%s\n", r.at.Format("15:04:05.000"), r.to.source, r.to.channel, r.to.written(r.r.Value), spaced(r.to))
	case said[r.to] != r.to.trouble:
		_, err = fmt.Fprintf(o.Out, "%s  %s  %s  ! %s\n", r.at.Format("15:04:05.000"), r.to.source, r.to.channel, r.to.trouble)
	}
	said[r.to] = r.to.trouble
	return err
}

func spaced(p *panel) string {
	if word, _ := p.verdict(); word != "" {
		return "  " + word
	}
	return ""
}

func lineOf(r result) Line {
	l := Line{At: r.at.UTC(), Source: r.to.source, Channel: r.to.channel, Trouble: r.to.trouble}
	var refused *probe.Refusal
	if errors.As(r.err, &refused) {
		l.Refused = string(refused.Reason)
	}
	if r.err != nil {
		return l
	}
	l.At, l.Quantity, l.Value, l.Unit = r.r.At.UTC(), string(r.r.Quantity), &r.r.Value, r.r.Quantity.Unit()
	if u := 2 * r.r.Uncertainty(); u > 0 {
		l.Uncertainty = &u
	}
	l.Limits, _ = r.to.verdict()
	return l
}

func (o Options) draw(panels []*panel) error {
	if !o.Live {
		return nil
	}
	width := 80
	if o.Width != nil {
		width = o.Width()
	}
	lines := screen(panels, width, ink{o.Colour})
	_, err := io.WriteString(o.Out, "\x1b[H"+strings.Join(lines, "\x1b[K\r\n")+"\x1b[K\x1b[J")
	return err
}

// last leaves on the terminal what was seen, once the screen is gone.
func (o Options) last(panels []*panel) {
	for _, p := range panels {
		if p.count > 0 {
			fmt.Fprintf(o.Out, "%s  %s: last %s, least %s, mean %s, most %s, of %d readings\r\n", p.source, p.channel,
				p.written(p.last.Value), p.number(p.least), p.number(p.mean()), p.written(p.most), p.count)
		}
		for _, m := range p.marks {
			fmt.Fprintf(o.Out, "  mark %s\r\n", m)
		}
		if p.trouble != "" {
			fmt.Fprintf(o.Out, "%s  %s: %s\r\n", p.source, p.channel, p.trouble)
		}
	}
}
