//go:build !linux

package main

import (
	"os"
	"time"
)

// hides waits until the terminal does not show any more what is typed.
func hides(*os.File) { time.Sleep(time.Second) }
