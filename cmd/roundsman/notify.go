package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"

	"roundsman/collector"
	"roundsman/exporter"
)

const (
	// tellEvery is how often the service manager's line about the daemon is looked at.
	tellEvery = 5 * time.Second
	// tellLimit bounds a message to a service manager that does not take it.
	tellLimit = time.Second
)

// serviceManager tells the manager that started the daemon how it is: datagrams of VARIABLE=VALUE lines to the socket
// named in NOTIFY_SOCKET, as sd_notify(3) documents them. Without one, and as nil, it says nothing.
type serviceManager struct {
	conn     *net.UnixConn
	watchdog time.Duration // without a sign of life for so long the manager kills the daemon; 0: it does not look
	log      *slog.Logger
	signs    func() []sign
	status   func() string
	mute     atomic.Bool // a message was lost, and that was said
}

// findServiceManager reads what a service manager left in the environment. A socket that cannot be reached is told to
// the log: the room is watched all the same.
func findServiceManager(env func(string) string, pid int, log *slog.Logger) *serviceManager {
	name := env("NOTIFY_SOCKET")
	if name == "" {
		return nil
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"}) // a leading @ is the abstract name space
	if err != nil {
		log.Warn("the service manager is not told", "error", err)
		return nil
	}
	return &serviceManager{conn: conn, log: log, watchdog: watchdogTime(env, pid)}
}

// watchdogTime is the time from sd_watchdog_enabled(3): WATCHDOG_USEC, if WATCHDOG_PID is missing or ours.
func watchdogTime(env func(string) string, pid int) time.Duration {
	us, err := strconv.ParseInt(env("WATCHDOG_USEC"), 10, 64)
	if err != nil || us <= 0 || us > int64(1<<63-1)/int64(time.Microsecond) {
		return 0
	}
	if who := env("WATCHDOG_PID"); who != "" && who != strconv.Itoa(pid) {
		return 0
	}
	return time.Duration(us) * time.Microsecond
}

// tell sends lines. What is lost is said once: the manager draws its own conclusions.
func (m *serviceManager) tell(lines ...string) {
	err := m.conn.SetWriteDeadline(time.Now().Add(tellLimit))
	if err == nil {
		_, err = m.conn.Write([]byte(strings.Join(lines, "\n")))
	}
	if err != nil && !m.mute.Swap(true) {
		m.log.Warn("the service manager is not told", "error", err)
	}
}

// reloading says that the files are read again; call what it returns when that is done.
func (m *serviceManager) reloading() (done func()) {
	if m == nil {
		return func() {}
	}
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		return func() {}
	}
	m.tell("RELOADING=1", fmt.Sprintf("MONOTONIC_USEC=%d", now.Nano()/1000))
	return func() { m.tell("READY=1") }
}

// run says that the daemon is ready, then how it is until ctx ends. Signs of life are sent only while everything that
// must move does.
func (m *serviceManager) run(ctx context.Context) error {
	defer m.conn.Close()
	said := m.status()
	m.tell("READY=1", "STATUS="+said)
	every := tellEvery
	v := vigil{limit: m.watchdog / 2}
	if m.watchdog > 0 {
		every = min(every, m.watchdog/4)
	}
	look := time.NewTicker(every)
	defer look.Stop()
	var stuck []string
	for {
		select {
		case <-ctx.Done():
			if !errors.Is(context.Cause(ctx), errTakeUp) { // then another goes on at once
				m.tell("STOPPING=1", "STATUS=stopping")
			}
			return ctx.Err()
		case now := <-look.C:
			if m.watchdog > 0 {
				stuck = m.watch(&v, now, stuck)
			}
			if s := m.words(stuck); s != said {
				m.tell("STATUS=" + s)
				said = s
			}
		}
	}
}

// watch sends a sign of life, or tells the log what does not move any more. It returns that.
func (m *serviceManager) watch(v *vigil, now time.Time, before []string) []string {
	stuck := v.stuck(now, m.signs())
	if len(stuck) == 0 {
		m.tell("WATCHDOG=1")
	}
	if !slices.Equal(stuck, before) {
		if len(stuck) > 0 {
			m.log.Error("no sign of life, the service manager gets none either", "from", strings.Join(stuck, ", "), "for", v.limit)
		} else {
			m.log.Info("everything moves again", "from", strings.Join(before, ", "))
		}
	}
	return stuck
}

func (m *serviceManager) words(stuck []string) string {
	if len(stuck) > 0 {
		return "stuck: " + strings.Join(stuck, ", ")
	}
	return m.status()
}

// sign is a goroutine that must come round, and how often it has.
type sign struct {
	name  string
	beats uint64
}

// vigil decides from the signs of life whether the daemon does its work. The zero value allows no standstill.
type vigil struct {
	limit time.Duration // how long a sign may stand still
	seen  map[string]seenSign
}

type seenSign struct {
	beats uint64
	moved time.Time // when the beats were first seen
}

// stuck returns who has not moved for longer than the limit at the time now. One that was not there before counts as
// moved now; one that is gone is forgotten.
func (v *vigil) stuck(now time.Time, signs []sign) []string {
	next := make(map[string]seenSign, len(signs))
	var stuck []string
	for _, s := range signs {
		was, known := v.seen[s.name]
		if !known || was.beats != s.beats {
			was = seenSign{s.beats, now}
		}
		next[s.name] = was
		if now.Sub(was.moved) > v.limit {
			stuck = append(stuck, s.name)
		}
	}
	v.seen = next
	return stuck
}

// signsOf returns the signs of life of a judge and of links.
func signsOf(steps uint64, links []collector.Link) []sign {
	signs := []sign{{"judge", steps}}
	for _, l := range links {
		beats := l.Status().Beats
		signs = append(signs, sign{"link " + l.Name(), beats[collector.Owner]})
		if n := beats[collector.Keeper]; n > 0 {
			signs = append(signs, sign{"connection of link " + l.Name(), n})
		}
	}
	return signs
}

// statusOf puts a view into the one line that the service manager shows.
func statusOf(v *exporter.View) string {
	up, active := 0, 0
	for _, l := range v.Links {
		if l.Up {
			up++
		}
	}
	for _, a := range v.Alarms {
		if a.Active {
			active++
		}
	}
	return fmt.Sprintf("watching %d points; %d of %d links up; %d alarms active", len(v.Readings), up, len(v.Links), active)
}

// tellServiceManager adds the part that tells the service manager, if there is one, and returns it.
func (d *daemon) tellServiceManager() *serviceManager {
	m := d.toldBy(os.Getenv, os.Getpid())
	if m != nil {
		doubtUnit(d.log, true, os.Geteuid(), m.watchdog)
		d.add("service manager", m.run)
	}
	return m
}

func (d *daemon) toldBy(env func(string) string, pid int) *serviceManager {
	m := findServiceManager(env, pid, d.log)
	if m != nil {
		m.signs = func() []sign { return signsOf(d.judge.steps.Load(), d.judge.links.list()) }
		m.status = func() string { return statusOf(d.board.Peek()) }
	}
	return m
}
