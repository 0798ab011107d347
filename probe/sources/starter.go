package sources

import _ "embed"

//go:embed starter.yaml
var starter []byte

// Starter is a commented source file to start from.
func Starter() []byte { return append([]byte(nil), starter...) }
