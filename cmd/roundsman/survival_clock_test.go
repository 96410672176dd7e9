package main

import (
	"crypto/tls"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"roundsman/collector/modbus/device"
	"roundsman/exporter/record"
)

// The clock of the machine is nobody's to set, so the program is built once more with a package time of which
// Now tells what a file says: everything in the process meets the step while it runs, links, record, channels,
// certificates and pages, as it would meet it from a time service. The monotonic clock goes on, as the kernel's does.

// nowText is where Go's package time reads the clocks.
const nowText = "\tsec, nsec, mono := runtimeNow()\n\tif mono == 0 {\n\t\treturn Time{"

// overlay writes what the build replaces, and returns the file that says so.
func overlay(t *testing.T) string {
	t.Helper()
	goroot, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	root := filepath.Join(strings.TrimSpace(string(goroot)), "src", "time")
	text, err := os.ReadFile(filepath.Join(root, "time.go"))
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(text), nowText); n != 1 {
		t.Fatalf("package time of %s reads its clocks otherwise: %q stands there %d times", runtime.Version(), nowText, n)
	}
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	write(t, dir, "time.go", strings.Replace(string(text), "sec, nsec, mono := runtimeNow()\n\tif mono == 0 {", "sec, nsec, mono := stepped(runtimeNow())\n\tif mono == 0 {", 1))
	doc, err := json.Marshal(map[string]map[string]string{"Replace": {
		filepath.Join(root, "time.go"):          filepath.Join(dir, "time.go"),
		filepath.Join(root, "stepped.go"):       filepath.Join(here, "testdata", "clock", "stepped.go.txt"),
		filepath.Join(here, "clock_control.go"): filepath.Join(here, "testdata", "clock", "control.go.txt"),
	}})
	if err != nil {
		t.Fatal(err)
	}
	write(t, dir, "overlay.json", string(doc))
	return filepath.Join(dir, "overlay.json")
}

// settable is a daemon whose clock can be set.
type settable struct {
	*watch
	controls *controls
	clock    string // the file
	beats    atomic.Int64
	asked    atomic.Int64 // how often a message was refused
}

// set steps the clock of the daemon, at once or, by drift parts in a thousand million, slowly.
func (s *settable) set(off time.Duration, drift int64) {
	s.Helper()
	write(s.T, filepath.Dir(s.clock), "clock.new", fmt.Sprintln(int64(off), drift))
	if err := os.Rename(filepath.Join(filepath.Dir(s.clock), "clock.new"), s.clock); err != nil {
		s.Fatal(err)
	}
}

func (s *settable) count(words string) int { return strings.Count(s.said.String(), words) }

const steppedRules = `rules:
  slow: {point: p1, low: 5.5 bar, on-delay: 4s, severity: severe, time-to-respond: 1m, response: Look}
  stays: {point: p2, low: 5.5 bar, severity: severe, time-to-respond: 1m, response: Look, call-out: on-call}
  by-day: {point: p3, low: 5.5 bar, severity: severe, time-to-respond: 1m, response: Look, suppress-when: [wash.closed]}
  shelf: {point: p4, low: 5.5 bar, severity: severe, time-to-respond: 1m, response: Look}
`

func newStepped(t *testing.T, binary string) *settable {
	t.Helper()
	s := &settable{controls: newControls(t)}
	site := s.controls.files(t, t.TempDir())
	dir := filepath.Dir(site)
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	write(t, dir, "site.yaml", strings.NewReplacer("time-zone: Europe/Dublin", "time-zone: UTC", "hold-at-most: 150ms", "hold-at-most: 1s, service: [{name: grease bearings, every: 2000 h}]").Replace(string(text))+
		"conditions:\n  wash.open: {hours: {daily: 07:00-20:00}}\n  wash.closed: not wash.open\n")
	write(t, dir, "rules.yaml", steppedRules)
	beats := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { s.beats.Add(1) }))
	t.Cleanup(beats.Close)
	people, err := os.ReadFile(filepath.Join(dir, "contacts.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	write(t, dir, "contacts.yaml", string(people)+"heartbeat: {url: '"+beats.URL+"', every: 10s, unencrypted: true}\n")
	s.controls.refuse(func() bool { s.asked.Add(1); return true })
	s.watch = newWatch(t, site)
	s.binary, s.clock = binary, filepath.Join(dir, "clock")
	s.before = []string{"env", "ROUNDSMAN_TEST_CLOCK=" + s.clock}
	return s
}

// noon is by how much the clock must differ to be at an hour of today, and days later.
func noon(hour, days int) time.Duration {
	now := time.Now().UTC()
	return time.Until(time.Date(now.Year(), now.Month(), now.Day()+days, hour, 0, 0, 0, time.UTC))
}

var dueText = regexp.MustCompile(`roundsman_service_due_seconds\{[^}]*\} (\S+)`)

// due is how long until the pump's service, as told on the page of metrics.
func (s *settable) due() float64 {
	s.Helper()
	resp, err := http.Get(s.address + "/metrics")
	if err != nil {
		s.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		s.Fatal(err)
	}
	m := dueText.FindSubmatch(text)
	if m == nil {
		s.Fatalf("no service is due:\n%.2000s", text)
	}
	f, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		s.Fatal(err)
	}
	return f
}

