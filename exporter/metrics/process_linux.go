package metrics

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"strconv"
	"time"

	"golang.org/x/sys/unix"
)

// process reads what the process takes, by proc(5), getrusage(2) and getrlimit(2).
type process struct {
	statm   *os.File      // nil where /proc cannot be read
	started time.Duration // after boot; negative: not known
	told    float64       // the start that was told last
	page    float64       // bytes
	buf     [128]byte
}

// openProcess opens what is read at each scrape. What cannot be opened is not shown.
func openProcess() *process {
	p := &process{told: math.Inf(-1), page: float64(os.Getpagesize())}
	if f, err := os.Open("/proc/self/statm"); err == nil {
		p.statm = f
	}
	p.started = -1
	if stat, err := os.ReadFile("/proc/self/stat"); err == nil {
		if d, err := startOf(stat); err == nil {
			p.started = d
		}
	}
	return p
}

// ticks is the unit of times in /proc/self/stat: USER_HZ, 100 a second on all of Linux's usual machines.
const ticks = time.Second / 100

// startOf returns how long after boot the process began, from the text of
// /proc/self/stat: field 22, counted behind the name, which may hold blanks and brackets.
func startOf(stat []byte) (time.Duration, error) {
	fields := bytes.Fields(stat[bytes.LastIndexByte(stat, ')')+1:])
	const third, start = 3, 22
	if len(fields) <= start-third {
		return 0, fmt.Errorf("stat: %d fields behind the name, more than %d expected", len(fields), start-third)
	}
	n, err := strconv.ParseInt(string(fields[start-third]), 10, 64)
	return time.Duration(n) * ticks, err
}

func (p *process) usage() usage {
	u := unknownUsage()
	var r unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &r) == nil {
		u.cpu = time.Duration(r.Utime.Nano() + r.Stime.Nano()).Seconds()
	}
	u.virtual, u.resident = p.memory()
	u.open = openFiles()
	var l unix.Rlimit
	if unix.Getrlimit(unix.RLIMIT_NOFILE, &l) == nil {
		u.most = float64(l.Cur)
	}
	u.start = p.start()
	return u
}

// memory returns the first two figures of /proc/self/statm, in bytes.
func (p *process) memory() (virtual, resident float64) {
	if p.statm == nil {
		return math.NaN(), math.NaN()
	}
	n, _ := p.statm.ReadAt(p.buf[:], 0) // the file is shorter than the buffer: it ends with io.EOF
	first, rest, _ := bytes.Cut(p.buf[:n], []byte{' '})
	second, _, _ := bytes.Cut(rest, []byte{' '})
	return p.pages(first), p.pages(second)
}

func (p *process) pages(text []byte) float64 {
	n, err := strconv.ParseUint(string(text), 10, 64)
	if err != nil {
		return math.NaN()
	}
	return float64(n) * p.page
}

// openFiles returns how many descriptors are open. The folder's size tells it
// from Linux 6.2 on; before, its entries are counted, without the one that counts.
func openFiles() float64 {
	const folder = "/proc/self/fd"
	var st unix.Stat_t
	if unix.Stat(folder, &st) == nil && st.Size > 0 {
		return float64(st.Size)
	}
	return countFiles(folder)
}

func countFiles(folder string) float64 {
	d, err := os.Open(folder)
	if err != nil {
		return math.NaN()
	}
	defer d.Close()
	names, err := d.Readdirnames(-1)
	if err != nil {
		return math.NaN()
	}
	return float64(len(names) - 1)
}

// start returns when the process began by the wall clock as it is set now.
func (p *process) start() float64 {
	var boot unix.Timespec
	if p.started < 0 || unix.ClockGettime(unix.CLOCK_BOOTTIME, &boot) != nil {
		return math.NaN()
	}
	running := time.Duration(boot.Nano()) - p.started
	p.told = steady(p.told, float64(time.Now().Add(-running).UnixMilli())/1000)
	return p.told
}
