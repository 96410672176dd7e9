package main

import (
	"errors"
	"fmt"
	"strings"

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
	key, err := configs.ReadSecret(path)
	switch {
	case err != nil:
		return "", fmt.Errorf("key-file %w", err)
	case len(key) > longestKey:
		return "", fmt.Errorf("key-file %s: it has more than %d bytes", path, longestKey)
	case len(key) < shortestKey:
		return "", fmt.Errorf("key-file %s: the key has %d letters, fewer than %d", path, len(key), shortestKey)
	case strings.ContainsFunc(key, func(c rune) bool { return c <= ' ' || c > '~' }):
		return "", fmt.Errorf("key-file %s: the key holds a blank or a letter beyond ASCII, which no header can carry", path)
	}
	return exporter.Secret(key), nil
}
