package socket_test

import (
	"errors"
	"net"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector/mqtt/socket"
)

func closed(c net.Conn) bool {
	_, err := c.Write([]byte("x"))
	return errors.Is(err, net.ErrClosed) || err != nil && err.Error() == "io: read/write on closed pipe"
}

// Whichever comes first, the socket or the word to close it, in the end it is closed.
func TestHeldIsClosedEitherWay(t *testing.T) {
	for _, closeFirst := range []bool{true, false} {
		near, _ := net.Pipe()
		var h socket.Held
		if closeFirst {
			h.Close()
		}
		h.Hold(near)
		if !closeFirst {
			h.Close()
		}
		if !closed(near) {
			t.Errorf("close first %v: the socket is open", closeFirst)
		}
	}
}

// A peer that takes nothing costs the limit, not for ever.
func TestImpatientWrite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		defer far.Close()
		start := time.Now()
		_, err := socket.Impatient(near, 5*time.Second).Write([]byte("ping"))
		if took := time.Since(start); !errors.Is(err, os.ErrDeadlineExceeded) || took != 5*time.Second {
			t.Errorf("%v after %v", err, took)
		}
		near.Close()
	})
}
