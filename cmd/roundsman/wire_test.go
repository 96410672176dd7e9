package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"roundsman/collector/outsidetest"
	"roundsman/collector/practice"
)

// tap is a wire between the box and a Modbus TCP device on which every request is written down.
type tap struct {
	t      *testing.T
	l      net.Listener
	device string
	work   sync.WaitGroup

	mu    sync.Mutex
	codes map[byte]int // requests by function code
	odd   []string     // what was no Modbus frame
}

func newTap(t *testing.T, device string) *tap {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &tap{t: t, l: l, device: device, codes: map[byte]int{}}
	w.work.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			w.work.Go(func() { w.carry(conn) })
		}
	})
	t.Cleanup(func() { l.Close(); w.work.Wait() })
	return w
}

func (w *tap) carry(near net.Conn) {
	defer near.Close()
	far, err := net.Dial("tcp", w.device)
	if err != nil {
		return
	}
	defer far.Close()
	w.work.Go(func() { io.Copy(near, far); near.Close() })
	r := bufio.NewReader(near)
	for {
		// the header of a Modbus TCP frame: transaction, protocol 0, length of unit id and PDU (the implementation guide, 3.1.3)
		head := make([]byte, 7)
		if _, err := io.ReadFull(r, head); err != nil {
			return
		}
		n := int(binary.BigEndian.Uint16(head[4:]))
		if n < 2 || n > 254 || head[2] != 0 || head[3] != 0 {
			w.mu.Lock()
			w.odd = append(w.odd, fmt.Sprintf("% X", head))
			w.mu.Unlock()
			return
		}
		pdu := make([]byte, n-1)
		if _, err := io.ReadFull(r, pdu); err != nil {
			return
		}
		w.mu.Lock()
		w.codes[pdu[0]]++
		w.mu.Unlock()
		if _, err := far.Write(append(head, pdu...)); err != nil {
			return
		}
	}
}

// seen returns how many requests there were of each function code, and forgets them.
func (w *tap) seen() map[byte]int {
	w.mu.Lock()
	defer w.mu.Unlock()
	codes := w.codes
	w.codes = map[byte]int{}
	if len(w.odd) > 0 {
		w.t.Errorf("no Modbus frames: %q", w.odd)
	}
	return codes
}

// daemonBinary is the program as a file of its own: the test's own binary, which TestMain lets be the program under that name.
func daemonBinary(t *testing.T) string {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	binary := filepath.Join(t.TempDir(), "roundsman")
	if err := os.Symlink(self, binary); err != nil {
		t.Fatal(err)
	}
	return binary
}

// Whatever the real program does on a wire, in a run of some seconds and in each command that reaches a device, only
// function codes that read are seen there.
func TestOnlyReadingOnTheWire(t *testing.T) {
	plant, err := practice.New(practice.Options{})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	ctx, cancel := context.WithCancel(t.Context())
	go func() { done <- plant.Run(ctx) }()
	defer func() { cancel(); <-done; plant.Close() }()
	addresses := plant.Addresses()
	plc, err := url.Parse(addresses.PLC)
	if err != nil {
		t.Fatal(err)
	}
	wire := newTap(t, plc.Host)
	addresses.PLC = "tcp://" + wire.l.Addr().String()
	site := siteFor(t, addresses)
	binary := daemonBinary(t)
	dir := t.TempDir()
	runs := []struct {
		name string
		args []string
		want byte // a function code that must be among them
	}{
		{"run", []string{"run", site, "--listen", "127.0.0.1:0"}, 3},
		{"read", []string{"read", site}, 3},
		{"survey", []string{"survey", addresses.PLC, "--unit-id", "1", "--holding", "0-40"}, 43},
		{"survey of inputs", []string{"survey", addresses.PLC, "--unit-id", "1", "--input", "0-9"}, 4},
		{"survey of coils", []string{"survey", addresses.PLC, "--unit-id", "1", "--coil", "0-9"}, 1},
	}
	for _, r := range runs {
		limit, cancel := context.WithTimeout(t.Context(), 4*time.Second)
		cmd := exec.CommandContext(limit, binary, r.args...)
		cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
		cmd.WaitDelay = 10 * time.Second
		cmd.Dir = dir
		var said bytes.Buffer
		cmd.Stdout, cmd.Stderr = &said, &said
		err := cmd.Run()
		cancel()
		codes := wire.seen()
		t.Logf("%s: %v, requests by function code: %v", r.name, err, codes)
		for code, n := range codes {
			if !slices.Contains([]byte{1, 2, 3, 4, 43}, code) {
				t.Errorf("%s: %d requests with function code %d", r.name, n, code)
			}
		}
		if codes[r.want] == 0 {
			t.Errorf("%s: no request with function code %d, so nothing is proved:\n%s", r.name, r.want, &said)
		}
	}
}

// listening returns the TCP addresses on which a process takes connections, as the kernel has them (proc_pid_net(5)).
func listening(t *testing.T, pid int) []string {
	t.Helper()
	fds, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	if err != nil {
		outsidetest.Lacking(t, "the kernel does not tell: %v", err)
	}
	own := map[string]bool{}
	for _, fd := range fds {
		if to, err := os.Readlink(fmt.Sprintf("/proc/%d/fd/%s", pid, fd.Name())); err == nil {
			own[to] = true
		}
	}
	var found []string
	for _, table := range []string{"tcp", "tcp6"} {
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/net/%s", pid, table))
		if err != nil {
			continue // a machine without the protocol
		}
		for line := range strings.Lines(string(text)) {
			f := strings.Fields(line)
			if len(f) < 10 || f[3] != "0A" || !own["socket:["+f[9]+"]"] {
				continue
			}
			_, port, _ := strings.Cut(f[1], ":")
			n, err := strconv.ParseUint(port, 16, 16)
			if err != nil {
				t.Fatal(err)
			}
			found = append(found, strconv.FormatUint(n, 10))
		}
	}
	return found
}

// Each port on which the daemon takes connections is named in its first lines, and there is no other.
func TestListenersAreNamed(t *testing.T) {
	site := filepath.Join(t.TempDir(), "site.yaml")
	text := "site: {name: A, time-zone: Etc/UTC}\nlisten: 127.0.0.1:0\nrecord: {path: a.db}\nlinks: {}\npoints: {}\n"
	if err := os.WriteFile(site, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), daemonBinary(t), "run", site)
	log, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Wait()
	defer cmd.Process.Signal(os.Interrupt)
	var named []string
	pattern := regexp.MustCompile(`msg=listening .*address=https?://[^ ]*:(\d+)`)
	for lines := bufio.NewScanner(log); lines.Scan(); {
		if m := pattern.FindStringSubmatch(lines.Text()); m != nil {
			named = append(named, m[1])
			break
		}
	}
	if got := listening(t, cmd.Process.Pid); len(named) != 1 || !slices.Equal(got, named) {
		t.Errorf("takes connections on ports %v, names %v", got, named)
	}
}
