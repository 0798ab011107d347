// Package push sends the metrics to a server that cannot come and fetch them, by
// Prometheus remote write 1.0.
//
//	p, err := push.Open(push.Options{URL: "https://metrics.example/api/v1/write", Queue: "loomproof.push.db", Gatherer: e, Tell: tell})
//	e.MustRegister(p)
//	p.Run(ctx)
//
// What is gathered is put into a queue on disk first and leaves it when the server
// has taken it, so that hours without a network and a killed program lose nothing.
// It is sent in order, with the times at which it was gathered. A program that was
// killed between the server's yes and its own note sends one gathering again, with
// the same times and values, which a server takes for the same samples.
//
// The queue is bounded: beyond that the oldest is thrown away, counted and told.
// What the server refuses (a 4xx answer) is not sent again, and is counted and
// told; but an answer that blames the address, the token or the rate (401, 403,
// 404, 407, 408, 429) says nothing of what is sent, and throws nothing away. All
// else is tried again, less and less often, up to once in half a minute. Histograms go in their classic form. A series that ends is marked as ended, except
// over a restart of the program: then the server shows its last value for as long
// as it looks back, five minutes as a rule.
//
// Remote write 1.0: https://prometheus.io/docs/specs/prw/remote_write_spec/
package push

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/prometheus/client_golang/exp/api/remote"
	"github.com/prometheus/client_golang/prometheus"
)

// DefaultMost is how many bytes the queue may hold: some days of the usual series
// each fifteen seconds.
const DefaultMost = 256 << 20

// DefaultEvery is how often is gathered.
const DefaultEvery = 15 * time.Second

// How soon and how seldom a server that does not take it is tried again.
var defaultBackoff = remote.BackoffConfig{Min: time.Second, Max: 30 * time.Second}

// Options say what is sent where. URL, Queue, Gatherer and Tell are needed.
type Options struct {
	URL      string // where the server takes remote writes
	Access   Access
	Queue    string              // file of the queue
	Most     int64               // bytes that it may hold; 0 is [DefaultMost]
	Every    time.Duration       // 0 is [DefaultEvery]
	Labels   map[string]string   // of every series: job, instance
	Gatherer prometheus.Gatherer // what is sent
	Tell     func(string)        // says to a person what goes wrong, once, and when it is well again

	backoff remote.BackoffConfig
}

// A Push sends. It is a collector of its own metrics, too.
type Push struct {
	Options
	queue  *queue
	api    *remote.API
	status *lastStatus
	more   chan struct{} // holds a token when something was put into the queue
	before map[string]series

	mu      sync.Mutex
	sent    uint64
	retries uint64
	lost    map[string]uint64 // gatherings, by why
	success time.Time
	told    map[string]bool // kinds of trouble that were told and are not over
}

// Open opens the queue. One program at a time sends from a queue.
func Open(o Options) (*Push, error) {
	if o.Most == 0 {
		o.Most = DefaultMost
	}
	if o.Every == 0 {
		o.Every = DefaultEvery
	}
	if o.backoff == (remote.BackoffConfig{}) {
		o.backoff = defaultBackoff
	}
	client, status, err := o.Access.client(o.URL)
	if err != nil {
		return nil, err
	}
	p := &Push{Options: o, status: status, more: make(chan struct{}, 1), lost: map[string]uint64{whyFull: 0, whyRefused: 0, whyDisk: 0}, told: map[string]bool{}}
	p.api, err = remote.NewAPI(o.URL, remote.WithAPIPath(""), remote.WithAPIHTTPClient(client), remote.WithAPIBackoff(o.backoff))
	if err != nil {
		return nil, fmt.Errorf("pushing to %s: %w", o.URL, err)
	}
	if p.queue, err = openQueue(o.Queue); err != nil {
		return nil, err
	}
	return p, nil
}

// Close closes the queue. What it holds is sent by the next program.
func (p *Push) Close() error { return p.queue.Close() }

// Run gathers and sends until the context ends.
func (p *Push) Run(ctx context.Context) {
	var crew sync.WaitGroup
	crew.Go(func() { p.gathering(ctx) })
	crew.Go(func() { p.sending(ctx) })
	crew.Wait()
}

