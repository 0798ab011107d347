package tables

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/format"

	"loomproof/checks/recording"
	"loomproof/checks/recording/csvlog"
)

// ReadCSV reads a log as package csvlog does. With a rate above 0, in samples a
// second, the file has no column of time.
func ReadCSV(r io.Reader, rate float64, o csvlog.Options) (*recording.Memory, error) {
	if rate == 0 {
		return csvlog.Read(r, o)
	}
	return piped(func(w io.Writer) error { return withTimes(w, r, rate) }, o)
}

// piped reads as CSV what write writes.
func piped(write func(io.Writer) error, o csvlog.Options) (*recording.Memory, error) {
	in, out := io.Pipe()
	written := make(chan error, 1)
	go func() {
		w := bufio.NewWriterSize(out, 1<<16)
		err := write(w)
		if err == nil {
			err = w.Flush()
		}
		out.CloseWithError(err)
		written <- err
	}()
	m, err := csvlog.Read(in, o)
	in.CloseWithError(io.ErrClosedPipe)
	if failed := <-written; failed != nil && !errors.Is(failed, io.ErrClosedPipe) {
		return nil, fmt.Errorf("%s: %w", o.Name, failed)
	}
	return m, err
}

// withTimes puts a column of time before each line.
func withTimes(w io.Writer, r io.Reader, rate float64) error {
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, 1<<20)
	for i := -1; lines.Scan(); {
		line := bytes.TrimPrefix(lines.Bytes(), []byte("\ufeff"))
		if len(bytes.TrimSpace(line)) == 0 || line[0] == '#' {
			fmt.Fprintf(w, "%s\n", line)
			continue
		}
		comma := "," // as csvlog finds it
		for _, c := range []string{"\t", ";"} {
			if bytes.Contains(line, []byte(c)) {
				comma = c
				break
			}
		}
		time := TimeColumn
		if i >= 0 {
			time = strconv.FormatFloat(float64(i)/rate, 'f', 9, 64)
		}
		if _, err := fmt.Fprintf(w, "%s%s%s\n", time, comma, line); err != nil {
			return err
		}
		i++
	}
	return lines.Err()
}

// ReadParquet reads a log in Parquet: its first column is the time, in seconds or as a
// timestamp, the others are numbers. What stands in csvlog about headings, units and
// roles counts here, too. Errors give the row as a line, the headings being line 1.
func ReadParquet(r io.ReaderAt, size int64, rate float64, o csvlog.Options) (*recording.Memory, error) {
	f, err := parquet.OpenFile(r, size)
	if err != nil {
		return nil, fmt.Errorf("%s: it is no Parquet file, or is damaged: %w", o.Name, err)
	}
	columns, err := columnsOf(f, rate)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", o.Name, err)
	}
	return piped(func(w io.Writer) error { return transcribe(w, f, columns, rate) }, o)
}

// A column writes its values as text.
type column struct {
	name string
	text func(line []byte, v parquet.Value) []byte
}

func columnsOf(f *parquet.File, rate float64) ([]column, error) {
	var start time.Time
	if text, ok := f.Lookup(metaStart); ok {
		start, _ = time.Parse(time.RFC3339Nano, text)
	}
	var out []column
	for i, field := range f.Schema().Fields() {
		if !field.Leaf() || field.Repeated() {
			return nil, fmt.Errorf("column %d, %s: it holds lists or groups; a log has one number in each cell", i+1, field.Name())
		}
		c := column{name: field.Name()}
		if strings.ContainsAny(c.name, ",\"\n\r") {
			return nil, fmt.Errorf("column %d, %q: take the comma or quote out of its name", i+1, c.name)
		}
		kind := field.Type()
		stamp, plain := meaning(kind)
		switch {
		case stamp > 0:
			c.text = func(line []byte, v parquet.Value) []byte {
				return time.Unix(0, v.Int64()*int64(stamp)).UTC().AppendFormat(line, time.RFC3339Nano)
			}
		case !plain:
			return nil, fmt.Errorf("column %d, %s: %s is not read; leave the column out, or write it as 64-bit floats", i+1, c.name, kind)
		case kind.Kind() == parquet.Double && i == 0 && rate == 0 && !start.IsZero():
			c.text = func(line []byte, v parquet.Value) []byte {
				return start.Add(time.Duration(v.Double()*1e9)).AppendFormat(line, time.RFC3339Nano)
			}
		case kind.Kind() == parquet.Double:
			c.text = func(line []byte, v parquet.Value) []byte { return strconv.AppendFloat(line, v.Double(), 'f', -1, 64) }
		case kind.Kind() == parquet.Float:
			c.text = func(line []byte, v parquet.Value) []byte {
				return strconv.AppendFloat(line, float64(v.Float()), 'f', -1, 32)
			}
		case kind.Kind() == parquet.Int64:
			c.text = func(line []byte, v parquet.Value) []byte { return strconv.AppendInt(line, v.Int64(), 10) }
		case kind.Kind() == parquet.Int32:
			c.text = func(line []byte, v parquet.Value) []byte { return strconv.AppendInt(line, int64(v.Int32()), 10) }
		default:
			return nil, fmt.Errorf("column %d, %s: %s is no number; leave the column out", i+1, c.name, kind)
		}
		out = append(out, c)
	}
	return out, nil
}

// meaning says whether a column is plain numbers, or timestamps of which unit.
func meaning(kind parquet.Type) (stamp time.Duration, plain bool) {
	logical := kind.LogicalType()
	if logical == nil {
		return 0, true
	}
	switch v := logical.Value.(type) {
	case *format.TimestampType:
		return v.Unit.Value.Duration(), false
	case *format.IntType:
		return 0, true
	}
	return 0, false
}

// transcribe writes the file as CSV.
func transcribe(w io.Writer, f *parquet.File, columns []column, rate float64) error {
	var line []byte
	if rate > 0 {
		line = append(line, TimeColumn...)
	}
	for i, c := range columns {
		if i > 0 || rate > 0 {
			line = append(line, ',')
		}
		line = append(line, c.name...)
	}
	if _, err := w.Write(append(line, '\n')); err != nil {
		return err
	}
	n := 0
	rows := make([]parquet.Row, 256)
	for _, group := range f.RowGroups() {
		in := group.Rows()
		for {
			got, err := in.ReadRows(rows)
			for _, row := range rows[:got] {
				line = line[:0]
				if rate > 0 {
					line = append(strconv.AppendFloat(line, float64(n)/rate, 'f', 9, 64), ',')
				}
				for i, v := range row {
					if i > 0 {
						line = append(line, ',')
					}
					if !v.IsNull() {
						line = columns[v.Column()].text(line, v)
					}
				}
				n++
				if _, err := w.Write(append(line, '\n')); err != nil {
					return errors.Join(err, in.Close())
				}
			}
			if err == io.EOF {
				break
			}
			if err != nil {
				return errors.Join(fmt.Errorf("row %d: %w", n+1, err), in.Close())
			}
		}
		if err := in.Close(); err != nil {
			return err
		}
	}
	return nil
}
