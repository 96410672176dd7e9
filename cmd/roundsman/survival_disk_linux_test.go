package main

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"roundsman/collector/outsidetest"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// smallDisk is a disk of a few MiB of its own, in a user and mount namespace that lives as long as the test: no root is
// needed where the system allows these.
type smallDisk struct {
	*storm
	holder *exec.Cmd
}

func newSmallDisk(t *testing.T, seed uint64) *smallDisk {
	t.Helper()
	unshare := outsidetest.Program(t, "unshare", "util-linux")
	folder := t.TempDir()
	d := &smallDisk{holder: exec.Command(unshare, "-Urm", "sh", "-c", `mount -t tmpfs -o size=7m roundsman "$0" && echo mounted && exec cat`, folder)}
	in, err := d.holder.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := d.holder.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.holder.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { in.Close(); _ = d.holder.Wait() })
	if line, _ := bufio.NewReader(out).ReadString('\n'); line != "mounted\n" {
		outsidetest.Lacking(t, "the system gives no namespaces to this user")
	}
	c := newControls(t)
	root := fmt.Sprintf("/proc/%d/root", d.holder.Process.Pid)
	site := c.files(t, filepath.Join(root, folder))
	d.storm = &storm{controls: c, shelved: map[string]string{}, watch: newWatch(t, strings.TrimPrefix(site, root))}
	d.root = root
	d.before = d.inside()
	ctx, cancel := context.WithCancel(t.Context())
	var plant sync.WaitGroup
	plant.Go(func() { d.move(ctx, seed) })
	t.Cleanup(func() { cancel(); plant.Wait() })
	return d
}

// inside are the words before a command that is to see the disk.
func (d *smallDisk) inside() []string {
	return []string{"nsenter", "-t", strconv.Itoa(d.holder.Process.Pid), "-U", "-m", "--preserve-credentials", "--"}
}

func (d *smallDisk) ballast() string { return filepath.Join(filepath.Dir(d.database()), "ballast") }

// full fills the disk to the last byte.
func (d *smallDisk) full() {
	d.Helper()
	f, err := os.Create(d.ballast())
	if err != nil {
		d.Fatal(err)
	}
	defer f.Close()
	for _, size := range []int{64 << 10, 4096, 1} {
		for err = nil; err == nil; {
			_, err = f.Write(make([]byte, size))
		}
		if !errors.Is(err, syscall.ENOSPC) {
			d.Fatal(err)
		}
	}
}

func (d *smallDisk) remount(how string) {
	d.Helper()
	args := append(d.inside(), "mount", "-o", "remount,"+how, filepath.Dir(d.site))
	if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
		d.Fatalf("remount %s: %v: %s", how, err, out)
	}
}

// more waits until so many more alarm events are told: the room is watched.
func (d *smallDisk) more(n int) {
	d.Helper()
	before := len(told(d.said.String()))
	d.until("alarms go on", func() bool { return len(told(d.said.String())) >= before+n })
}

// rings waits until the box rings about its record.
func (d *smallDisk) rings() {
	d.Helper()
	d.until("the box rings about its record", func() bool { return d.alarms()["box-record"].State == "unacknowledged" })
}

// well waits until the record is written again. The alarm about it ends some time later.
func (d *smallDisk) well() {
	d.Helper()
	d.until("the record is written", func() bool { return d.reads("box.record.writable", 1) })
}

func (d *smallDisk) says(words string) {
	d.Helper()
	d.until("it says: "+words, func() bool { return strings.Contains(d.said.String(), words) })
}

