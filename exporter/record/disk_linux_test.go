package record_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// A disk of 6 MiB of its own, in a mount and user namespace of the child: no root is needed where the system allows these.
func TestDiskFull(t *testing.T) {
	cmd := childCommand(t.Context(), "disk", t.TempDir())
	cmd.SysProcAttr = &syscall.SysProcAttr{
		Cloneflags:  syscall.CLONE_NEWUSER | syscall.CLONE_NEWNS,
		UidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}},
		GidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}},
	}
	out, err := cmd.Output()
	if errors.Is(err, unix.EPERM) || errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EACCES) || strings.HasPrefix(string(out), "no mount") {
		outsidetest.Lacking(t, "the system gives no namespaces to this user: %v %s", err, out)
	}
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	t.Logf("%s", out)
}

// fillDisk is the child of TestDiskFull.
func fillDisk() error {
	folder := os.Args[1]
	if err := unix.Mount("roundsman", folder, "tmpfs", 0, "size=6m"); err != nil {
		fmt.Println("no mount:", err)
		return nil
	}
	return fill(filepath.Join(folder, "roundsman.db"), record.ErrFull, func(path string) error {
		return os.Remove(path + ".ballast")
	}, 1<<20)
}

// A limit on the size of files, for machines that give no namespaces: the system then fails writes in another way.
func TestFileLimit(t *testing.T) {
	out, err := childCommand(t.Context(), "limit", filepath.Join(t.TempDir(), "roundsman.db")).Output()
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	t.Logf("%s", out)
}

// fillLimit is the child of TestFileLimit.
func fillLimit() error {
	set := func(size uint64) error {
		var l unix.Rlimit
		if err := unix.Getrlimit(unix.RLIMIT_FSIZE, &l); err != nil {
			return err
		}
		l.Cur = min(size, l.Max)
		return unix.Setrlimit(unix.RLIMIT_FSIZE, &l)
	}
	if err := set(300 << 10); err != nil {
		return err
	}
	return fill(os.Args[1], nil, func(string) error { return set(1 << 40) }, -1)
}

// fill writes until it cannot, goes on, has room made, and finds everything written. It returns what is wrong.
func fill(path string, want error, makeRoom func(path string) error, reserve int64) error {
	clock := collector.NewClock()
	if want != nil { // so that room can be made that is neither the record's nor the reserve's
		if err := os.WriteFile(path+".ballast", make([]byte, 3400<<10), 0o600); err != nil {
			return err
		}
	}
	r, err := record.Open(path, record.Options{Clock: clock, Reserve: reserve, Queue: 50, RetryEvery: time.Nanosecond, BeatEvery: time.Hour})
	if err != nil {
		return err
	}
	f := &filler{clock: clock, r: r}
	for f.err == nil {
		if f.sent > 100_000 {
			return errors.New("the disk does not get full")
		}
		f.commit()
	}
	fmt.Println(f.err)
	if want != nil && !errors.Is(f.err, want) || !strings.Contains(f.err.Error(), "; alarms go on, 10 lines wait in memory") {
		return fmt.Errorf("the full disk is told as %w", f.err)
	}
	written := f.sent - 10
	for range 9 {
		f.commit()
	}
	s := r.Status()
	if s.OK() || s.Waiting != 50 || s.Lost != 50 || s.Seq != uint64(written)+1 {
		return fmt.Errorf("status is %+v after %d lines written", s, written)
	}
	if err := count(r.Reader, written+1); err != nil { // reading goes on
		return err
	}
	if err := makeRoom(path); err != nil {
		return err
	}
	if f.commit(); f.err != nil {
		return fmt.Errorf("with room again: %w", f.err)
	}
	if s := r.Status(); !s.OK() || s.Waiting != 0 {
		return fmt.Errorf("status is %+v with room again", s)
	}
	// The start, what was written, 'lines lost' in the place of 60, and the latest 50.
	if err := errors.Join(count(r.Reader, 1+written+1+50), r.Check(context.Background())); err != nil {
		return err
	}
	if reserve > 0 {
		if err := f.pruneFull(path); err != nil {
			return err
		}
	}
	return r.Close()
}

