package sandbox

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"strconv"

	"go.starlark.net/resolve"
	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"
)

// unknown gives all names that a script uses and that are not there, each with
// its place.
func unknown(err error) error {
	var list resolve.ErrorList
	if !errors.As(err, &list) {
		return nil
	}
	first := &Error{At: list[0].Pos.String(), Err: errors.New(list[0].Msg)}
	text := list[0].Msg
	for _, e := range list[1:] {
		text += fmt.Sprintf("\n%s: %s", e.Pos, e.Msg)
	}
	first.Err = errors.New(text)
	return first
}

// A value is a script's value on the pipe. One field is set; none is None.
type value struct {
	Bool   *bool            `json:"b,omitempty"`
	Int    *string          `json:"i,omitempty"`
	Float  *string          `json:"f,omitempty"` // as text: it may be infinite
	Text   *string          `json:"s,omitempty"`
	List   *[]value         `json:"l,omitempty"`
	Tuple  *[]value         `json:"t,omitempty"`
	Dict   *[][2]value      `json:"d,omitempty"`
	Record *recordOnThePipe `json:"r,omitempty"`
}

type recordOnThePipe struct {
	Kind   string           `json:"kind"`
	Fields map[string]value `json:"fields"`
}

// encode puts a value into the form for the pipe.
func encode(v starlark.Value, deep int) (value, error) {
	if deep > depth {
		return value{}, fmt.Errorf("lists in lists go deeper than %d", depth)
	}
	switch v := v.(type) {
	case starlark.NoneType:
		return value{}, nil
	case starlark.Bool:
		b := bool(v)
		return value{Bool: &b}, nil
	case starlark.Int:
		s := v.String()
		return value{Int: &s}, nil
	case starlark.Float:
		s := strconv.FormatFloat(float64(v), 'g', -1, 64)
		return value{Float: &s}, nil
	case starlark.String:
		s := string(v)
		return value{Text: &s}, nil
	case starlark.Tuple:
		l, err := encodeAll(v, deep)
		return value{Tuple: &l}, err
	case *starlark.Dict:
		pairs := make([][2]value, 0, v.Len())
		for _, item := range v.Items() {
			l, err := encodeAll(item, deep)
			if err != nil {
				return value{}, err
			}
			pairs = append(pairs, [2]value{l[0], l[1]})
		}
		return value{Dict: &pairs}, nil
	case *starlarkstruct.Struct:
		return encodeRecord(v, deep)
	case starlark.Sequence: // a list, a range: what a word takes as a list
		if v.Len() > length {
			return value{}, fmt.Errorf("a list of more than %d", length)
		}
		var items []starlark.Value
		for item := range starlark.Elements(v) {
			items = append(items, item)
		}
		l, err := encodeAll(items, deep)
		return value{List: &l}, err
	}
	return value{}, fmt.Errorf("a %s cannot be handed to a word", v.Type())
}

func encodeAll(vs []starlark.Value, deep int) ([]value, error) {
	out := make([]value, len(vs))
	for i, v := range vs {
		var err error
		if out[i], err = encode(v, deep+1); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func encodeRecord(v *starlarkstruct.Struct, deep int) (value, error) {
	kind, _ := starlark.AsString(v.Constructor())
	r := recordOnThePipe{Kind: kind, Fields: map[string]value{}}
	for _, name := range v.AttrNames() {
		field, err := v.Attr(name)
		if err != nil {
			return value{}, err
		}
		if r.Fields[name], err = encode(field, deep+1); err != nil {
			return value{}, err
		}
	}
	return value{Record: &r}, nil
}

// decode gives a value back, frozen: a word's answer is not for changing.
func decode(v value) (starlark.Value, error) {
	out, err := v.thaw()
	if err == nil {
		out.Freeze()
	}
	return out, err
}

func (v value) thaw() (starlark.Value, error) {
	switch {
	case v.Bool != nil:
		return starlark.Bool(*v.Bool), nil
	case v.Int != nil:
		n, ok := new(big.Int).SetString(*v.Int, 10)
		if !ok {
			return nil, fmt.Errorf("%q is no whole number", *v.Int)
		}
		return starlark.MakeBigInt(n), nil
	case v.Float != nil:
		f, err := strconv.ParseFloat(*v.Float, 64)
		return starlark.Float(f), err
	case v.Text != nil:
		return starlark.String(*v.Text), nil
	case v.List != nil:
		l, err := decodeAll(*v.List)
		return starlark.NewList(l), err
	case v.Tuple != nil:
		l, err := decodeAll(*v.Tuple)
		return starlark.Tuple(l), err
	case v.Dict != nil:
		d := starlark.NewDict(len(*v.Dict))
		for _, pair := range *v.Dict {
			kv, err := decodeAll(pair[:])
			if err != nil {
				return nil, err
			}
			if err := d.SetKey(kv[0], kv[1]); err != nil {
				return nil, err
			}
		}
		return d, nil
	case v.Record != nil:
		fields := starlark.StringDict{}
		for name, field := range v.Record.Fields {
			var err error
			if fields[name], err = field.thaw(); err != nil {
				return nil, err
			}
		}
		return starlarkstruct.FromStringDict(starlark.String(v.Record.Kind), fields), nil
	}
	return starlark.None, nil
}

func decodeAll(vs []value) ([]starlark.Value, error) {
	out := make([]starlark.Value, len(vs))
	for i, v := range vs {
		var err error
		if out[i], err = v.thaw(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// line is a message as one line of JSON.
func line(m any) ([]byte, error) {
	b, err := json.Marshal(m)
	if err == nil && len(b) > message {
		return nil, fmt.Errorf("too much for one call: %d bytes, %d are allowed", len(b), message)
	}
	return append(b, '\n'), err
}
