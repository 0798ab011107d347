package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// replacing is the flag of commands whose files can be made again. No command writes
// over a file that is there without it: a report of an earlier day is evidence, and
// what was written to start from has been worked on since.
type replacing struct {
	Replace bool `help:"Write over files that are there already."`
}

// free tells which of the files is there already, before any work is done.
func (r replacing) free(paths ...string) error {
	for _, path := range paths {
		if info, err := os.Stat(path); path != "" && err == nil && info.Mode().IsRegular() && !r.Replace {
			return fmt.Errorf("%w; or write over it with --replace", isThere(path))
		}
	}
	return nil
}

func isThere(path string) error {
	return fmt.Errorf("%s is there already and was left as it is; choose another name", path)
}

// write writes a file, whole or not at all; an empty path is none.
func (r replacing) write(path string, content func(io.Writer) error) error {
	if err := r.free(path); path == "" || err != nil {
		return err
	}
	info, err := os.Stat(path)
	switch {
	case err == nil && info.Mode().IsRegular():
		return overwrite(path, info.Mode().Perm(), content)
	case err == nil && !info.IsDir(): // a terminal, a pipe
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			return fmt.Errorf("it cannot be written: %w", err)
		}
		return errors.Join(content(f), f.Close())
	}
	return writeNew(path, content)
}

// overwrite puts a file in the place of one that stays whole until then.
func overwrite(path string, mode fs.FileMode, content func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*")
	if err != nil {
		return fmt.Errorf("it cannot be written: %w", err)
	}
	if err = errors.Join(content(f), f.Chmod(mode), f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		os.Remove(f.Name())
		return fmt.Errorf("%s was left as it was: %w", path, err)
	}
	return nil
}

// writeNew writes a file that is not there yet, whole or not at all.
func writeNew(path string, content func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return isThere(path)
	}
	if err != nil {
		return fmt.Errorf("it cannot be written: %w", err)
	}
	if err := errors.Join(content(f), f.Close()); err != nil {
		os.Remove(path) // half a file helps nobody
		return err
	}
	return nil
}

// bytesOf writes what is there already.
func bytesOf(content []byte) func(io.Writer) error {
	return func(w io.Writer) error { _, err := w.Write(content); return err }
}
