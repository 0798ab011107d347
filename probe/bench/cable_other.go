//go:build !unix

package bench

func newWay() (way, error) { return newMemoryWay(), nil }
