//go:build !linux

package main

import "github.com/rogpeppe/go-internal/testscript"

func mainAtTheTestsDesk() { main() }

func plugIn(*testscript.Env) error { return nil }
