package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
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

	"roundsman/collector/modbus/device"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
	"roundsman/rules"
)

// long makes the survival tests as long as one has patience for.
func long() bool { return os.Getenv("ROUNDSMAN_LONG") == "1" }

// watch is the real program in a process of its own.
type watch struct {
	*testing.T
	binary  string
	site    string   // its file
	before  []string // words of the command line before the program's
	root    string   // under which the test sees the program's files; "": as it does
	folder  string   // of the record, beside the site file; "": the same
	address string   // of the pages, while it runs
	said    *lockedBuffer
	cmd     *exec.Cmd
}

func newWatch(t *testing.T, site string) *watch {
	w := &watch{T: t, binary: daemonBinary(t), site: site}
	t.Cleanup(func() {
		if w.cmd != nil {
			w.kill()
		}
	})
	return w
}

var listenPattern = regexp.MustCompile(`msg=listening .*address=(https?://\S+)`)

// start starts the program and waits until it listens.
func (w *watch) start() {
	w.Helper()
	w.launch()
	w.until("it listens", func() bool {
		m := listenPattern.FindStringSubmatch(w.said.String())
		if m != nil {
			w.address = m[1]
		}
		return m != nil
	})
}

func (w *watch) launch() {
	w.Helper()
	args := slices.Concat(w.before, []string{w.binary, "run", w.site, "--listen", "127.0.0.1:0"})
	w.cmd, w.said, w.address = exec.Command(args[0], args[1:]...), &lockedBuffer{}, ""
	w.cmd.Stderr, w.cmd.Stdout = w.said, w.said
	if err := w.cmd.Start(); err != nil {
		w.Fatal(err)
	}
}

// kill ends it as a power switch does.
func (w *watch) kill() {
	_ = w.cmd.Process.Kill()
	_ = w.cmd.Wait()
	w.cmd = nil
}

// stop asks it to end and returns how long that took.
func (w *watch) stop() time.Duration {
	w.Helper()
	began := time.Now()
	if err := w.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		w.Fatal(err)
	}
	err := w.cmd.Wait()
	if w.cmd = nil; err != nil {
		w.Errorf("the planned stop: %v\n%s", err, w.said)
	}
	return time.Since(began)
}

// until waits for something that comes by itself.
func (w *watch) until(what string, there func() bool) {
	w.Helper()
	for end := time.Now().Add(40 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if there() {
			return
		}
	}
	w.Fatalf("%s: not within 40 s\n%s", what, w.quiet())
}

// quiet is what the program said apart from the plant's alarms.
func (w *watch) quiet() string {
	var b strings.Builder
	for line := range strings.Lines(w.said.String()) {
		if !strings.Contains(line, "msg=alarm alarm=low") {
			b.WriteString(line)
		}
	}
	return b.String()
}

// ask does a request and decodes the answer; nobody may be there to answer.
func (w *watch) ask(method, path, body string, into any) error {
	req, err := http.NewRequestWithContext(w.Context(), method, w.address+path, strings.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	client := http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		return err
	}
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: %s", resp.Status, text)
	}
	return json.Unmarshal(text, into)
}

// shownAlarm is an alarm as the JSON interface tells it.
type shownAlarm struct{ Alarm, State, AcknowledgedBy, By, Until string }

func (w *watch) alarms() map[string]shownAlarm {
	var list []shownAlarm
	if err := w.ask("GET", "/api/v1/alarms?state=all", "", &list); err != nil {
		w.Fatal(err)
	}
	all := map[string]shownAlarm{}
	for _, a := range list {
		all[a.Alarm] = a
	}
	return all
}

// shownPoint is a point as the JSON interface tells it.
type shownPoint struct {
	Point, Quality, Reason string
	Value                  any
}

func (w *watch) point(name string) (p shownPoint) {
	var list []shownPoint
	if err := w.ask("GET", "/api/v1/points", "", &list); err != nil {
		return p
	}
	for _, p = range list {
		if p.Point == name {
			return p
		}
	}
	w.Fatalf("no point %s", name)
	return p
}

