package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"

	"roundsman/configs"
	"roundsman/exporter"
)

const (
	// shortestKey cannot be guessed over a network; 'openssl rand -hex 16' gives twice as many letters.
	shortestKey = 16
	longestKey  = 1 << 10
)

// readPeople returns those who may act, with their keys read from their files; a relative file lies beside the site
// file at path. Whose key cannot be used is left out, never let in without one; the error says why, for all of them.
func readPeople(people []configs.Person, path string) ([]exporter.Person, error) {
	var out []exporter.Person
	var errs []error
	for _, p := range people {
		person := exporter.Person{ID: p.ID, Name: p.Name}
		if p.KeyFile != "" {
			var err error
			if person.Key, err = readKey(beside(path, p.KeyFile)); err != nil {
				errs = append(errs, fmt.Errorf("%s: %w", p.ID, err))
				continue
			}
		}
		out = append(out, person)
	}
	return out, errors.Join(errs...)
}

// readKey reads a key from a file that nobody else can read.
func readKey(path string) (exporter.Secret, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0) // a pipe must not make us wait
	if err != nil {
		return "", fmt.Errorf("key-file %s: %w", path, reasonOf(err))
	}
	defer f.Close()
	if err := private(f); err != nil {
		return "", fmt.Errorf("key-file %s: %w", path, err)
	}
	text, err := io.ReadAll(io.LimitReader(f, longestKey+1))
	if err != nil {
		return "", fmt.Errorf("key-file %s: %w", path, reasonOf(err))
	}
	key := bytes.TrimSpace(text)
	switch {
	case len(text) > longestKey:
		return "", fmt.Errorf("key-file %s: it has more than %d bytes", path, longestKey)
	case len(key) < shortestKey:
		return "", fmt.Errorf("key-file %s: the key has %d letters, fewer than %d", path, len(key), shortestKey)
	case bytes.ContainsFunc(key, func(c rune) bool { return c <= ' ' || c > '~' }):
		return "", fmt.Errorf("key-file %s: the key holds a blank or a letter beyond ASCII, which no header can carry", path)
	}
	return exporter.Secret(key), nil
}

func reasonOf(err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err
	}
	return err
}

// private reports why the opened file is no place for a secret.
func private(f *os.File) error {
	info, err := f.Stat()
	switch {
	case err != nil:
		return reasonOf(err)
	case !info.Mode().IsRegular():
		return errors.New("it is no plain file")
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok || exposed(info.Mode(), st.Uid, st.Gid) {
		return fmt.Errorf("others can read or change it (mode %04o); chmod 600 it", info.Mode().Perm())
	}
	return nil
}

// exposed reports whether others than the owner can get at a file. A service manager that hands a secret to one user
// by an access list leaves the file with root and shows the list's mask in the group's place: 0440, root, root.
func exposed(mode fs.FileMode, uid, gid uint32) bool {
	if mode.Perm()&0o077 == 0 {
		return false
	}
	return mode.Perm()&0o037 != 0 || uid != 0 || gid != 0
}
