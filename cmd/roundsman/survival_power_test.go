package main

import (
	"bufio"
	"context"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

// The power cut. The real daemon runs under strace, which writes down each of its calls that changes a file, each flush,
// and each line that it says. From that the test makes what a disk may hold when the power goes at any of these calls: all
// that was flushed, and of the rest any part, in any order, whole sectors at a time. That is what POSIX lets a file system
// lose; a real one keeps more.

// effect is one call of the daemon.
type effect struct {
	kind       effectKind
	file       string // base name
	at         int64
	data       []byte // of a write
	begun      int    // place in the order of begins
	done       int    // place in the order of ends; a flush counts from there
	when       time.Time
	told       string // of a line
	successful bool
}

type effectKind uint8

const (
	writing effectKind = iota + 1
	cutting
	removing
	flushing
	flushingFolder
	telling
)

const sector = 512

var (
	beginPattern  = regexp.MustCompile(`^(\d+)\s+(\d+\.\d+) (\w+)\((.*)$`)
	resumePattern = regexp.MustCompile(`^(\d+)\s+(\d+\.\d+) <\.\.\. (\w+) resumed>(.*)$`)
	hexText       = `((?:\\x[0-9a-f]{2})*)`
	callPatterns  = []struct {
		call *regexp.Regexp // its name
		kind effectKind
		form *regexp.Regexp
	}{
		{regexp.MustCompile(`^pwrite64$`), writing, regexp.MustCompile(`^\d+<` + hexText + `>, "` + hexText + `", \d+, (\d+)\)\s+= (\d+)`)},
		{regexp.MustCompile(`^ftruncate$`), cutting, regexp.MustCompile(`^\d+<` + hexText + `>, (\d+)\)\s+= 0`)},
		{regexp.MustCompile(`^unlink$`), removing, regexp.MustCompile(`^"` + hexText + `"\)\s+= 0`)},
		{regexp.MustCompile(`^unlinkat$`), removing, regexp.MustCompile(`^[^,]*, "` + hexText + `", 0\)\s+= 0`)},
		{regexp.MustCompile(`^f(data)?sync$`), flushing, regexp.MustCompile(`^\d+<` + hexText + `>\)\s+= 0`)},
		{regexp.MustCompile(`^write$`), telling, regexp.MustCompile(`^2<[^>]*>, "` + hexText + `", \d+\)\s+= \d+`)},
	}
)

func unhex(s string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(s, `\x`, ""))
	if err != nil {
		panic(err) // the pattern let only hex through
	}
	return b
}

