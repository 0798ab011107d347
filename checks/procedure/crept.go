package procedure

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"go.starlark.net/starlark"
)

// slCreptFirst puts circuits into the order in which to ask for them: those that
// crept since the worksheets before, first. The order is journalled, so that a
// worksheet that goes on asks as it began.
func (p *Performance) slCreptFirst(name string, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var circuits *starlark.List
	if err := starlark.UnpackArgs(name, args, kwargs, "circuits", &circuits); err != nil {
		return nil, err
	}
	var out struct {
		Names []string `json:"names"`
	}
	err := p.effect("crept", map[string]any{}, &out, func(context.Context) error {
		out.Names = p.Crept
		return nil
	})
	if err != nil {
		return nil, err
	}
	return creptFirst(circuits, out.Names)
}

// creptFirst puts values with names into an order; those not in it follow as they
// stand.
func creptFirst(list *starlark.List, names []string) (*starlark.List, error) {
	type placed struct {
		value starlark.Value
		at    int
	}
	var all []placed
	for i := range list.Len() {
		v := list.Index(i)
		named, ok := v.(starlark.HasAttrs)
		if !ok {
			return nil, fmt.Errorf("crept_first: %s has no name", v.Type())
		}
		n, err := named.Attr("name")
		text, ok := starlark.AsString(n)
		if err != nil || !ok {
			return nil, fmt.Errorf("crept_first: %s has no name", v.Type())
		}
		at := slices.Index(names, text)
		if at < 0 {
			at = len(names)
		}
		all = append(all, placed{v, at})
	}
	slices.SortStableFunc(all, func(a, b placed) int { return cmp.Compare(a.at, b.at) })
	values := make([]starlark.Value, len(all))
	for i, x := range all {
		values[i] = x.value
	}
	out := starlark.NewList(values)
	out.Freeze()
	return out, nil
}
