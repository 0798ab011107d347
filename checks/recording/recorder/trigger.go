package recorder

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"loomproof/checks/recording"
	"loomproof/checks/recording/store"
)

// A Trigger starts a recording when a sample of a channel passes a level.
type Trigger struct {
	Channel string // its name in the recording
	Above   bool   // else below
	Level   float64
	Unit    string

	stream, at int
	channel    recording.Channel
}

var triggerText = regexp.MustCompile(`^\s*(.+?)\s*([<>])\s*([-+]?[0-9]*[.,]?[0-9]+)\s*(\S*)\s*$`)

// ParseTrigger reads a trigger as people write it: bus < 11 V.
func ParseTrigger(text string) (*Trigger, error) {
	m := triggerText.FindStringSubmatch(text)
	if m == nil {
		return nil, fmt.Errorf("trigger %q: write it like \"bus < 11 V\"", text)
	}
	level, err := strconv.ParseFloat(strings.Replace(m[3], ",", ".", 1), 64)
	if err != nil {
		return nil, fmt.Errorf("trigger %q: %q is no number", text, m[3])
	}
	return &Trigger{Channel: m[1], Above: m[2] == ">", Level: level, Unit: m[4]}, nil
}

func (t *Trigger) String() string {
	sign := "<"
	if t.Above {
		sign = ">"
	}
	return strings.TrimSpace(fmt.Sprintf("%s %s %g %s", t.Channel, sign, t.Level, t.Unit))
}

// bind finds the channel.
func (t *Trigger) bind(streams []store.Stream) error {
	var names []string
	for i, st := range streams {
		for k, ch := range st.Channels {
			names = append(names, ch.Name)
			if !strings.EqualFold(ch.Name, t.Channel) {
				continue
			}
			if unit := ch.Quantity.Unit(); t.Unit != "" && t.Unit != unit {
				return fmt.Errorf("trigger %q: channel %s is in %s", t, ch.Name, unit)
			}
			t.stream, t.at, t.channel, t.Unit = i, k, ch, ch.Quantity.Unit()
			return nil
		}
	}
	return fmt.Errorf("trigger %q: there is no channel %q; there are: %s", t, t.Channel, strings.Join(names, ", "))
}

// passed says whether a piece holds a sample past the level.
func (t *Trigger) passed(p piece) bool {
	if p.stream != t.stream {
		return false
	}
	for _, code := range p.Codes[t.at] {
		if v := t.channel.Value(code); t.Above && v > t.Level || !t.Above && v < t.Level {
			return true
		}
	}
	return false
}
