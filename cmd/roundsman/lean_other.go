//go:build !linux

package main

// forgetProgram does nothing on systems other than Linux.
func forgetProgram() error { return nil }
