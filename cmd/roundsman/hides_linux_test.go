package main

import (
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// hides waits until the terminal does not show any more what is typed.
func hides(terminal *os.File) {
	for range 2000 {
		if t, err := unix.IoctlGetTermios(int(terminal.Fd()), unix.TCGETS); err != nil || t.Lflag&unix.ECHO == 0 {
			return
		}
		time.Sleep(time.Millisecond)
	}
}
