package recorder

import (
	"slices"
	"sync"

	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
)

// liveStep is how long a bucket of what is shown live is, in seconds.
const liveStep = 0.02

// liveWaiting is how many batches wait for a listener that is slow, before it
// misses some.
const liveWaiting = 64

// A ChannelState is how it stands with one channel.
type ChannelState struct {
	Name    string         `json:"name"`
	Role    recording.Role `json:"role"`
	Where   string         `json:"where"`
	Unit    string         `json:"unit"`
	RateHz  float64        `json:"rate_hz"` // 0: no fixed rate
	Value   float64        `json:"value"`   // of the newest sample, in Unit
	Samples int64          `json:"samples"`
	Gaps    int            `json:"gaps"`
	Last    float64        `json:"last_s"` // time of the newest sample, since the begin
}

// A Block is what came of a channel, for a picture that follows: each point is
// the begin of a bucket in seconds since the recording's begin, and the least,
// the most and the mean in it. Times are good to some milliseconds; those in the
// logbook are better.
type Block struct {
	Recording int64        `json:"recording"`
	Channel   int          `json:"channel"`
	Step      float64      `json:"step"` // of a bucket, in seconds
	Points    [][4]float64 `json:"points"`
}

// A watched channel: its state and the bucket that fills.
type watched struct {
	ChannelState
	channel recording.Channel
	from    float64 // of the bucket
	n       int
	sum     float64
	least   float64
	most    float64
	points  [][4]float64
}

// A watching follows what is brought. One goroutine writes; any may ask.
type watching struct {
	mu      sync.Mutex
	streams []*watchedStream
}

type watchedStream struct {
	tickHz   float64
	channels []*watched
	begun    bool
	era      int
	until    int64   // tick after the last sample
	anchor   float64 // host's seconds less the device's, of this era
}

func newWatching(streams []store.Stream) *watching {
	w := &watching{}
	for _, st := range streams {
		s := &watchedStream{tickHz: st.TickHz}
		for _, c := range st.Channels {
			s.channels = append(s.channels, &watched{channel: c, ChannelState: ChannelState{Name: c.Name, Role: c.Role, Where: c.Where, Unit: c.Quantity.Unit(), RateHz: c.Rate}})
		}
		w.streams = append(w.streams, s)
	}
	return w
}

// see takes the newest values of what is only held.
func (w *watching) see(p piece) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for i, c := range w.streams[p.stream].channels {
		c.Value = c.channel.Value(p.Codes[i][len(p.Codes[i])-1])
	}
}

// take takes what is recorded; host is the time of its end in the recording.
func (w *watching) take(p piece, host float64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := w.streams[p.stream]
	n := len(p.Codes[0])
	end := p.Tick + int64(n)*p.Period
	missing := s.begun && p.Period > 0 && (p.Era != s.era || p.Tick > s.until+p.Period/2)
	if !s.begun || p.Era != s.era {
		s.anchor = host - float64(end)/s.tickHz
	}
	s.begun, s.era, s.until = true, p.Era, end
	for i, c := range s.channels {
		if missing {
			c.Gaps++
		}
		c.Samples += int64(n)
		for k, code := range p.Codes[i] {
			c.Last = s.anchor + float64(p.Tick+int64(k)*p.Period)/s.tickHz
			c.Value = c.channel.Value(code)
			c.fill()
		}
	}
}

// fill puts the newest sample into the bucket that it belongs to.
func (c *watched) fill() {
	if c.n > 0 && c.Last-c.from >= liveStep {
		c.closeBucket()
	}
	if c.n == 0 {
		c.from, c.least, c.most, c.sum = c.Last, c.Value, c.Value, 0
	}
	c.n++
	c.sum += c.Value
	c.least, c.most = min(c.least, c.Value), max(c.most, c.Value)
}

func (c *watched) closeBucket() {
	c.points = append(c.points, [4]float64{c.from, c.least, c.most, c.sum / float64(c.n)})
	c.n = 0
}

// states are those of all channels, in the order of the recording.
func (w *watching) states() (out []ChannelState) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, s := range w.streams {
		for _, c := range s.channels {
			out = append(out, c.ChannelState)
		}
	}
	return out
}

// blocks gives what has come since the last call.
func (w *watching) blocks(recording int64) (out []Block) {
	w.mu.Lock()
	defer w.mu.Unlock()
	number := 0
	for _, s := range w.streams {
		for _, c := range s.channels {
			if c.channel.Rate == 0 && c.n > 0 {
				c.closeBucket() // a reading now and then is shown as it comes
			}
			if len(c.points) > 0 {
				out = append(out, Block{recording, number, liveStep, slices.Clone(c.points)})
				c.points = c.points[:0]
			}
			number++
		}
	}
	return out
}
