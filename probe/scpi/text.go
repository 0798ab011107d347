package scpi

import (
	"bytes"
	"strconv"
	"strings"

	"loomproof/probe"
)

// longestLine is where a line without an end is given up. The longest answer
// that is asked for is below 300 characters.
const longestLine = 4096

// cutLine takes the first line off the bytes that have come. Lines end with
// CR, LF or both.
func cutLine(p []byte) (line, rest []byte, ok bool) {
	end := bytes.IndexAny(p, "\r\n")
	if end < 0 {
		return nil, p, false
	}
	return p[:end], p[end+1:], true
}

// cutField takes the first answer off a line of answers, which semicolons
// part; a semicolon inside double quotes parts nothing.
func cutField(line string) (field, rest string, more bool) {
	quoted := false
	for i := range len(line) {
		switch {
		case line[i] == '"':
			quoted = !quoted
		case line[i] == ';' && !quoted:
			return line[:i], line[i+1:], true
		}
	}
	return line, "", false
}

// splitFields cuts a line into its answers, into the slice given.
func splitFields(into []string, line string) []string {
	for {
		field, rest, more := cutField(line)
		into = append(into, strings.Trim(field, " "))
		if !more {
			return into
		}
		line = rest
	}
}

// ParseIdentity reads the answer to *IDN?: maker, model, serial number and
// firmware (IEEE 488.2, 10.14). What is not printable before it is noise of
// switching on.
func ParseIdentity(line string) (probe.Identity, bool) {
	if i := strings.LastIndexFunc(line, func(r rune) bool { return r < ' ' || r > '~' }); i >= 0 {
		line = strings.TrimLeftFunc(line[i:], func(r rune) bool { return r < ' ' || r > '~' })
	}
	fields := strings.SplitN(line, ",", 4)
	if len(fields) != 4 {
		return probe.Identity{}, false
	}
	for i, f := range fields {
		fields[i] = strings.TrimSpace(f)
	}
	if fields[0] == "" && fields[1] == "" {
		return probe.Identity{}, false
	}
	return probe.Identity{Maker: fields[0], Model: fields[1], Serial: fields[2], Firmware: fields[3]}, true
}

// An entry is one error out of the instrument's queue.
type entry struct {
	code int
	text string
}

func (e entry) String() string { return strconv.Itoa(e.code) + " " + strconv.Quote(e.text) }

// parseEntry reads an answer to SYST:ERR?, as -113,"Undefined header".
func parseEntry(field string) (entry, bool) {
	number, text, found := strings.Cut(field, ",")
	code, err := strconv.Atoi(strings.TrimSpace(number))
	if err != nil || !found {
		return entry{}, false
	}
	text = strings.TrimSpace(text)
	if len(text) >= 2 && text[0] == '"' && text[len(text)-1] == '"' {
		text = strings.ReplaceAll(text[1:len(text)-1], `""`, `"`)
	}
	return entry{code, text}, true
}

// is tells whether a word of an instrument's answer names a mnemonic, in its
// short or its long form.
func is(word, short, long string) bool {
	return strings.EqualFold(word, short) || strings.EqualFold(word, long)
}

// show writes what came for a person: printable, and not too long.
func show(text string) string {
	const most = 80
	if len(text) > most {
		return strconv.Quote(text[:most]) + "..."
	}
	return strconv.Quote(text)
}