// reads reports whether a point reads a value and is good.
func (w *watch) reads(name string, value float64) bool {
	p := w.point(name)
	return p.Quality == "good" && p.Value == value
}

func (w *watch) database() string {
	return filepath.Join(w.root, filepath.Dir(w.site), w.folder, "corner.db")
}

// readable is a path under which SQLite finds the record: a copy where the test sees the files through a link of the
// kernel's, which SQLite would follow to a name that means another place here. Then nobody may write meanwhile.
func (w *watch) readable() string {
	if w.root == "" {
		return w.database()
	}
	folder := w.TempDir()
	for _, end := range []string{"", "-wal"} {
		text, err := os.ReadFile(w.database() + end)
		if err != nil && end == "" {
			w.Fatal(err)
		}
		if err == nil {
			write(w.T, folder, "corner.db"+end, string(text))
		}
	}
	return filepath.Join(folder, "corner.db")
}

// reader opens the record to read beside whoever writes it.
func (w *watch) reader() *record.Reader {
	w.Helper()
	r, err := record.Read(w.readable())
	if err != nil {
		w.Fatal(err)
	}
	return r
}

// journal returns all lines of the record.
func (w *watch) journal() []record.Line {
	w.Helper()
	r := w.reader()
	defer r.Close()
	return recordtest.Lines(w.T, r, record.Query{})
}

// usage returns the memory of a process in MiB, the number of its open files and its processor time, as the kernel
// has them (proc(5)).
func usage(pid int) (resident float64, files int, processor time.Duration, err error) {
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, 0, 0, err
	}
	if m := regexp.MustCompile(`VmRSS:\s+(\d+) kB`).FindSubmatch(status); m != nil {
		kib, _ := strconv.ParseFloat(string(m[1]), 64)
		resident = kib / 1024
	}
	list, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	if err != nil {
		return 0, 0, 0, err
	}
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0, 0, 0, err
	}
	fields := bytes.Fields(stat[bytes.LastIndexByte(stat, ')')+1:])
	const user, system, tick = 11, 12, 10 * time.Millisecond // fields 14 and 15 of stat; USER_HZ is 100
	for _, f := range [][]byte{fields[user], fields[system]} {
		n, err := strconv.Atoi(string(f))
		if err != nil {
			return 0, 0, 0, err
		}
		processor += time.Duration(n) * tick
	}
	return resident, len(list), processor, nil
}

const (
	stormPoints = 24
	tickAt      = 100 // register that counts the parent's steps
)

// controls is a simulated controller in the test's process, and a place that takes messages, now and then.
type controls struct {
	bank   *device.Bank
	server *device.Server
	plc    string
	chat   *httptest.Server

	mu       sync.Mutex
	refusing func() bool
	came     map[string]string // messages by key, with their texts
	taken    map[string]int    // how often each was accepted
}

func newControls(t *testing.T) *controls {
	t.Helper()
	c := &controls{came: map[string]string{}, taken: map[string]int{}, refusing: func() bool { return false }}
	c.bank = device.NewBank(device.Range{Table: device.Holding, First: 0, Last: tickAt}, device.Range{Table: device.Discrete, First: 0, Last: 0})
	c.server = device.New(map[uint8]*device.Bank{1: c.bank}, device.Options{})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	work.Go(func() { _ = c.server.ServeTCP(ctx, l) })
	c.plc = l.Addr().String()
	c.chat = httptest.NewServer(http.HandlerFunc(c.message))
	t.Cleanup(func() { cancel(); work.Wait(); c.chat.Close() })
	for p := range stormPoints {
		c.set(p, 700)
	}
	return c
}

