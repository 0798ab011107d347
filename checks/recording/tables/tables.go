// Package tables writes recordings as tables for other programs, and reads those
// of others: CSV and Parquet.
//
//	err := tables.WriteCSV(file, rec, tables.All(rec))
//	err := tables.WriteParquet(file, rec, tables.All(rec))
//	m, err := tables.ReadParquet(file, size, tables.Options{Name: "run.parquet"})
//
// A table has a column time_s, in seconds since the recording's start, and one for
// each channel, with its unit: bus_V. Samples of one moment share a row; where a
// channel has none at that moment its cell is empty, or null. What is missing in the
// recording has no row. CSV has values to a millionth of the converter's step, Parquet
// as 64-bit floats.
package tables

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"

	"loomproof/checks/recording"
	"loomproof/probe"
)

// TimeColumn is the name of the first column.
const TimeColumn = "time_s"

// All are the indices of all channels of a recording.
func All(r recording.Recording) []int {
	out := make([]int, len(r.Channels()))
	for i := range out {
		out[i] = i
	}
	return out
}

// Named are the indices of the channels with these names; of all without any.
func Named(r recording.Recording, names []string) ([]int, error) {
	if len(names) == 0 {
		return All(r), nil
	}
	var have []string
	for _, c := range r.Channels() {
		have = append(have, c.Name)
	}
	var out []int
	for _, name := range names {
		i := slices.Index(have, name)
		if i < 0 {
			return nil, fmt.Errorf("there is no channel %q; there are: %s", name, strings.Join(have, ", "))
		}
		out = append(out, i)
	}
	return out, nil
}

// Column is the name of a channel's column.
func Column(c recording.Channel) string {
	name := strings.Map(func(r rune) rune {
		if strings.ContainsRune(" ,;\t\n\"", r) {
			return '_'
		}
		return r
	}, c.Name)
	return name + "_" + unitName(c.Quantity)
}

// unitName is a unit in letters that every program takes in a column's name.
func unitName(q probe.Quantity) string {
	switch q {
	case probe.Resistance:
		return "ohm"
	case probe.Temperature:
		return "C"
	}
	return q.Unit()
}

// sameMoment is how far apart samples of one row may be, in seconds: what rounding
// leaves between channels whose blocks begin at different times.
const sameMoment = 1e-9

// A Row is the samples of one moment. Cells without a sample are NaN.
type Row struct {
	Time  float64
	Cells []float64
}

// Rows are the rows of channels, in the order of time. A row is good until the next
// one is asked for.
func Rows(r recording.Recording, channels []int) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		readers := make([]*reader, len(channels))
		for i, c := range channels {
			readers[i] = newReader(r, c)
			defer readers[i].stop()
		}
		row := Row{Cells: make([]float64, len(channels))}
		for {
			row.Time = math.Inf(1)
			for _, x := range readers {
				if x.err != nil {
					yield(Row{}, x.err)
					return
				}
				row.Time = min(row.Time, x.at)
			}
			if math.IsInf(row.Time, 1) {
				return
			}
			for i, x := range readers {
				row.Cells[i] = math.NaN()
				if x.at-row.Time < sameMoment {
					row.Cells[i] = x.value
					x.step()
				}
			}
			if !yield(row, nil) {
				return
			}
		}
	}
}

// A reader stands at one sample of a channel; at the end its time is infinite.
type reader struct {
	channel recording.Channel
	next    func() (recording.Block, error, bool)
	stop    func()
	block   recording.Block
	i       int
	at      float64
	value   float64
	err     error
}

func newReader(r recording.Recording, channel int) *reader {
	x := &reader{channel: r.Channels()[channel]}
	x.next, x.stop = iter.Pull2(r.Blocks(channel, math.Inf(-1), math.Inf(1)))
	x.step()
	return x
}

func (x *reader) step() {
	for x.i == len(x.block.Codes) {
		b, err, ok := x.next()
		if !ok || err != nil {
			x.at, x.err = math.Inf(1), err
			return
		}
		x.block, x.i = b, 0
	}
	x.at, x.value = x.block.At(x.i), x.channel.Value(x.block.Codes[x.i])
	x.i++
}

// WriteCSV writes channels as CSV (RFC 4180), with decimal points and commas.
func WriteCSV(w io.Writer, r recording.Recording, channels []int) error {
	out := bufio.NewWriterSize(w, 1<<16)
	out.WriteString(TimeColumn)
	for _, c := range channels {
		fmt.Fprintf(out, ",%s", Column(r.Channels()[c]))
	}
	out.WriteString("\r\n")
	decimals := make([]int, len(channels))
	for i, c := range channels {
		decimals[i] = max(0, int(math.Ceil(-math.Log10(r.Channels()[c].Scale)))+6)
	}
	var line []byte
	for row, err := range Rows(r, channels) {
		if err != nil {
			return err
		}
		line = strconv.AppendFloat(line[:0], row.Time, 'f', 9, 64)
		for i, v := range row.Cells {
			line = append(line, ',')
			if !math.IsNaN(v) {
				line = trimZeros(strconv.AppendFloat(line, v, 'f', decimals[i], 64))
			}
		}
		line = append(line, '\r', '\n')
		if _, err := out.Write(line); err != nil {
			return err
		}
	}
	return out.Flush()
}

// trimZeros takes needless decimals off.
func trimZeros(number []byte) []byte {
	if !bytes.ContainsRune(number[bytes.LastIndexByte(number, ',')+1:], '.') {
		return number
	}
	return bytes.TrimSuffix(bytes.TrimRight(number, "0"), []byte("."))
}
