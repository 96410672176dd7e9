package main

import (
	"bufio"
	"context"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"roundsman/collector/practice/terms"
)

func TestUsage(t *testing.T) {
	for _, tt := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"--help"}, 0, "--fault"},
		{[]string{"--speed", "0"}, 2, "roundsman-practice: --speed 0: a number above 0 is expected"},
		{[]string{"--speed", "5000"}, 1, "practice plant: speed 5000: want above 0, at most 3600"},
		{[]string{"--fault", "air-leek"}, 2, `unknown fault "air-leek"`},
		{[]string{"--colour"}, 2, "not defined: -colour"},
		{[]string{"more"}, 2, `"more" is one word too many`},
	} {
		var out, errs strings.Builder
		if code := run(t.Context(), tt.args, strings.NewReader(""), &out, &errs); code != tt.code || !strings.Contains(strings.ReplaceAll(errs.String(), "  -", "  --"), tt.says) {
			t.Errorf("%v: exit %d, said %q; want %d, %q", tt.args, code, &errs, tt.code, tt.says)
		}
	}
}

// started runs the program; ended gives its exit code and what it said.
func started(t *testing.T, ctx context.Context, in io.Reader, args ...string) (terms.Addresses, <-chan string) {
	t.Helper()
	r, w := io.Pipe()
	ended := make(chan string, 1)
	go func() {
		var errs strings.Builder
		code := run(ctx, args, in, w, &errs)
		w.Close()
		ended <- strings.TrimSpace(strings.Repeat("wrong: ", code) + errs.String())
	}()
	a, err := terms.ReadAddresses(bufio.NewReader(r))
	if err != nil {
		t.Fatalf("%v: %s", err, <-ended)
	}
	return a, ended
}

// answers dials the controller: only a plant that plays answers a request.
func answers(t *testing.T, a terms.Addresses) bool {
	t.Helper()
	conn, err := net.Dial("tcp", strings.TrimPrefix(a.PLC, "tcp://"))
	if err != nil {
		return false
	}
	defer conn.Close()
	// one holding register of unit 1 at 99, the marker: Modbus Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3; Application Protocol V1.1b3, 6.3
	if _, err := conn.Write([]byte{0, 1, 0, 0, 0, 6, 1, 3, 0, 99, 0, 1}); err != nil {
		return false
	}
	conn.SetReadDeadline(time.Now().Add(5 * time.Second))
	var reply [11]byte
	if _, err := io.ReadFull(conn, reply[:]); err != nil {
		return false
	}
	if got := int(reply[9])<<8 | int(reply[10]); got != 23205 {
		t.Errorf("the marker register holds %d", got)
	}
	return true
}

// Led by its input the plant plays from the line 'run' to the input's end, then gives its ports back.
func TestLed(t *testing.T) {
	in, lead := io.Pipe()
	a, ended := started(t, t.Context(), in, "--led", "--fault", "air-leak@1h")
	if _, err := io.WriteString(lead, "run\n"); err != nil {
		t.Fatal(err)
	}
	if !answers(t, a) {
		t.Error("the controller does not answer")
	}
	lead.Close()
	if said := <-ended; said != "" {
		t.Error(said)
	}
	if answers(t, a) {
		t.Error("the controller still answers")
	}
}

// An input that ends at once, or says something else, or a signal before it says anything: the plant ends.
func TestLedNowhere(t *testing.T) {
	_, ended := started(t, t.Context(), strings.NewReader(""), "--led")
	if said := <-ended; said != "" {
		t.Error(said)
	}
	_, ended = started(t, t.Context(), strings.NewReader("walk\n"), "--led")
	if said := <-ended; !strings.Contains(said, "run is expected") {
		t.Errorf("said %q", said)
	}
	ctx, stop := context.WithCancel(t.Context())
	in, lead := io.Pipe()
	defer lead.Close()
	_, ended = started(t, ctx, in, "--led")
	stop()
	if said := <-ended; said != "" {
		t.Error(said)
	}
}

// By hand the plant plays until it is told to end, whatever its input does.
func TestByHand(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	a, ended := started(t, ctx, strings.NewReader(""))
	if !answers(t, a) {
		t.Error("the controller does not answer")
	}
	stop()
	if said := <-ended; said != "" {
		t.Error(said)
	}
}
