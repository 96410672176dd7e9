package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"roundsman/collector"
	"roundsman/configs"
)

func TestVigil(t *testing.T) {
	start := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	type look struct {
		after time.Duration
		signs string // name=beats
		stuck string
	}
	tests := []struct {
		name  string
		looks []look
	}{
		{"all move", []look{{0, "judge=1 plc=1", ""}, {10 * time.Second, "judge=2 plc=2", ""}, {45 * time.Second, "judge=3 plc=3", ""}}},
		{"still within the limit", []look{{0, "judge=1 plc=1", ""}, {30 * time.Second, "judge=2 plc=1", ""}}},
		{"a link stands", []look{{0, "judge=1 plc=1", ""}, {20 * time.Second, "judge=2 plc=1", ""}, {31 * time.Second, "judge=3 plc=1", "plc"}}},
		{"the judge stands and all wait for it", []look{{0, "judge=1 plc=1", ""}, {31 * time.Second, "judge=1 plc=1", "judge, plc"}}},
		{"goes on", []look{{0, "judge=1", ""}, {31 * time.Second, "judge=1", "judge"}, {32 * time.Second, "judge=2", ""}}},
		{"a limit for each stand", []look{{0, "judge=1", ""}, {20 * time.Second, "judge=2", ""}, {45 * time.Second, "judge=2", ""}, {51 * time.Second, "judge=2", "judge"}}},
		{"a new link has its time", []look{{0, "judge=1", ""}, {60 * time.Second, "judge=2 plc=0", ""}, {91 * time.Second, "judge=3 plc=0", "plc"}}},
		{"a link that went is no trouble", []look{{0, "judge=1 plc=1", ""}, {31 * time.Second, "judge=2", ""}, {32 * time.Second, "judge=3 plc=1", ""}}},
		{"counting from nought again is moving", []look{{0, "judge=9", ""}, {31 * time.Second, "judge=0", ""}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := vigil{limit: 30 * time.Second}
			for _, l := range tt.looks {
				var signs []sign
				for _, f := range strings.Fields(l.signs) {
					var s sign
					s.name, _, _ = strings.Cut(f, "=")
					if _, err := fmt.Sscan(f[len(s.name)+1:], &s.beats); err != nil {
						t.Fatal(err)
					}
					signs = append(signs, s)
				}
				if got := strings.Join(v.stuck(start.Add(l.after), signs), ", "); got != l.stuck {
					t.Errorf("after %v with %s: stuck %q, want %q", l.after, l.signs, got, l.stuck)
				}
			}
		})
	}
}

func TestWatchdogTime(t *testing.T) {
	tests := []struct {
		usec, pid string
		want      time.Duration
	}{
		{"", "", 0}, {"30000000", "", 30 * time.Second}, {"30000000", "77", 30 * time.Second}, {"30000000", "78", 0},
		{"0", "", 0}, {"-5", "", 0}, {"soon", "", 0}, {"9223372036854775807", "", 0},
	}
	for _, tt := range tests {
		env := map[string]string{"WATCHDOG_USEC": tt.usec, "WATCHDOG_PID": tt.pid}
		if got := watchdogTime(func(k string) string { return env[k] }, 77); got != tt.want {
			t.Errorf("WATCHDOG_USEC=%s WATCHDOG_PID=%s: %v, want %v", tt.usec, tt.pid, got, tt.want)
		}
	}
}

// managerSocket is the service manager's end of the notification socket.
type managerSocket struct {
	t    *testing.T
	conn *net.UnixConn
}

func listenAsManager(t *testing.T, name string) *managerSocket {
	t.Helper()
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return &managerSocket{t, conn}
}

// next returns the lines of the next message; none within the limit is nil.
func (m *managerSocket) next(limit time.Duration) []string {
	m.t.Helper()
	if err := m.conn.SetReadDeadline(time.Now().Add(limit)); err != nil {
		m.t.Fatal(err)
	}
	b := make([]byte, 4096)
	n, err := m.conn.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return nil
	}
	if err != nil {
		m.t.Fatal(err)
	}
	return strings.Split(string(b[:n]), "\n")
}

func TestFindServiceManager(t *testing.T) {
	var said bytes.Buffer
	log := slog.New(slog.NewTextHandler(&said, nil))
	none := func(string) string { return "" }
	if m := findServiceManager(none, 1, log); m != nil {
		t.Error("a manager that is not there was found")
	}
	var nobody *serviceManager
	nobody.reloading()() // says nothing, breaks nothing
	missing := filepath.Join(t.TempDir(), "gone")
	if m := findServiceManager(func(k string) string { return map[string]string{"NOTIFY_SOCKET": missing}[k] }, 1, log); m != nil || !strings.Contains(said.String(), "the service manager is not told") {
		t.Errorf("socket %s: %v, log %q", missing, m, said.String())
	}
	for _, name := range []string{filepath.Join(t.TempDir(), "notify"), fmt.Sprintf("@roundsman-test-%d", os.Getpid())} {
		manager := listenAsManager(t, name)
		m := findServiceManager(func(k string) string { return map[string]string{"NOTIFY_SOCKET": name}[k] }, 1, log)
		if m == nil {
			t.Fatalf("%s: no manager", name)
		}
		m.tell("READY=1", "STATUS=x")
		if got := manager.next(time.Second); !slices.Equal(got, []string{"READY=1", "STATUS=x"}) {
			t.Errorf("%s: got %q", name, got)
		}
		before := monotonic(t)
		done := m.reloading()
		got := strings.Join(manager.next(time.Second), " ")
		var at int64
		if _, err := fmt.Sscanf(got, "RELOADING=1 MONOTONIC_USEC=%d", &at); err != nil || at < before || at > monotonic(t) {
			t.Errorf("%s: got %q, want the time between %d and now", name, got, before)
		}
		done()
		if got := manager.next(time.Second); !slices.Equal(got, []string{"READY=1"}) {
			t.Errorf("%s: after the reload got %q", name, got)
		}
		m.conn.Close()
	}
}

