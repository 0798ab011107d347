package main

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"loomproof/dashboard/metrics/push"
	"loomproof/dashboard/station"
)

// pushing are the flags that send the metrics to a server.
type pushing struct {
	Push        string        `placeholder:"URL" help:"Send the metrics to this server, too, by Prometheus remote write: https://metrics.example/api/v1/write."`
	PushEvery   time.Duration `default:"15s" help:"How often."`
	PushToken   string        `type:"path" placeholder:"FILE" help:"File with the bearer token to send with."`
	PushHeaders string        `type:"path" placeholder:"FILE" help:"File with headers to send with, one a line: X-Scope: hangar."`
	PushCA      string        `name:"push-ca" type:"path" placeholder:"FILE" help:"Certificates to trust, besides the system's."`
	PushQueue   string        `type:"path" placeholder:"FILE" help:"Where what could not be sent yet is kept. Default: beside the logbook, NAME.push.db."`
	PushMost    int64         `default:"256" placeholder:"MB" help:"The most that is kept there, in megabytes; beyond that the oldest is thrown away."`
}

// checkPush tells what is wrong with the flags.
func (p pushing) checkPush() error {
	switch {
	case p.Push == "":
		return nil
	case p.PushEvery <= 0:
		return usage{fmt.Errorf("--push-every %v: write a time above 0, as 15s", p.PushEvery)}
	case p.PushMost <= 0:
		return usage{fmt.Errorf("--push-most %d: write how many megabytes may be kept, 1 at least", p.PushMost)}
	}
	if err := p.access().Check(p.Push); err != nil {
		return usage{fmt.Errorf("--push %w", err)}
	}
	return nil
}

func (p pushing) access() push.Access {
	return push.Access{Token: p.PushToken, Headers: p.PushHeaders, CA: p.PushCA}
}

// start begins to push, until done is called.
func (p pushing) start(w *world, s *station.Station) (done func(), err error) {
	if p.Push == "" {
		return func() {}, nil
	}
	path := s.Book.Path()
	host, _ := os.Hostname()
	told := sync.Mutex{}
	out, err := push.Open(push.Options{
		URL: p.Push, Access: p.access(),
		Queue: cmp.Or(p.PushQueue, strings.TrimSuffix(path, filepath.Ext(path))+".push.db"),
		Most:  p.PushMost << 20, Every: p.PushEvery, Gatherer: s.Metrics(),
		Labels: map[string]string{"job": "loomproof", "instance": cmp.Or(host, "loomproof")},
		Tell: func(text string) {
			told.Lock()
			defer told.Unlock()
			fmt.Fprintln(w.err, "loomproof:", text)
		},
	})
	if err != nil {
		return nil, err
	}
	s.Metrics().MustRegister(out)
	stopped := make(chan struct{})
	ctx, stop := context.WithCancel(w.ctx)
	go func() { defer close(stopped); out.Run(ctx) }()
	return func() { stop(); <-stopped; out.Close() }, nil
}