func (c *controls) message(w http.ResponseWriter, r *http.Request) {
	var m struct{ Key, Text string }
	err := json.NewDecoder(r.Body).Decode(&m)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.came[m.Key] = m.Text
	if err != nil || c.refusing() {
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	c.taken[m.Key]++
}

func (c *controls) refuse(f func() bool) {
	c.mu.Lock()
	c.refusing = f
	c.mu.Unlock()
}

// messages returns what came, and how often each was accepted.
func (c *controls) messages() (came map[string]string, taken map[string]int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return maps.Clone(c.came), maps.Clone(c.taken)
}

func (c *controls) set(point int, centibar uint16) {
	if err := c.bank.Set(device.Holding, uint16(point), centibar); err != nil {
		panic(err) // the bank is ours
	}
}

// files writes the site's files: a point every 100 ms each, low alarms that differ in their delays, a pump, a person to
// call. It returns the site file's path.
func (c *controls) files(t *testing.T, dir string) string {
	t.Helper()
	var site, list strings.Builder
	fmt.Fprintf(&site, `site: {name: Corner Wash, time-zone: Europe/Dublin}
record: {path: corner.db}
contacts: contacts.yaml
rules: [rules.yaml]
links:
  plc: {modbus: 'tcp://%s', timeout: 500ms}
equipment:
  pump: {run: pump.running, rated: 7.5 kW, join: 100ms, hold-at-most: 150ms}
points:
  pump.running: {station: air, link: plc, unit-id: 1, discrete: 0, type: bool, every: 100ms}
  tick: {station: air, link: plc, unit-id: 1, holding: %d, type: uint16, unit: '%%', every: 100ms}
`, c.plc, tickAt)
	list.WriteString("rules:\n")
	for p := range stormPoints {
		fmt.Fprintf(&site, "  p%d: {station: air, link: plc, unit-id: 1, holding: %d, type: int16, scale: {from: [0, 1000], to: [0 bar, 10 bar]}, every: 100ms}\n", p, p)
		call := ""
		if p == 0 || p == stormPoints-1 {
			call = ", call-out: on-call"
		}
		fmt.Fprintf(&list, "  low%d: {point: p%d, low: 5.5 bar, deadband: 0.3 bar, on-delay: %dms, off-delay: %dms, severity: severe, time-to-respond: 1m, response: Look%s}\n", p, p, p%4*100, p%3*150, call)
	}
	write(t, dir, "site.yaml", site.String())
	write(t, dir, "rules.yaml", list.String())
	write(t, dir, "contacts.yaml", fmt.Sprintf(`people:
  ann: {name: Ann Boyd, channels: [chat]}
channels:
  chat: {webhook: '%s'}
call-outs:
  on-call: {steps: [{who: ann}]}
`, c.chat.URL))
	return filepath.Join(dir, "site.yaml")
}

// told is what the program said on standard error about alarms, in order: it says so when it is kept.
func told(log string) []string {
	var list []string
	for _, m := range toldPattern.FindAllStringSubmatch(log, -1) {
		event := strings.Trim(m[2], `"`)
		list = append(list, m[1]+" "+event+" "+strings.Trim(m[3], `"`))
	}
	return list
}

// The last line of a killed program may be cut off: only whole lines count.
var toldPattern = regexp.MustCompile(`(?m)^time=\S+ level=INFO msg=alarm alarm=(\S+) event=(\w+|"[^"]*") state=(\w+|"[^"]*") .*\n`)

// kept puts the journal's lines about alarms into the same words.
func keptWords(lines []record.Line) []string {
	var list []string
	for _, l := range lines {
		if l.Alarm != "" {
			list = append(list, l.Alarm+" "+string(l.Kind)+" "+l.To.String())
		}
	}
	return list
}

// last returns the state of each alarm after the lines.
func lastStates(lines []record.Line) map[string]rules.State {
	states := map[string]rules.State{}
	for _, l := range lines {
		if l.Alarm != "" {
			states[l.Alarm] = l.To
		}
	}
	return states
}
