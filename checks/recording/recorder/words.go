package recorder

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"loomproof/checks/recording"
	"loomproof/probe/sources"
)

// Words are the markers that mean something to the analysis, for people.
func Words() string {
	kinds := make([]string, 0, len(recording.Kinds()))
	for _, k := range recording.Kinds() {
		kinds = append(kinds, string(k))
	}
	return strings.Join(kinds, ", ")
}

// RoleNames are what a channel can be of, for people.
func RoleNames() string {
	roles := make([]string, 0, len(recording.Roles()))
	for _, r := range recording.Roles() {
		roles = append(roles, string(r))
	}
	return strings.Join(roles, ", ")
}

// Inputs finds the channels that people name as NAME=SOURCE/CHANNEL:ROLE, of which
// the role may be left out. With no names it takes all channels whose accuracy is
// stated. A name that is a role has it. The sources are open.
func Inputs(all []*sources.Source, named []string) ([]Input, error) {
	if len(named) == 0 {
		return everything(all), nil
	}
	var out []Input
	for _, text := range named {
		in, err := input(all, text)
		if err != nil {
			return nil, err
		}
		out = append(out, in)
	}
	return out, nil
}

func everything(all []*sources.Source) (out []Input) {
	times := map[string]int{}
	for _, s := range all {
		for _, ch := range s.Channels() {
			times[ch.Name]++
		}
	}
	for _, s := range all {
		for _, ch := range s.Channels() {
			if !s.HasAccuracy(ch.Name) {
				continue
			}
			name := ch.Name
			if times[name] > 1 {
				name = s.Name() + " " + name
			}
			in := Input{Name: name, Source: s, Channel: ch.Name}
			if r := roleNamed(ch.Name); r.Quantity() == ch.Quantity {
				in.Role = r
			}
			out = append(out, in)
		}
	}
	return out
}

func roleNamed(text string) recording.Role {
	for _, r := range recording.Roles() {
		if strings.EqualFold(strings.TrimSpace(text), string(r)) {
			return r
		}
	}
	return ""
}

func input(all []*sources.Source, text string) (Input, error) {
	name, place, ok := strings.Cut(text, "=")
	source, channel, ok2 := strings.Cut(place, "/")
	channel, role, hasRole := strings.Cut(channel, ":")
	in := Input{Name: strings.TrimSpace(name), Channel: strings.TrimSpace(channel), Role: roleNamed(name)}
	if !ok || !ok2 || in.Name == "" || in.Channel == "" {
		return in, fmt.Errorf("channel %q: write it like bus=board/main bus:bus voltage", text)
	}
	if hasRole {
		if in.Role = roleNamed(role); in.Role == "" {
			return in, fmt.Errorf("channel %q: %q is none of: %s", text, role, RoleNames())
		}
	}
	var names []string
	for _, s := range all {
		names = append(names, s.Name())
		if s.Name() == strings.TrimSpace(source) {
			in.Source = s
		}
	}
	if in.Source == nil {
		return in, fmt.Errorf("channel %q: there is no source %q; there are: %s", text, source, strings.Join(names, ", "))
	}
	var channels []string
	for _, ch := range in.Source.Channels() {
		channels = append(channels, ch.Name)
		if ch.Name != in.Channel {
			continue
		}
		if in.Role != "" && in.Role.Quantity() != ch.Quantity {
			return in, fmt.Errorf("channel %q: a %s is no %s", text, ch.Quantity, in.Role)
		}
		return in, nil
	}
	return in, fmt.Errorf("channel %q: source %s has no channel %q; it has %s", text, in.Source.Name(), in.Channel, strings.Join(channels, ", "))
}

// Roles reads what people say of columns: NAME=ROLE.
func Roles(named []string) (map[string]recording.Role, error) {
	out := map[string]recording.Role{}
	for _, text := range named {
		name, role, ok := strings.Cut(text, "=")
		if !ok || strings.TrimSpace(name) == "" {
			return nil, fmt.Errorf("channel %q: write it like amps=battery current", text)
		}
		r := roleNamed(role)
		if r == "" {
			return nil, fmt.Errorf("channel %q: %q is none of: %s", text, role, RoleNames())
		}
		out[strings.TrimSpace(name)] = r
	}
	return out, nil
}

// progressEvery is how often a person is told how it stands.
const progressEvery = 10 * time.Second

// Progress writes what a session tells and, now and then, how it stands.
type Progress struct {
	Out io.Writer

	mu   sync.Mutex
	last time.Time
}

// Tell writes a line.
func (p *Progress) Tell(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	fmt.Fprintf(p.Out, "%s  %s\n", time.Now().Format(time.TimeOnly), text)
}

// Kept writes how it stands, the first time and then every ten seconds.
func (p *Progress) Kept(s Status) {
	p.mu.Lock()
	since := time.Since(p.last)
	wanted := s.Finished || s.Samples > 0 && since >= progressEvery && (s.Room > 0 || since > 2*progressEvery)
	if wanted {
		p.last = time.Now()
	}
	p.mu.Unlock()
	if !wanted {
		return
	}
	text := fmt.Sprintf("recording %d: %s, %d samples on disk, %d markers", s.ID, Span(s.Elapsed.Seconds()), s.Samples, s.Markers)
	if s.Trouble != "" {
		text += fmt.Sprintf("; %d samples wait for room on the disk", s.Pending)
	} else if s.Room > 0 && !s.Finished {
		text += "; room for " + Span(s.Room.Seconds())
	}
	p.Tell(text)
}