// step lets the clock step in the middle of a delay: that keeps its length, and nothing else rings.
func (s *settable) step(name string, off time.Duration, drift int64) {
	s.Helper()
	started, all := s.count("alarm=slow event=started"), s.count("msg=alarm ")
	due := s.due()
	s.controls.set(1, 400)
	began := time.Now()
	time.Sleep(2 * time.Second)
	s.set(off, drift)
	s.until(name+": the delay ends", func() bool { return s.count("alarm=slow event=started") > started })
	if took := time.Since(began); took < 3900*time.Millisecond || took > 6500*time.Millisecond {
		s.Errorf("%s: a delay of 4 s took %v", name, took)
	}
	if got := s.due(); got > due || got < due-60 {
		s.Errorf("%s: the service was due in %v s, and is in %v s", name, due, got)
	}
	if n := s.count("alarm=stays event=started"); n != 1 {
		s.Errorf("%s: an alarm that stays was told %d times", name, n)
	}
	s.controls.set(1, 700)
	s.until(name+": it returns", func() bool { return s.alarms()["slow"].State == "returned unacknowledged" })
	var a shownAlarm
	if err := s.ask("POST", "/api/v1/alarms/slow/acknowledge", `{"by":"ann"}`, &a); err != nil {
		s.Errorf("%s: %v", name, err)
	}
	if got := s.alarms()["shelf"]; got.State != "shelved" {
		s.Errorf("%s: the shelved alarm is %s", name, got.State)
	}
	s.Logf("%s: %d alarm events; %d times a message was refused, %d beats", name, s.count("msg=alarm ")-all, s.asked.Load(), s.beats.Load())
}