// pruneFull fills the disk again and makes room from within, which needs the reserve.
func (f *filler) pruneFull(path string) error {
	ballast, err := os.Create(path + ".ballast")
	if err != nil {
		return err
	}
	for err == nil {
		_, err = ballast.Write(make([]byte, 512))
	}
	if err := ballast.Close(); err != nil {
		return err
	}
	for f.err == nil {
		f.commit()
	}
	if !f.r.Status().Reserve {
		return errors.New("the reserve is gone before it was needed")
	}
	n, err := f.r.Prune(time.Now().Add(time.Hour))
	if err != nil || n == 0 {
		return fmt.Errorf("pruned %d lines of a full disk: %w", n, err)
	}
	for range 5 {
		if f.commit(); f.err != nil {
			return fmt.Errorf("after %d lines were pruned: %w", n, f.err)
		}
	}
	fmt.Println("pruned", n, "lines on a full disk, reserve left:", f.r.Status().Reserve)
	return f.r.Check(context.Background())
}

// filler commits ten lawful lines at a time.
type filler struct {
	clock *collector.Clock
	r     *record.Record
	state rules.State
	sent  int
	acts  uint64
	err   error
}

func (f *filler) commit() {
	c := record.Change{At: f.clock.Now()}
	for range 10 {
		from, to, kind := f.state, rules.Unacknowledged, rules.EventStarted
		if from == rules.Unacknowledged {
			to, kind = rules.Normal, rules.EventReturned
		} else {
			f.acts++
		}
		c.Lines = append(c.Lines, record.Line{Kind: record.Kind(kind.String()), Alarm: "air-low", Point: "air.header.pressure", From: from, To: to,
			Value: 5.31, Limit: 5.5, Unit: "bar", Quality: collector.Good})
		f.state = to
	}
	c.KeepAlarm("air-low", rules.AlarmMemory{State: f.state, Activations: f.acts})
	f.sent += 10
	f.err = f.r.Commit(&c)
}

func count(r *record.Reader, want int) error {
	n := 0
	for l, err := range r.Journal(context.Background(), record.Query{}) {
		if err != nil {
			return err
		}
		if n++; l.Kind == record.LinesLost && (l.Count != 60 || l.Until.IsZero()) {
			return fmt.Errorf("lines lost: %+v", l)
		}
	}
	if n != want {
		return fmt.Errorf("the journal has %d lines, want %d", n, want)
	}
	return nil
}

// A folder that may not be written, seen by a user who is not root.
func TestReadOnlyFolder(t *testing.T) {
	folder := t.TempDir()
	p := filepath.Join(folder, "roundsman.db")
	r, err := record.Open(p, record.Options{Clock: collector.NewClock(), Reserve: -1})
	if err != nil {
		t.Fatal(err)
	}
	closed(t, r, p)
	for _, name := range []string{"", ".lock"} {
		if err := os.Chmod(p+name, 0o444); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(os.Chmod(filepath.Dir(folder), 0o755), os.Chmod(folder, 0o555)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.Chmod(folder, 0o755) }) // so that it can be removed
	for _, p := range []string{p, filepath.Join(folder, "new.db")} {
		cmd := childCommand(t.Context(), "nobody", p)
		cmd.Stderr = nil
		out, err := cmd.CombinedOutput()
		if exit := new(exec.ExitError); err != nil && !errors.As(err, &exit) {
			t.Fatal(err)
		}
		if got := string(out); !strings.HasPrefix(got, "record "+p+": open: may not be written: ") || strings.Count(got, "\n") != 1 {
			t.Errorf("got %q", got)
		}
	}
}

// openAsNobody is the child of TestReadOnlyFolder.
func openAsNobody() error {
	if os.Getuid() == 0 {
		if err := errors.Join(syscall.Setgroups(nil), syscall.Setgid(65534), syscall.Setuid(65534)); err != nil {
			return err
		}
	}
	r, err := record.Open(os.Args[1], record.Options{Clock: collector.NewClock(), Reserve: -1})
	if err == nil {
		return errors.Join(errors.New("opened"), r.Close())
	}
	return err
}
