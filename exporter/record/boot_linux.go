package record

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// ThisBoot returns the machine's present boot: the kernel's id of it, and its running time with suspends.
func ThisBoot() Boot {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return Boot{}
	}
	var ts unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts) != nil {
		return Boot{}
	}
	return Boot{ID: strings.TrimSpace(string(id)), Up: time.Duration(ts.Nano())}
}
