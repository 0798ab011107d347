package faultfind

import (
	_ "embed"
	"fmt"
	"os"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

//go:embed rates.yaml
var usualRates []byte

// Rates say how common each kind of fault is at one place, before anything is
// measured: probabilities above 0 and at most 0.5, by the names in rates.yaml.
type Rates map[string]float64

// Usual are the rates of rates.yaml: common practice, no published source.
func Usual() Rates {
	r := Rates{}
	if err := yaml.Unmarshal(usualRates, &r); err != nil {
		panic("faultfind: rates.yaml: " + err.Error())
	}
	return r
}

// ReadRates reads a file of rates. What it does not name keeps its usual rate.
func ReadRates(path string) (Rates, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("rates: %w", err)
	}
	given := Rates{}
	if err := yaml.Unmarshal(text, &given); err != nil {
		return nil, fmt.Errorf("rates %s: %w; write lines like \"joint: 0.002\"", path, err)
	}
	r := Usual()
	var known []string
	for name := range r {
		known = append(known, name)
	}
	slices.Sort(known)
	for name, v := range given {
		if _, ok := r[name]; !ok {
			return nil, fmt.Errorf("rates %s: there is no kind %q; there are: %s", path, name, strings.Join(known, ", "))
		}
		if !(v > 0 && v <= 0.5) {
			return nil, fmt.Errorf("rates %s: %s is %v; a rate is above 0 and at most 0.5", path, name, v)
		}
		r[name] = v
	}
	return r, nil
}
