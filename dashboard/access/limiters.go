package access

import (
	"sync"

	"golang.org/x/time/rate"
)

// limiters are rate limiters by name, as many as may be kept.
type limiters struct {
	rate  rate.Limit
	burst int

	mu sync.Mutex
	by map[string]*rate.Limiter
}

// maxLimiters bounds the memory that strangers can make us use. When it is
// reached all begin anew, which gives each of them one more burst.
const maxLimiters = 1000

func newLimiters(r rate.Limit, burst int) *limiters {
	return &limiters{rate: r, burst: burst, by: map[string]*rate.Limiter{}}
}

func (l *limiters) of(name string) *rate.Limiter {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.by) >= maxLimiters {
		clear(l.by)
	}
	if l.by[name] == nil {
		l.by[name] = rate.NewLimiter(l.rate, l.burst)
	}
	return l.by[name]
}
