package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// mapping is a part of the address space, [from, to).
type mapping struct{ from, to uintptr }

// resident returns the memory that lies in RAM, in bytes: the second figure of /proc/self/statm (proc(5)); 0 if it cannot be read.
func resident() int64 {
	text, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		return 0
	}
	var all, pages int64
	if _, err := fmt.Sscan(string(text), &all, &pages); err != nil {
		return 0
	}
	return pages * int64(os.Getpagesize())
}

// forgetProgram takes the program's own file out of the process's memory: madvise(2), MADV_DONTNEED. What is run or read again
// is mapped again from the system's cache of files, which keeps the pages as long as there is room; what only the start,
// a review or a page needed is not. Half of the file is never looked at again.
func forgetProgram() error {
	text, err := os.ReadFile("/proc/self/smaps")
	if err != nil {
		return err
	}
	path, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return err
	}
	var errs []error
	for _, s := range untouched(text, path) {
		if _, _, e := unix.Syscall(unix.SYS_MADVISE, s.from, s.to-s.from, unix.MADV_DONTNEED); e != 0 {
			errs = append(errs, fmt.Errorf("madvise %x-%x: %w", s.from, s.to, e))
		}
	}
	return errors.Join(errs...)
}

// untouched returns where the file at path is mapped for reading or running and nothing was ever written, from the text of
// /proc/self/smaps (proc(5)). A page that was written, by a dynamic loader or a debugger, would lose that.
func untouched(smaps []byte, path string) (list []mapping) {
	var at mapping
	ours := false
	for line := range bytes.Lines(smaps) {
		fields := bytes.Fields(line)
		var s mapping
		switch {
		case len(fields) >= 5 && bytes.Contains(fields[0], []byte("-")) && isMapping(fields[0], &s):
			at = s
			ours = len(fields) >= 6 && bytes.HasSuffix(bytes.TrimSpace(line), []byte(" "+path)) &&
				(string(fields[1]) == "r-xp" || string(fields[1]) == "r--p")
		case ours && string(fields[0]) == "Anonymous:" && string(fields[1]) == "0":
			list = append(list, at)
		}
	}
	return list
}

func isMapping(text []byte, s *mapping) bool {
	n, err := fmt.Sscanf(string(text), "%x-%x", &s.from, &s.to)
	return n == 2 && err == nil
}