// The disk fills while the room is watched: alarms go on, the box rings about it, and when there is room again all lines of
// meanwhile are written. It also starts on a full disk.
func TestHeavyDiskFullUnderTheDaemon(t *testing.T) {
	t.Parallel()
	d := newSmallDisk(t, 11)
	d.start()
	d.more(10)
	d.full()
	d.says("no space left on device; alarms go on")
	d.rings()
	d.more(30)
	if err := d.ask("GET", "/health", "", new(any)); err != nil {
		t.Errorf("health on a full disk: %v", err)
	}
	if err := os.Remove(d.ballast()); err != nil {
		t.Fatal(err)
	}
	d.says("record is written again")
	d.well()
	d.more(10)
	took := d.stop()
	words := told(d.said.String())
	if got := keptWords(d.journal()); !slices.Equal(got, words) {
		t.Errorf("told\n%q\nkept\n%q", words, got)
	}
	d.compare()

	d.full()
	if _, err := os.Stat(d.database() + ".reserve"); err != nil {
		t.Errorf("the reserve was not made anew: %v", err)
	}
	d.start()
	d.more(10)
	if err := os.Remove(d.ballast()); err != nil {
		t.Fatal(err)
	}
	d.well()
	d.more(10)
	second := d.stop()
	d.compare()
	t.Logf("%d lines; planned stops in %v, %v", len(d.lines), took.Round(time.Millisecond), second.Round(time.Millisecond))
}

// The record lies where nothing can be written, as on a card that gave up, and can be written again later: the room is watched,
// the box rings about it, and what happens goes on the record as soon as that can be opened: lines, alarm states, messages,
// run time and readings. Nothing is told twice.
func TestHeavyRecordOnReadOnly(t *testing.T) {
	t.Parallel()
	d := newSmallDisk(t, 12)
	d.start()
	began := time.Now()
	d.more(30)
	d.kill()
	killed := time.Now()
	d.compare()
	old := d.states()
	before := len(d.lines)
	d.remount("ro")
	d.start()
	started := time.Now()
	d.says("is kept in memory until the record can be opened")
	d.rings()
	d.more(60)
	d.remount("rw")
	d.says("the record is taken up")
	opened := time.Now()
	d.until("it listens again", func() bool { return strings.Count(d.said.String(), "msg=listening") == 2 })
	d.well()
	d.more(20)
	d.spans = []life{{began, time.Now()}}
	d.stop()
	lines := d.journal()[before:]
	words, got := told(d.said.String()), keptWords(lines)
	got = slices.DeleteFunc(got, func(w string) bool { return strings.Contains(w, string(record.AlarmAnew)) })
	if !slices.Equal(got, words) {
		t.Errorf("told\n%q\nkept\n%q", words, got)
	}
	d.takenUp(lines, old, started, opened)
	d.lines = nil
	r := d.reader()
	defer r.Close()
	if err := r.Check(t.Context()); err != nil {
		t.Errorf("the record's own laws: %v", err)
	}
	d.holdMessages(r)
	d.sameRuns()
	d.heldReadings(r, killed, started, opened)
}

// states are those of the alarms on the record, which nobody writes.
func (d *smallDisk) states() map[string]rules.State {
	d.Helper()
	return lastStates(d.journal())
}

// takenUp holds what the journal tells of a time without record.
func (d *smallDisk) takenUp(lines []record.Line, old map[string]rules.State, started, opened time.Time) {
	d.Helper()
	count := map[record.Kind]int{}
	for _, l := range lines {
		count[l.Kind]++
		switch l.Kind {
		case record.RecordTakenUp:
			if missed := opened.Sub(started); (l.Length-missed).Abs() > 3*time.Second || !strings.Contains(l.Why, "readings waited in memory") {
				d.Errorf("the record was taken up after %v, the line says %v: %s", missed, l.Length, l.Why)
			}
		case record.AlarmAnew:
			if l.From != old[l.Alarm] {
				d.Errorf("%s is told to have been %v, was %v", l.Alarm, l.From, old[l.Alarm])
			}
			delete(old, l.Alarm)
		case record.Outage:
			if l.Time.After(started) {
				d.Errorf("the outage is told to end at %v, the program began before %v", l.Time, started)
			}
		}
	}
	if count[record.RecordTakenUp] != 1 || count[record.Outage] != 1 || count[record.BoxStarted] != 1 || count[record.BoxStopped] != 1 {
		d.Errorf("the journal has %v", count)
	}
	if count["started"] == 0 || count[record.AlarmAnew] == 0 {
		d.Errorf("too tame: %v", count)
	}
}