func (p *Push) gathering(ctx context.Context) {
	tick := time.NewTicker(p.Every)
	defer tick.Stop()
	for {
		p.gather(ctx, time.Now())
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// Why a gathering was lost.
const (
	whyFull    = "queue full"
	whyRefused = "refused"
	whyDisk    = "disk"
)

// gather puts what stands now into the queue.
func (p *Push) gather(ctx context.Context, at time.Time) {
	families, err := p.Gatherer.Gather()
	if err != nil && len(families) == 0 {
		p.lose(whyDisk, 1, "the metrics cannot be gathered: "+err.Error())
		return
	}
	now := flatten(families, p.Labels)
	body := encode(now, ended(p.before, now), at)
	dropped, err := p.queue.put(ctx, body, p.Most)
	if ctx.Err() != nil {
		return
	}
	if err != nil {
		p.lose(whyDisk, 1, err.Error())
		return
	}
	p.before = now
	if dropped > 0 {
		p.lose(whyFull, uint64(dropped), fmt.Sprintf("the queue %s is full: the oldest in it is thrown away from now on", p.Queue))
	}
	select {
	case p.more <- struct{}{}:
	default:
	}
}

func (p *Push) sending(ctx context.Context) {
	for {
		id, body, err := p.queue.oldest(ctx)
		if err == nil && body == nil {
			select {
			case <-p.more:
				continue
			case <-ctx.Done():
				return
			}
		}
		if err == nil {
			if !p.send(ctx, body) {
				return
			}
			err = p.queue.take(ctx, id)
		}
		if ctx.Err() != nil {
			return
		}
		if err != nil { // the disk: what was sent may be sent again
			p.tell(whyDisk, err.Error())
			if !p.pause(ctx) {
				return
			}
		}
	}
}

// pause waits before something is tried again; false when the context ends.
func (p *Push) pause(ctx context.Context) bool {
	wait := time.NewTimer(p.backoff.Max)
	defer wait.Stop()
	select {
	case <-wait.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// send sends until the server takes or refuses it; false when the context ends
// first.
func (p *Push) send(ctx context.Context, body []byte) bool {
	for {
		p.status.clear()
		_, err := p.api.Write(ctx, remote.WriteV1MessageType, encoded(body), remote.WithWriteRetryCallback(p.again))
		switch {
		case err == nil:
			p.well()
			return true
		case ctx.Err() != nil:
			return false
		case p.status.refused():
			p.lose(whyRefused, 1, fmt.Sprintf("%s refuses what is sent, which is not sent again: %v", p.URL, err))
			return true
		}
		p.again(err)
		if !p.pause(ctx) {
			return false
		}
	}
}

// again notes that something is to be tried again.
func (p *Push) again(err error) {
	if errors.Is(err, context.Canceled) {
		return
	}
	p.mu.Lock()
	p.retries++
	p.mu.Unlock()
	p.tell("away", fmt.Sprintf("%s does not take what is sent; it is kept in %s and tried again: %v", p.URL, p.Queue, err))
}

// well notes that the server has taken a gathering.
func (p *Push) well() {
	p.mu.Lock()
	p.sent++
	p.success = time.Now()
	troubled := len(p.told) > 0
	clear(p.told)
	p.mu.Unlock()
	if troubled {
		p.Tell("pushing: " + p.URL + " takes what is sent again")
	}
}

func (p *Push) lose(why string, n uint64, text string) {
	p.mu.Lock()
	p.lost[why] += n
	p.mu.Unlock()
	p.tell(why, text)
}

// tell says what goes wrong, once until it is over.
func (p *Push) tell(kind, text string) {
	p.mu.Lock()
	told := p.told[kind]
	p.told[kind] = true
	p.mu.Unlock()
	if !told {
		p.Tell("pushing: " + text)
	}
}

var (
	sent    = prometheus.NewDesc("loomproof_push_sent_total", "Gatherings that the server took.", nil, nil)
	retried = prometheus.NewDesc("loomproof_push_retries_total", "Times that sending failed and was tried again.", nil, nil)
	lost    = prometheus.NewDesc("loomproof_push_lost_total", "Gatherings that were lost, by why.", []string{"why"}, nil)
	waiting = prometheus.NewDesc("loomproof_push_queue_gatherings", "Gatherings on disk that the server has not taken yet.", nil, nil)
	held    = prometheus.NewDesc("loomproof_push_queue_bytes", "Their size.", nil, nil)
	last    = prometheus.NewDesc("loomproof_push_last_success_timestamp_seconds", "When the server last took a gathering.", nil, nil)
)

// Describe lists what is collected.
func (p *Push) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{sent, retried, lost, waiting, held, last} {
		ch <- d
	}
}

// Collect makes the metrics of this moment.
func (p *Push) Collect(ch chan<- prometheus.Metric) {
	send := func(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, kind, v, labels...)
	}
	n, bytes := p.queue.size()
	send(waiting, prometheus.GaugeValue, float64(n))
	send(held, prometheus.GaugeValue, float64(bytes))
	p.mu.Lock()
	defer p.mu.Unlock()
	send(sent, prometheus.CounterValue, float64(p.sent))
	send(retried, prometheus.CounterValue, float64(p.retries))
	for why, n := range p.lost {
		send(lost, prometheus.CounterValue, float64(n), why)
	}
	if !p.success.IsZero() {
		send(last, prometheus.GaugeValue, float64(p.success.UnixMilli())/1000)
	}
}
