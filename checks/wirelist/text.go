package wirelist

import (
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"errors"
	"io"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// A cell is one field of the list and where it stands.
type cell struct {
	text         string
	line, column int
}

// A record is one row of the list.
type record []cell

// raw is the row as it is kept in a comment, without empty cells at its end.
func (r record) raw() string {
	parts := make([]string, len(r))
	last := 0
	for i, c := range r {
		parts[i] = oneLine(c.text)
		if parts[i] != "" {
			last = i + 1
		}
	}
	return strings.Join(parts[:last], " | ")
}

// filled counts the cells that have something in them.
func (r record) filled() (n int) {
	for _, c := range r {
		if strings.TrimSpace(c.text) != "" {
			n++
		}
	}
	return n
}

// oneLine keeps what can stand in a comment of one line.
func oneLine(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool { return r == utf8.RuneError || unicode.IsSpace(r) || !unicode.IsPrint(r) }), " ")
}

// decodeText turns the file's bytes into text with plain line ends. Latin-1 is
// what old spreadsheets write where they do not write Unicode; latin tells it.
func decodeText(b []byte) (text string, latin bool, err error) {
	switch {
	case bytes.HasPrefix(b, []byte("PK\x03\x04")), bytes.HasPrefix(b, []byte("\xd0\xcf\x11\xe0")):
		return "", false, errors.New("this is a workbook, not a text file: open it in the spreadsheet program and save the sheet as CSV")
	case bytes.HasPrefix(b, []byte("\xff\xfe")):
		text = fromUTF16(b[2:], binary.LittleEndian)
	case bytes.HasPrefix(b, []byte("\xfe\xff")):
		text = fromUTF16(b[2:], binary.BigEndian)
	case bytes.IndexByte(b, 0) >= 0:
		return "", false, errors.New("this is not a text file: save the sheet as CSV")
	case utf8.Valid(b):
		text = strings.TrimPrefix(string(b), "\ufeff")
	default:
		runes := make([]rune, len(b))
		for i, c := range b {
			runes[i] = rune(c)
		}
		text, latin = string(runes), true
	}
	return strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(text), latin, nil
}

func fromUTF16(b []byte, order binary.ByteOrder) string {
	units := make([]uint16, len(b)/2)
	for i := range units {
		units[i] = order.Uint16(b[2*i:])
	}
	return string(utf16.Decode(units))
}

// separators are what may stand between columns.
var separators = []rune{'\t', ';', ',', '|'}

// split reads the rows. The reader is a lenient one: it takes a quote within a
// cell as it is, since 72" is a length.
func split(text string, separator rune) []record {
	r := csv.NewReader(strings.NewReader(text))
	r.Comma, r.FieldsPerRecord, r.LazyQuotes, r.ReuseRecord = separator, -1, true, true
	var out []record
	for {
		fields, err := r.Read()
		if errors.Is(err, io.EOF) || err != nil && fields == nil {
			return out
		}
		rec := make(record, len(fields))
		for i, f := range fields {
			rec[i].text = f
			rec[i].line, rec[i].column = r.FieldPos(i)
		}
		out = append(out, rec)
	}
}
