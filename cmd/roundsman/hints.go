package main

import (
	"errors"
	"fmt"
	"log/slog"
	"syscall"
	"time"
)

// listenError says why an address cannot be listened on, and what helps.
func listenError(err error) error {
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return fmt.Errorf("listen: %w: another program has the port, perhaps a roundsman that runs already (systemctl status roundsman); stop that, or choose another port", err)
	case errors.Is(err, syscall.EACCES):
		return fmt.Errorf("listen: %w: ports below 1024 are not for the daemon's user; choose another, such as 9480", err)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return fmt.Errorf("listen: %w: the box does not have this address now; if it gets it later, from a network that comes up, listen on [::] with TLS", err)
	}
	return fmt.Errorf("listen: %w", err)
}

// leastWatchdog is the shortest time in which a service manager should hear of a daemon whose links rest between tries.
const leastWatchdog = 30 * time.Second

// doubtUnit tells the log what somebody may have changed in the service's unit that cannot go well: the daemon runs as root, or
// the watchdog is too short. By is the watchdog's time, 0 for none; managed is false where no service manager started it.
func doubtUnit(log *slog.Logger, managed bool, uid int, by time.Duration) {
	if managed && uid == 0 {
		log.Warn("runs as root, which it does not need", "next", "put User=roundsman back into its unit: systemctl edit roundsman, then systemctl restart roundsman")
	}
	if by > 0 && by < leastWatchdog {
		log.Warn("the watchdog may take a link that rests between tries for a daemon that is stuck", "watchdog", by, "next", "put WatchdogSec=90s back into its unit: systemctl edit roundsman")
	}
}