// readTrace returns the effects in the order in which they began.
func readTrace(t *testing.T, path, folder string) []effect {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var effects []effect
	open := map[string]int{} // by thread: the effect that has not ended
	texts := map[string]string{}
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 64<<20)
	for n := 0; lines.Scan(); n++ {
		line := lines.Text()
		if m := resumePattern.FindStringSubmatch(line); m != nil {
			if i, ok := open[m[1]]; ok {
				finish(&effects[i], m[3], texts[m[1]]+m[4], folder, n)
				delete(open, m[1])
			}
			continue
		}
		m := beginPattern.FindStringSubmatch(line)
		if m == nil {
			continue // an exit or a signal
		}
		seconds, err := strconv.ParseFloat(m[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		e := effect{begun: n, when: time.UnixMicro(int64(seconds * 1e6))}
		rest, unfinished := strings.CutSuffix(m[4], " <unfinished ...>")
		if unfinished {
			open[m[1]], texts[m[1]] = len(effects), rest
		} else {
			finish(&e, m[3], rest, folder, n)
		}
		effects = append(effects, e)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	return slices.DeleteFunc(effects, func(e effect) bool { return !e.successful })
}

// finish fills the effect from the whole call.
func finish(e *effect, call, text, folder string, n int) {
	for _, p := range callPatterns {
		if !p.call.MatchString(call) {
			continue
		}
		m := p.form.FindStringSubmatch(text)
		if m == nil {
			return
		}
		e.kind, e.done, e.successful = p.kind, n, true
		first := string(unhex(m[1]))
		switch p.kind {
		case telling:
			e.told = first
			return
		case writing:
			e.data = unhex(m[2])
			e.at, _ = strconv.ParseInt(m[3], 10, 64)
			n, _ := strconv.Atoi(m[4])
			e.data = e.data[:n]
		case cutting:
			e.at, _ = strconv.ParseInt(m[2], 10, 64)
		case flushing:
			if first == folder {
				e.kind = flushingFolder
			}
		}
		e.file = filepath.Base(first)
		return
	}
}

// onDisk is one name of the record's files.
type onDisk struct {
	there   bool
	data    []byte // flushed
	pending []*effect
}

func (d *onDisk) apply(e *effect, keep func(sector int) bool) {
	switch e.kind {
	case removing:
		d.there, d.data = false, nil
	case cutting:
		d.there = true
		d.size(int(e.at))
	case writing:
		d.there = true
		d.size(max(len(d.data), int(e.at)+len(e.data)))
		for from := 0; from < len(e.data); {
			to := min(len(e.data), from+sector-(int(e.at)+from)%sector)
			if keep == nil || keep(from) {
				copy(d.data[int(e.at)+from:], e.data[from:to])
			}
			from = to
		}
	}
}

func (d *onDisk) size(n int) {
	if n <= len(d.data) {
		d.data = d.data[:n]
		return
	}
	d.data = append(d.data, make([]byte, n-len(d.data))...)
}

// disk is what lies on it for sure, and what is on its way.
type disk map[string]*onDisk

// recordFiles are those that a reboot finds; the third of SQLite's, shared memory, is made anew.
var recordFiles = []string{"corner.db", "corner.db-wal", "corner.db-journal"}

// take lets one more call happen.
func (d disk) take(e *effect) {
	switch e.kind {
	case writing, cutting, removing:
		if slices.Contains(recordFiles, e.file) {
			if d[e.file] == nil {
				d[e.file] = &onDisk{}
			}
			d[e.file].pending = append(d[e.file].pending, e)
		}
	case flushing:
		if f := d[e.file]; f != nil {
			f.flush(func(p *effect) bool { return p.done < e.begun })
		}
	case flushingFolder:
		for _, f := range d {
			if i := slices.IndexFunc(f.pending, func(p *effect) bool { return p.kind == removing && p.done < e.begun }); i >= 0 {
				f.flush(func(p *effect) bool { return p.begun <= f.pending[i].begun })
			}
		}
	}
}

func (f *onDisk) flush(covered func(*effect) bool) {
	var left []*effect
	for _, p := range f.pending {
		if covered(p) {
			f.apply(p, nil)
		} else {
			left = append(left, p)
		}
	}
	f.pending = left
}

// cut writes the files as a power cut may leave them.
func (d disk) cut(random *rand.Rand, folder string) error {
	share := []int{0, 100, random.IntN(101)}[random.IntN(3)] // of what was not flushed, in percent, that came down
	for name, f := range d {
		left := &onDisk{there: f.there, data: slices.Clone(f.data)}
		for _, p := range f.pending {
			lost := random.IntN(100) >= share
			if lost && p.kind == removing {
				break // what follows belongs to another file of that name
			}
			if !lost {
				left.apply(p, func(int) bool { return share == 100 || random.IntN(4) > 0 })
			}
		}
		if !left.there {
			continue
		}
		if err := os.WriteFile(filepath.Join(folder, name), left.data, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// traced is a daemon's life under strace.
type traced struct {
	effects []effect
	storm   *storm
}

// traceLife lets the daemon live for a time under strace, and kills it.
func traceLife(t *testing.T, length time.Duration) *traced {
	t.Helper()
	strace := outsidetest.Program(t, "strace", "strace")
	s := newStorm(t, 3)
	trace := filepath.Join(t.TempDir(), "trace")
	trial := exec.Command(strace, "-o", trace, "true")
	if out, err := trial.CombinedOutput(); err != nil {
		outsidetest.Lacking(t, "the system lets nobody be traced: %v: %s", err, out)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var plant sync.WaitGroup
	plant.Go(func() { s.move(ctx, 3) })
	defer plant.Wait()
	defer cancel()
	s.before = []string{strace, "-f", "-ttt", "-y", "-xx", "-s", "2000000", "--seccomp-bpf",
		"-e", "trace=pwrite64,pwritev,write,fsync,fdatasync,ftruncate,unlink,unlinkat,rename,renameat,renameat2", "-o", trace}
	s.start()
	for end := time.Now().Add(length); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		s.act()
	}
	// strace ends with what it traces, and leaves it alone when it is killed itself.
	line, err := os.ReadFile(s.database() + ".lock")
	if err != nil {
		t.Fatal(err)
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(line)))
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	_ = s.cmd.Wait()
	s.cmd = nil
	folder, err := filepath.EvalSymlinks(filepath.Dir(s.site))
	if err != nil {
		t.Fatal(err)
	}
	return &traced{effects: readTrace(t, trace, folder), storm: s}
}

// quick is a folder in memory where there is one: the images need no real disk.
func quick(t *testing.T) string {
	t.Helper()
	if dir, err := os.MkdirTemp("/dev/shm", "roundsman-test-"); err == nil {
		t.Cleanup(func() { os.RemoveAll(dir) })
		return dir
	}
	return t.TempDir()
}

// The power goes at any call of a life under load: the record opens, holds its own laws, has every line
// that was told, and all readings but the latest ten seconds.
func TestHeavyPowerCut(t *testing.T) {
	t.Parallel()
	length, cuts := 16*time.Second, 60
	if long() {
		length, cuts = 3*time.Minute, 4000
	}
	if testing.Short() {
		length, cuts = 13*time.Second, 20
	}
	life := traceLife(t, length)
	random := rand.New(rand.NewPCG(7, 26))
	points := map[int]bool{}
	for range cuts {
		points[random.IntN(len(life.effects))] = true
	}
	base := quick(t)
	d := disk{}
	var words []string
	c := cutCheck{T: t}
	for i := range life.effects {
		e := &life.effects[i]
		d.take(e)
		words = append(words, told(e.told)...)
		if !points[i] {
			continue
		}
		folder := filepath.Join(base, strconv.Itoa(i))
		if err := os.Mkdir(folder, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := d.cut(random, folder); err != nil {
			t.Fatal(err)
		}
		c.hold(fmt.Sprintf("cut at call %d of %d", i, len(life.effects)), filepath.Join(folder, "corner.db"), words, e.when)
		if t.Failed() {
			return
		}
		os.RemoveAll(folder)
	}
	if len(words) < 50 || c.longest > 10500*time.Millisecond || c.most < 50 {
		t.Errorf("%d lines were told, %d kept; %v of readings lost at most", len(words), c.most, c.longest)
	}
	t.Logf("%d cuts in %d calls, %d lines told; lines kept beyond: %d; readings lost: %v at most", len(points), len(life.effects), len(words), c.beyond, c.longest.Round(time.Millisecond))
	life.restart(d, random)
}

// cutCheck holds records after a cut against what was told before it.
type cutCheck struct {
	*testing.T
	first   time.Time // of the readings
	longest time.Duration
	beyond  int // lines that were kept and not told
	most    int // lines
}

func (c *cutCheck) hold(what, path string, words []string, when time.Time) {
	c.Helper()
	r, err := record.Open(path, record.Options{Clock: collector.NewClock(), Reserve: -1})
	if err != nil {
		c.Errorf("%s: %v", what, err)
		return
	}
	defer r.Close()
	if aside := r.SetAside(); aside != "" {
		c.Errorf("%s: the record was damaged", what)
	}
	if err := r.Check(c.Context()); err != nil {
		c.Errorf("%s: the record's own laws: %v", what, err)
	}
	got := keptWords(recordtest.Lines(c.T, r.Reader, record.Query{}))
	if len(got) < len(words) || !slices.Equal(got[:len(words)], words) {
		c.Errorf("%s: told\n%q\nkept\n%q", what, words, got)
		return
	}
	c.beyond, c.most = c.beyond+len(got)-len(words), max(c.most, len(got))
	c.readings(r, when)
}

// readings measures how much of them is lost.
func (c *cutCheck) readings(r *record.Record, when time.Time) {
	c.Helper()
	last := c.first
	if tr, err := r.Trend(c.Context(), "tick"); err == nil {
		for s, err := range tr.Readings(c.Context(), time.Time{}, time.Time{}) {
			if err != nil {
				c.Fatal(err)
			}
			if c.first.IsZero() {
				c.first = s.Time()
			}
			last = s.Time()
		}
	}
	if !last.IsZero() {
		c.longest = max(c.longest, when.Sub(last))
	}
}

// restart: the daemon itself starts on what a cut at the end left, and says that it was off.
func (l *traced) restart(d disk, random *rand.Rand) {
	s := l.storm
	s.Helper()
	files, err := filepath.Glob(s.database() + "*")
	if err != nil {
		s.Fatal(err)
	}
	for _, f := range files {
		if err := os.Remove(f); err != nil {
			s.Fatal(err)
		}
	}
	if err := d.cut(random, filepath.Dir(s.site)); err != nil {
		s.Fatal(err)
	}
	s.before = nil
	s.start()
	s.until("the outage is on the journal", func() bool {
		return slices.ContainsFunc(s.journal(), func(l record.Line) bool { return l.Kind == record.Outage })
	})
	s.sameShelves()
	s.stop()
}