// The clock of the running program steps by an hour and a year, to and fro, and is slewed: no alarm is lost, told twice
// or put off, no shelf ends, run time and starts are those of the pump, messages and beats go at their pace, opening hours
// follow the new clock, the journal says that it stepped, and the record holds its laws.
//
// The build compiles Go's own library anew, some two minutes of a processor; so this is done with ROUNDSMAN_LONG=1. Without, only
// that Go's package time is still as it must be for it.
func TestHeavyClockStepsUnderTheProgram(t *testing.T) {
	files := overlay(t)
	if !long() {
		return
	}
	binary := filepath.Join(t.TempDir(), "roundsman")
	began := time.Now()
	if out, err := exec.Command("go", "build", "-overlay", files, "-o", binary, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	t.Logf("built in %v", time.Since(began).Round(time.Second))
	t.Run("room", func(t *testing.T) { testStepsInTheRoom(t, binary) })
	t.Run("pages", func(t *testing.T) { testStepsOfThePages(t, binary) })
}

func testStepsInTheRoom(t *testing.T, binary string) {
	s := newStepped(t, binary)
	day := noon(12, 0)
	s.set(day, 0)
	s.start()
	first := time.Now()
	s.until("the first reading", func() bool { return s.reads("p1", 7) })
	s.controls.set(2, 400)
	s.until("an alarm that stays", func() bool { return s.alarms()["stays"].State == "unacknowledged" })
	var shelf shownAlarm
	if err := s.ask("POST", "/api/v1/alarms/shelf/shelve", `{"by":"ann","for":"2h","reason":"hose changed"}`, &shelf); err != nil {
		t.Fatal(err)
	}
	runs := 0
	pump := func(on uint16) {
		if err := s.controls.bank.Set(device.Discrete, 0, on); err != nil {
			t.Fatal(err)
		}
	}
	const year = 365 * 24 * time.Hour
	begins := time.Now()
	steps := []time.Duration{}
	off := day
	for _, tt := range []struct {
		name string
		by   time.Duration
	}{{"an hour on", time.Hour}, {"an hour back", -time.Hour}, {"a year on", year}, {"a year back", -year}, {"a year further back", -year}, {"and on", year}} {
		pump(1)
		runs++
		off += tt.by
		steps = append(steps, tt.by)
		s.step(tt.name, off, 0)
		pump(0)
		time.Sleep(500 * time.Millisecond)
	}
	ran := time.Since(begins) - time.Duration(runs)*500*time.Millisecond
	s.step("slewed by 500 ppm", off, 500_000)
	time.Sleep(5 * time.Second)

	s.set(noon(3, 0), 0)
	steps = append(steps, noon(3, 0)-off)
	s.controls.set(3, 400)
	s.until("at night it is suppressed", func() bool { return s.alarms()["by-day"].State == "suppressed by design" })
	s.set(noon(12, 1), 0)
	steps = append(steps, noon(12, 1)-noon(3, 0))
	s.until("by day it rings", func() bool { return s.alarms()["by-day"].State == "unacknowledged" })

	whole := time.Since(first)
	if n := s.asked.Load(); n < 2 || n > 4+int64(whole/(2*time.Second)) {
		t.Errorf("a message was tried %d times in %v", n, whole)
	}
	if n := s.beats.Load(); n < int64(whole/(20*time.Second)) || n > 2+int64(whole/(10*time.Second)) {
		t.Errorf("%d beats in %v, one each 10 s is asked for", n, whole)
	}
	said := told(s.said.String())
	s.stop()
	s.holdStepped(said, steps, ran, whole, runs)
}

// holdStepped holds the record against what was told and done.
func (s *settable) holdStepped(said []string, steps []time.Duration, ran, whole time.Duration, runs int) {
	s.Helper()
	r := s.reader()
	defer r.Close()
	if err := r.Check(s.Context()); err != nil {
		s.Errorf("the record's own laws: %v", err)
	}
	lines := s.journal()
	if got := keptWords(lines); len(got) < len(said) || !slices.Equal(got[:len(said)], said) {
		s.Errorf("told\n%q\nkept\n%q", said, got)
	}
	var found []time.Duration
	for _, l := range lines {
		if l.Kind == record.ClockStepped {
			found = append(found, l.Length)
		}
	}
	if len(found) != len(steps) {
		s.Errorf("the journal tells of the steps %v, there were %v", found, steps)
	}
	for i := range min(len(found), len(steps)) {
		if (found[i] - steps[i]).Abs() > 2*time.Second {
			s.Errorf("step %d of %v is told as %v", i, steps[i], found[i])
		}
	}
	state, err := r.State(s.Context())
	if err != nil {
		s.Fatal(err)
	}
	d := state.Duty["pump"]
	if d.Starts != uint64(runs) || (d.Run-ran).Abs() > 3*time.Second || d.Seen > whole+5*time.Second || d.Unseen > 5*time.Second {
		s.Errorf("the pump ran %v with %d starts in %v; counted are %v, %d, seen %v, unseen %v", ran, runs, whole, d.Run, d.Starts, d.Seen, d.Unseen)
	}
	s.Logf("the pump ran %v; counted %v, %d starts, unseen %v; steps told %v", ran.Round(time.Millisecond), d.Run.Round(time.Millisecond), d.Starts, d.Unseen, found)
	trend, err := r.Trend(s.Context(), "tick")
	if err != nil {
		s.Fatal(err)
	}
	years := map[int]int{}
	for reading, err := range trend.Readings(s.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			s.Fatal(err)
		}
		years[reading.Time().Year()]++
	}
	if len(years) < 3 {
		s.Errorf("readings of the years %v: those of each step are kept under the date they were told by", years)
	}
}

// Pages over TLS with somebody signed in: neither the certificate nor the session is the clock's victim.
func testStepsOfThePages(t *testing.T, binary string) {
	h := newHouse(t, wiredSite)
	w := newWatch(t, h.path)
	clock := filepath.Join(filepath.Dir(h.path), "clock")
	w.binary, w.before = binary, []string{"env", "ROUNDSMAN_TEST_CLOCK=" + clock}
	s := &settable{watch: w, clock: clock}
	s.set(0, 0)
	w.start()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Jar: jar, Timeout: 20 * time.Second, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}} // its own certificate, looked at below
	resp, err := client.PostForm(w.address+"/sign-in", url.Values{"name": {"n.quill"}, "password": {mop}})
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	var serial string
	for _, off := range []time.Duration{0, time.Hour, 365 * 24 * time.Hour, -365 * 24 * time.Hour, 0} {
		s.set(off, 0)
		time.Sleep(1500 * time.Millisecond) // a look of the daemon at its clock
		resp, err := client.Get(w.address + "/")
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			t.Errorf("%v off: who was signed in gets %s, %s", off, resp.Status, resp.Header.Get("Location"))
		}
		leaf := resp.TLS.PeerCertificates[0]
		if serial == "" {
			serial = leaf.SerialNumber.String()
		}
		if now := time.Now(); now.Before(leaf.NotBefore) || now.After(leaf.NotAfter) || leaf.SerialNumber.String() != serial {
			t.Errorf("%v off: a phone with the right time gets a certificate from %v to %v, %s, was %s", off, leaf.NotBefore, leaf.NotAfter, leaf.SerialNumber, serial)
		}
	}
	w.stop()
}