// A manager that has gone away is mentioned once.
func TestManagerGone(t *testing.T) {
	var said bytes.Buffer
	name := filepath.Join(t.TempDir(), "notify")
	manager := listenAsManager(t, name)
	m := findServiceManager(func(k string) string { return map[string]string{"NOTIFY_SOCKET": name}[k] }, 1, slog.New(slog.NewTextHandler(&said, nil)))
	manager.conn.Close()
	m.tell("READY=1")
	m.tell("WATCHDOG=1")
	if n := strings.Count(said.String(), "not told"); n != 1 {
		t.Errorf("%d complaints, want 1:\n%s", n, &said)
	}
}

func monotonic(t *testing.T) int64 {
	t.Helper()
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		t.Fatal(err)
	}
	return now.Nano() / 1000
}

// idleLink has nothing to read. It comes round often, but while it is held.
type idleLink struct {
	collector.LinkMeter
	held chan chan struct{} // takes what the link is to wait for
}

func (l *idleLink) Name() string { return "plc" }

func (l *idleLink) Run(ctx context.Context, _ chan<- collector.Batch) error {
	tick := time.NewTicker(collector.BeatEvery)
	defer tick.Stop()
	for {
		l.Beat(collector.Owner)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case wait := <-l.held:
			<-wait
		case <-tick.C:
		}
	}
}

// arrived returns the messages that wait in a socket, without waiting for any: a wait for the network stops fake time.
func arrived(t *testing.T, fd int) []string {
	t.Helper()
	var got []string
	b := make([]byte, 4096)
	for {
		n, _, err := unix.Recvfrom(fd, b, unix.MSG_DONTWAIT)
		if errors.Is(err, unix.EAGAIN) {
			return got
		}
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, string(b[:n]))
	}
}

// A real judge, a link and a real socket: signs of life come while both move, none while either of them hangs, and
// they come again afterwards.
func TestSignsOfLifeStop(t *testing.T) {
	const watchdog = 90 * time.Second
	for _, victim := range []string{"judge", "link plc"} {
		t.Run(victim, func(t *testing.T) {
			name := filepath.Join(t.TempDir(), "notify")
			fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
			if err == nil {
				err = unix.Bind(fd, &unix.SockaddrUnix{Name: name})
			}
			if err != nil {
				t.Fatal(err)
			}
			defer unix.Close(fd)
			synctest.Test(t, func(t *testing.T) { hangAndGoOn(t, victim, name, fd, watchdog) })
		})
	}
}

func hangAndGoOn(t *testing.T, victim, socket string, fd int, watchdog time.Duration) {
	fsys, file := configs.Demo()
	site, err := configs.Load(fsys, file)
	if err != nil {
		t.Fatal(err)
	}
	link := &idleLink{held: make(chan chan struct{})}
	d := &daemon{site: site, log: slog.New(slog.DiscardHandler), clock: collector.NewClock()}
	if d.judge, err = newJudge(site, []collector.Link{link}, d.clock, nil, settings{log: d.log}); err != nil {
		t.Fatal(err)
	}
	d.board = d.judge.board
	env := map[string]string{"NOTIFY_SOCKET": socket, "WATCHDOG_USEC": fmt.Sprint(watchdog.Microseconds())}
	m := d.toldBy(func(k string) string { return env[k] }, os.Getpid())
	if m == nil {
		t.Fatal("no service manager")
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 3)
	go func() { ended <- d.judge.run(ctx) }()
	go func() { ended <- link.Run(ctx, d.judge.in) }()
	go func() { ended <- m.run(ctx) }()

	count := func(d time.Duration, words string) (n int) {
		for end := time.Now().Add(d); time.Now().Before(end); { // the kernel keeps ten messages
			time.Sleep(time.Second)
			for _, message := range arrived(t, fd) {
				n += strings.Count(message, words)
			}
		}
		return n
	}
	if n := count(time.Second, "READY=1"); n != 1 {
		t.Errorf("%d times ready, want once", n)
	}
	if n := count(10*watchdog, "WATCHDOG=1"); n < 20 {
		t.Errorf("%d signs of life in ten times the watchdog's time, want 20 or more", n)
	}
	held := make(chan struct{})
	answer := make(chan error) // nobody takes the judge's answer: it hangs
	if victim == "judge" {
		d.judge.reloads <- reloadRequest{err: errors.New("a test"), done: answer}
	} else {
		link.held <- held
	}
	if n := count(watchdog, "STATUS=stuck: "+victim); n != 1 {
		t.Errorf("%d messages that the %s is stuck, want 1", n, victim)
	}
	if n := count(10*watchdog, "WATCHDOG=1"); n != 0 {
		t.Errorf("%d signs of life while the %s hangs", n, victim)
	}
	if victim == "judge" {
		<-answer
	} else {
		close(held)
	}
	if n := count(watchdog, "WATCHDOG=1"); n < 2 {
		t.Errorf("%d signs of life after the %s went on, want 2 or more", n, victim)
	}
	cancel()
	if n := count(time.Second, "STOPPING=1"); n != 1 {
		t.Errorf("%d times stopping, want once", n)
	}
	for range 3 {
		<-ended
	}
}
