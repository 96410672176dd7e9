package main

import (
	"bytes"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"roundsman/configs"
)

// What keeps the pages from an address is told with what helps.
func TestListenError(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, _, err = listenOn(configs.Listen{Address: l.Addr().String()})
	if err == nil || !strings.Contains(err.Error(), "another program has the port, perhaps a roundsman that runs already") {
		t.Errorf("a port that is taken: %v", err)
	}
	for errno, want := range map[syscall.Errno]string{syscall.EACCES: "ports below 1024", syscall.EADDRNOTAVAIL: "does not have this address", syscall.ENOTSUP: "operation not supported"} {
		if got := listenError(&net.OpError{Op: "listen", Err: os.NewSyscallError("bind", errno)}); !strings.Contains(got.Error(), want) {
			t.Errorf("%v: %v", errno, got)
		}
	}
}

// A unit that was edited by hand so that it cannot go well is told of, with the next step; the one that is shipped is not.
func TestDoubtUnit(t *testing.T) {
	for _, tt := range []struct {
		managed bool
		uid     int
		by      time.Duration
		want    string
	}{
		{true, 995, 90 * time.Second, ""},
		{true, 995, 0, ""},
		{false, 0, 0, ""},
		{true, 0, 90 * time.Second, "User=roundsman"},
		{true, 995, 8 * time.Second, "WatchdogSec=90s"},
	} {
		var out bytes.Buffer
		doubtUnit(slog.New(slog.NewTextHandler(&out, nil)), tt.managed, tt.uid, tt.by)
		if got := out.String(); (got == "") != (tt.want == "") || !strings.Contains(got, tt.want) {
			t.Errorf("%v: got %q, want %q", fmt.Sprint(tt.managed, tt.uid, tt.by), got, tt.want)
		}
	}
}
