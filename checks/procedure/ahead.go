package procedure

import "slices"

// An ahead is what is likely to be asked, in order, and how far it has come.
type ahead struct {
	says  []string
	place int // of what was asked last
}

// Ahead tells the desk what will be asked if nothing is wrong, as a rehearsal
// found it, so that screens can show what comes next. What is asked beside it
// has nothing to come next, until the order is found again. Nil ends it.
func (d *Desk) Ahead(says []string) {
	d.change(func(v *View) {
		d.ahead = ahead{says: says}
		v.Next = d.ahead.after(v.Now.Say)
	})
}

// after is what is asked next after say, "" if that is not known.
func (a *ahead) after(say string) string {
	i := slices.Index(a.says[a.place:], say)
	if i >= 0 {
		i += a.place
	} else if i = slices.Index(a.says, say); i < 0 { // a step back: something is read again
		return ""
	}
	for j := i + 1; j < len(a.says); j++ {
		if a.says[j] != say {
			a.place = i
			return a.says[j]
		}
	}
	return ""
}