// heldReadings: those of the time without record are there, up to its end.
func (d *smallDisk) heldReadings(r *record.Reader, killed, started, opened time.Time) {
	d.Helper()
	trend, err := r.Trend(d.Context(), "tick")
	if err != nil {
		d.Fatal(err)
	}
	var last time.Time
	n := 0
	for s, err := range trend.Readings(d.Context(), killed.Add(time.Millisecond), time.Time{}) {
		if err != nil {
			d.Fatal(err)
		}
		if at := s.Time(); at.Before(opened) && s.Quality.Usable() {
			n++
			if !last.IsZero() && at.Sub(last) > 2*time.Second {
				d.Errorf("no reading from %v to %v, without record", last, at)
			}
			last = at
		}
	}
	if want := int(opened.Sub(started) / (100 * time.Millisecond)); n < want/2 {
		d.Errorf("%d readings of the time without record, about %d were taken", n, want)
	}
}

// A record that a newer version wrote is refused when the daemon starts, and left as it is.
func TestNewerRecordIsRefused(t *testing.T) {
	t.Parallel()
	s := newStorm(t, 15)
	s.start()
	s.stop()
	db, err := sql.Open("sqlite", s.database())
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.ExecContext(t.Context(), "PRAGMA user_version = 99")
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(s.binary, "run", s.site, "--listen", "127.0.0.1:0").CombinedOutput()
	exit, ok := errors.AsType[*exec.ExitError](err)
	if !ok || exit.ExitCode() != exitWrong || !strings.Contains(string(out), "newer version") || strings.Contains(string(out), "msg=listening") {
		t.Errorf("a newer record: %v: %s", err, out)
	}
	if list, err := filepath.Glob(s.database() + ".damaged*"); err != nil || len(list) > 0 {
		t.Errorf("the record was set aside: %v %v", list, err)
	}
}

// Somebody deletes the record under the daemon: it does not go on writing to a file that nobody can find, and says so. The
// next start begins a new one.
func TestHeavyRecordDeletedUnderTheDaemon(t *testing.T) {
	t.Parallel()
	d := newSmallDisk(t, 13)
	d.start()
	d.more(10)
	for _, end := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(d.database() + end); err != nil {
			t.Fatal(err)
		}
	}
	d.says("the file is gone")
	d.rings()
	d.more(20)
	_ = d.cmd.Process.Signal(syscall.SIGTERM)
	if err := d.cmd.Wait(); err == nil {
		t.Error("the stop says nothing of the lines that are lost")
	}
	d.cmd = nil
	d.says("lines are lost")
	d.start()
	d.well()
	d.more(10)
	d.stop()
	words := told(d.said.String())
	if got := keptWords(d.journal()); !slices.Equal(got, words) {
		t.Errorf("told\n%q\nkept\n%q", words, got)
	}
}

// A second daemon on one record is refused, and the first is not disturbed.
func TestTwoDaemonsOnOneRecord(t *testing.T) {
	t.Parallel()
	s := newStorm(t, 14)
	ctx, cancel := context.WithCancel(t.Context())
	var plant sync.WaitGroup
	plant.Go(func() { s.move(ctx, 14) })
	defer plant.Wait()
	defer cancel()
	s.start()
	for range 3 {
		out, err := exec.Command(s.binary, "run", s.site, "--listen", "127.0.0.1:0").CombinedOutput()
		exit, ok := errors.AsType[*exec.ExitError](err)
		if !ok || exit.ExitCode() != exitWrong || !strings.Contains(string(out), "in use") || strings.Contains(string(out), "msg=listening") {
			t.Errorf("the second daemon: %v: %s", err, out)
		}
	}
	s.until("the first goes on", func() bool { return len(told(s.said.String())) > 20 })
	s.stop()
	s.compare()
	if words := told(s.said.String()); len(keptWords(s.lines)) != len(words) {
		t.Errorf("%d lines told, %d kept", len(words), len(keptWords(s.lines)))
	}
}
