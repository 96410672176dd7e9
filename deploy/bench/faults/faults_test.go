//go:build unix

package faults_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"roundsman/collector/outsidetest"
	"roundsman/deploy/bench/faults"
)

const (
	perPeer  = 8 // points a peer has; the alarm of a phase is that of one of them
	tick     = 250 * time.Millisecond
	recovery = 45 * time.Second // the same once the lines are well again: a dead connection is noticed after 15 s, and the longest pause is 15 s
	longest  = 30 * time.Second // until an alarm must have come or gone through a bad line: the longest wait for a new try is 15 s
)

// lines in the order of the table; the first three bring readings.
var lines = []string{"Modbus TCP", "serial line", "MQTT", "mail"}

// peers in the order of their points: p0-7 over Modbus TCP, p8-15 over the serial line, p16-23 from the broker.
var peers = []string{"Modbus TCP", "serial line", "MQTT"}

// matrix is the real program between foreign peers.
type matrix struct {
	*testing.T
	dir     string
	stop    context.Context
	work    sync.WaitGroup
	proxies map[string]*faults.Proxy // by line; of mail that of the row
	post    []*faults.Proxy          // by row: a channel that failed rests for minutes, so each has its own
	tcp     io.Writer                // standard input of the foreign Modbus servers
	rtu     io.Writer
	broker  paho.Client
	address string // of the program's pages
	program *exec.Cmd

	acks []*bufio.Scanner // the foreign Modbus servers' words that they hold the new values
	seen map[string]bool  // readings of the row
	kind faults.Kind      // of the row

	mu    sync.Mutex
	count int
	low   int // index of the points that are low now, -1 none
	past  []moment
	mails []letter
}

// moment is what the peers held from a time on: some of it at once, all of it when the peers had said so.
type moment struct {
	from, whole time.Time
	values      [3 * perPeer]float64
}

// counts are the figures of one row.
type counts struct {
	disturbed                                        map[string]int // lumps, by line
	good, notGood, wrong, missed, late, stays, extra int
	read, old                                        [3]int // by peer: readings, and those whose value the peer held no more
}

// oldest is the share of old readings, in percent, of the peer that has most.
func (c *counts) oldest() (percent int) {
	for i, n := range c.read {
		percent = max(percent, 100*c.old[i]/max(1, n))
	}
	return percent
}

// legend says what the table's words and figures rest on.
const legend = `a row is one fault on all lines at once, on one lump (what one read gives: a frame, mostly) in so many, at random:
  Modbus TCP and serial line 1 in 6, both ways; MQTT 1 in 60 and mail 1 in 2 of what the foreign server sends. One point of each peer goes low.
  not good: looks at a point that was not called good then. wrong: a good reading whose value the peer did not hold while it can have been under way.
  old: the share of readings, of the peer with most, whose value had been followed by another before the answer came. A program that is one
  answer behind has 85 to 100 of 100.
  late: the alarm came only when the line was well again, since it broke sooner than it was made anew; missed: not even then, within 45 s.
  stays: an alarm that did not return. false: one that rang for nothing. A serial line cannot be reset: there that row drops.
  MQTT is subscribed with QoS 0: what is lost between broker and box is lost, as in any stream that loses lumps, and the next value mends it. With
  QoS 1 the broker waits for acknowledgements of what never came, until its window is full (20 in mosquitto), which TCP, that loses nothing, does not bring about.
  Corruption keeps to the headers of Modbus TCP (8 bytes) and MQTT (2) and to mail's reply codes: what they carry rests on TCP's own check.`

// TestHeavyMatrix: whatever the lines do, no reading is wrong, no alarm is missed or false, no message is lost. A row is one
// fault on all lines at once, for a while in which one point of each peer really goes low.
// While a line breaks again and again sooner than it is made anew, an alarm can only come when that ends: such are counted as late.
func TestHeavyMatrix(t *testing.T) {
	m := newMatrix(t)
	rounds := 1
	if os.Getenv("ROUNDSMAN_LONG") == "1" {
		rounds = 10
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d; %s", seed, legend)
	t.Logf("%-10s disturbed: %v %6s %9s %6s %6s %6s %6s %6s %6s", "fault", lines, "good", "not good", "wrong", "old", "missed", "late", "stays", "false")
	for round := range rounds {
		m.mu.Lock()
		since := len(m.mails)
		m.mu.Unlock()
		for k := faults.None; k <= faults.Reset; k++ {
			c := m.row(k, seed+uint64(round))
			t.Logf("%-10s %10d %12d %5d %5d  %6d %9d %6d %5d%% %6d %6d %6d %6d", k, c.disturbed[lines[0]], c.disturbed[lines[1]], c.disturbed[lines[2]], c.disturbed[lines[3]],
				c.good, c.notGood, c.wrong, c.oldest(), c.missed, c.late, c.stays, c.extra)
			if c.wrong+c.missed+c.stays+c.extra > 0 || c.good == 0 {
				t.Errorf("%v: %+v; want no reading wrong, no alarm missed, staying or false", k, c)
			}
			if c.oldest() >= 66 {
				t.Errorf("%v: of %v readings of %v, %v were old: an answer is taken for the next request's", k, c.read, peers, c.old)
			}
			for _, line := range lines {
				if k > faults.None && c.disturbed[line] == 0 {
					t.Errorf("%v: nothing was disturbed on the way of %s", k, line)
				}
			}
		}
		m.mailed(since, seed+uint64(round))
	}
}

// row plays one fault.
func (m *matrix) row(k faults.Kind, seed uint64) (c counts) {
	m.Helper()
	i := int(k)
	m.kind, m.seen, c.disturbed = k, map[string]bool{}, map[string]int{}
	m.proxies["mail"] = m.post[i]
	for _, p := range m.proxies {
		p.Set(k, seed)
	}
	before := m.activations()
	m.hold(-1, time.Second, &c, nil)
	m.hold(-1, longest, &c, func() bool { return k == faults.None || m.disturbed(lines[:3], enough) })
	all := func() bool { return len(m.active(i)) == len(peers) }
	m.hold(i, longest, &c, all)
	m.hold(i, longest, &c, func() bool { return k == faults.None || m.disturbed(lines[3:], 1) }) // the letters about it
	if c.late = len(peers) - len(m.active(i)); c.late > 0 {
		m.calm(&c)
		m.hold(i, recovery, &c, all)
	}
	if got := m.active(i); len(got) < len(peers) {
		c.missed = len(peers) - len(got)
		m.Errorf("%v: the alarm came from %v only", k, got)
	}
	none := func() bool { return len(m.active(i)) == 0 }
	m.hold(-1, longest, &c, none)
	m.calm(&c)
	m.hold(-1, recovery, &c, none)
	if got := m.active(i); len(got) > 0 {
		c.stays = len(got)
		m.Errorf("%v: the alarm stays on %v", k, got)
	}
	for name, n := range m.activations() {
		at := 0
		_, _ = fmt.Sscanf(name, "low-%d", &at)
		if n -= before[name]; at%perPeer == i {
			n-- // the one that is wanted
		}
		c.extra += max(0, n)
	}
	return c
}

// calm ends the fault on all lines.
func (m *matrix) calm(c *counts) {
	for name, p := range m.proxies {
		c.disturbed[name] += p.Set(faults.None, 0)
	}
}

// enough is how many lumps must have been disturbed on each line before its alarm is waited for.
const enough = 2

// disturbed reports whether so much was disturbed on each of the lines.
func (m *matrix) disturbed(lines []string, least int) bool {
	for _, name := range lines {
		if m.proxies[name].Disturbed() < least {
			return false
		}
	}
	return true
}

// hold lets a point of each peer be low, moves all values on, and looks at what the program shows, for a time or until done.
func (m *matrix) hold(low int, length time.Duration, c *counts, done func() bool) {
	m.Helper()
	m.mu.Lock()
	m.low = low
	m.mu.Unlock()
	for end := time.Now().Add(length); time.Now().Before(end); time.Sleep(tick) {
		m.move()
		m.look(c)
		if done != nil && done() {
			return
		}
	}
}

// move gives each point a value of its own that it has not had for longer than a value may be under way, and waits until
// the peers hold them.
func (m *matrix) move() {
	m.Helper()
	m.mu.Lock()
	defer m.mu.Unlock()
	m.count++
	now := moment{from: time.Now()}
	var tcp, rtu strings.Builder
	var published []paho.Token
	for p := range now.values {
		v := 1000 + 100*p + m.count%97
		if p%perPeer == m.low {
			v = 20*p + m.count%19
		}
		now.values[p] = float64(v)
		raw := (v - p) * counts1(p)
		switch p / perPeer {
		case 0:
			fmt.Fprintf(&tcp, "%d=%d ", p%perPeer, raw)
		case 1:
			fmt.Fprintf(&rtu, "%d=%d ", p%perPeer, raw)
		default:
			published = append(published, m.broker.Publish(fmt.Sprint("room/p", p), 1, true, fmt.Sprintf(`{"v": %d}`, raw)))
		}
	}
	fmt.Fprintln(m.tcp, tcp.String())
	fmt.Fprintln(m.rtu, rtu.String())
	for _, said := range m.acks {
		if !said.Scan() {
			m.Fatalf("a Modbus server does not take values: %v", said.Err())
		}
	}
	for _, token := range published {
		if token.Wait(); token.Error() != nil {
			m.Fatal(token.Error())
		}
	}
	now.whole = time.Now()
	m.past = append(m.past, now)
	m.past = m.past[max(0, len(m.past)-40):]
}

// counts1 is how many raw counts of a point make one of its unit: not two points of a peer have one scale, see scale.
func counts1(p int) int { return 1 << (p % 4) }

// scale is a point's own: from the point's number on, in steps of its own.
func scale(p int) string {
	const span = 32000
	return fmt.Sprintf("{from: [0, %d], to: [%d, %d]}", span, p, p+span/counts1(p))
}

type shown struct {
	Point, Quality string
	Value          float64
	Time           time.Time
}

// underWay is the longest that a peer's value may be on its way to a reading.
func (m *matrix) underWay(peer int) time.Duration {
	const slack = 250 * time.Millisecond // of a machine that has other things to do
	switch {
	case peer == 0:
		return 400*time.Millisecond + slack // its time-out: an answer belongs to one request
	case peer == 1 && m.kind == faults.Delay:
		return 2500 * time.Millisecond // answers carry no number: one that comes after several lumps that were late can pass for a later one's
	case peer == 1:
		return 3*300*time.Millisecond + slack // an answer may be that to an earlier try of the same question
	case m.kind == faults.Delay:
		return 3*700*time.Millisecond + slack
	}
	return 2*tick + slack // out of order: a lump waits for the next
}

func (m *matrix) look(c *counts) {
	m.Helper()
	var list []shown
	m.ask("/api/v1/points", &list)
	for _, s := range list {
		p := -1
		if _, err := fmt.Sscanf(s.Point, "room.p%d", &p); err != nil {
			continue
		}
		if s.Quality != "good" {
			c.notGood++
			continue
		}
		c.good++
		was, old := m.was(p, s)
		if !was {
			c.wrong++
			m.Errorf("%v: %s reads %v of %v", m.kind, s.Point, s.Value, s.Time)
		}
		if key := fmt.Sprint(p, s.Time.UnixNano()); m.seen != nil && !m.seen[key] {
			m.seen[key] = true
			c.read[p/perPeer]++
			if old {
				c.old[p/perPeer]++
			}
		}
	}
}

// was reports whether a point had the value while the reading may have been under way, and whether it had it no more
// when the answer came.
func (m *matrix) was(p int, s shown) (was, old bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	old = true
	for i, then := range m.past {
		if then.from.After(s.Time) || math.Abs(then.values[p]-s.Value) > 1e-6 {
			continue
		}
		if i+1 == len(m.past) {
			return true, false
		}
		next := m.past[i+1]
		was = was || next.whole.After(s.Time.Add(-m.underWay(p/perPeer)))
		ended := next.whole
		if p/perPeer == 2 {
			ended = next.from // a broker sends what it is given at once: nobody asks for it
		}
		old = old && ended.Before(s.Time)
	}
	return was, old
}

// active tells which peers' low alarms of an index are active.
func (m *matrix) active(i int) (names []string) {
	m.Helper()
	var list []struct{ Alarm, State string }
	m.ask("/api/v1/alarms", &list)
	for _, a := range list {
		at := 0
		if _, err := fmt.Sscanf(a.Alarm, "low-%d", &at); err == nil && at%perPeer == i && a.State == "unacknowledged" {
			names = append(names, peers[at/perPeer])
		}
	}
	return names
}

// activations counts how often each low alarm has rung.
func (m *matrix) activations() map[string]int {
	m.Helper()
	resp, err := http.Get(m.address + "/metrics")
	if err != nil {
		m.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		m.Fatal(err)
	}
	all := map[string]int{}
	for _, f := range regexp.MustCompile(`(?m)^roundsman_alarm_activations_total\{alarm="(low-\d+)"[^}]*\} (\d+)`).FindAllSubmatch(text, -1) {
		n := 0
		_, _ = fmt.Sscan(string(f[2]), &n)
		all[string(f[1])] = n
	}
	if len(all) != 3*perPeer {
		m.Fatalf("%d alarms are counted, want %d", len(all), 3*perPeer)
	}
	return all
}

func (m *matrix) ask(path string, into any) {
	m.Helper()
	resp, err := http.Get(m.address + path)
	if err != nil {
		m.Fatal(err)
	}
	defer resp.Body.Close()
	if err := json.NewDecoder(resp.Body).Decode(into); err != nil {
		m.Fatalf("%s: %v", path, err)
	}
}

// newMatrix starts the peers, the proxies and the program, and waits until all points are good.
func newMatrix(t *testing.T) *matrix {
	python := outsidetest.Python(t, "python3-pymodbus", "pymodbus.server", "serial")
	mailer := outsidetest.Python(t, "python3-aiosmtpd", "aiosmtpd.controller")
	mosquitto := outsidetest.Program(t, "mosquitto", "mosquitto")
	outsidetest.Program(t, "socat", "socat")
	ctx, cancel := context.WithCancel(context.Background())
	m := &matrix{T: t, dir: t.TempDir(), stop: ctx, proxies: map[string]*faults.Proxy{}, low: -1}
	t.Cleanup(func() { cancel(); m.work.Wait() })
	plc := freePort(t)
	var said *bufio.Scanner
	m.tcp, said = m.python(python, "server.py", "tcp", port(plc))
	boxEnd, lineEnd := m.pair("box")
	lineFar, peerEnd := m.pair("peer")
	m.acks = append(m.acks, said)
	m.rtu, said = m.python(python, "server.py", "rtu", peerEnd)
	m.acks = append(m.acks, said)
	station := freePort(t)
	write(t, filepath.Join(m.dir, "mosquitto.conf"), "listener "+port(station)+" 127.0.0.1\nallow_anonymous true\nuser root\n")
	m.start(exec.Command(mosquitto, "-c", filepath.Join(m.dir, "mosquitto.conf")))
	m.until("the peers listen", func() bool { return listens(plc) && listens(station) })
	m.broker = paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + station).SetClientID("yard"))
	if token := m.broker.Connect(); token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
	t.Cleanup(func() { m.broker.Disconnect(0) })
	letters := m.letters(mailer)
	m.move() // before anybody reads them
	time.Sleep(tick)
	addresses := map[string]string{
		"PLC": m.proxy("Modbus TCP", plc, &faults.Proxy{Guarded: 8, Late: 700 * time.Millisecond, Every: 6, Both: true}), "LINE": boxEnd,
		"BROKER": m.proxy("MQTT", station, &faults.Proxy{Guarded: 2, Late: 700 * time.Millisecond, Every: 60}),
	}
	for row := range perPeer {
		p := &faults.Proxy{Guarded: 3, Late: 2500 * time.Millisecond, Every: 2}
		addresses[fmt.Sprintf("MAIL%d", row)] = m.proxy("mail", letters, p)
		m.post = append(m.post, p)
	}
	m.run(addresses, lineEnd, lineFar)
	return m
}

// run starts the program on a site with the addresses and joins the two ends of the serial line.
func (m *matrix) run(addresses map[string]string, lineEnd, lineFar string) {
	m.Helper()
	line := &faults.Proxy{Late: 500 * time.Millisecond, Every: 6, Both: true}
	line.Set(faults.None, 0)
	m.proxies["serial line"] = line
	near, far := openLine(m.T, lineEnd), openLine(m.T, lineFar)
	m.work.Go(func() { line.Join(m.stop, near, far) })
	var words []string
	for name, address := range addresses {
		words = append(words, name, address)
	}
	for name, text := range siteFiles() {
		write(m.T, filepath.Join(m.dir, name), strings.NewReplacer(words...).Replace(text))
	}
	binary := filepath.Join(m.dir, "roundsman")
	if out, err := exec.Command("go", "build", "-o", binary, "roundsman/cmd/roundsman").CombinedOutput(); err != nil {
		m.Fatalf("build: %v\n%s", err, out)
	}
	m.launch(binary)
	m.until("all points are good", func() bool {
		m.move()
		var c counts
		m.look(&c)
		return c.good == 3*perPeer
	})
}

// launch starts the program.
func (m *matrix) launch(binary string) {
	m.Helper()
	said := &locked{}
	m.program = exec.Command(binary, "run", filepath.Join(m.dir, "site.yaml"), "--listen", "127.0.0.1:0")
	m.program.Stdout, m.program.Stderr = said, said
	m.start(m.program)
	m.Cleanup(func() {
		if m.Failed() {
			m.Logf("%.4000s", said.String())
		}
	})
	m.until("the program listens", func() bool {
		found := regexp.MustCompile(`address=(http://\S+)`).FindStringSubmatch(said.String())
		if found != nil {
			m.address = found[1]
		}
		return found != nil
	})
}

func siteFiles() map[string]string {
	site := `site: {name: Corner Wash, time-zone: Europe/Dublin}
record: {path: corner.db}
rules: [rules.yaml]
contacts: contacts.yaml
links:
  plc: {modbus: 'tcp://PLC', timeout: 400ms, retries: 2}
  line: {modbus: 'rtu://LINE', baud: 115200, timeout: 300ms, retries: 2}
  yard: {mqtt: 'tcp://BROKER', qos: 0} # a stream that loses lumps, which TCP never does, would fill a broker's window of unacknowledged messages
points:
`
	rules := "rules:\n"
	for p := range 3 * perPeer {
		from := []string{fmt.Sprintf("link: plc, unit-id: 1, holding: %d, type: int16, every: 500ms", p%perPeer),
			fmt.Sprintf("link: line, unit-id: 1, holding: %d, type: int16, every: 500ms", p%perPeer),
			fmt.Sprintf("link: yard, topic: room/p%d, value: /v, stale-after: 5s", p)}[p/perPeer]
		site += fmt.Sprintf("  room.p%d: {station: s%d, %s, scale: %s, unit: kPa}\n", p, p, from, scale(p))
		rules += fmt.Sprintf("  low-%d: {point: room.p%d, low: 550 kPa, deadband: 30 kPa, on-delay: 1s, off-delay: 1s, severity: severe, time-to-respond: 1m, response: Stop loading., call-out: row-%d}\n", p, p, p%perPeer)
	}
	people, channels, calls := "people:\n", "channels:\n", "call-outs:\n"
	for row := range perPeer {
		people += fmt.Sprintf("  ann-%d: {name: Ann Boyd %d, channels: [{post-%d: ann%d@wash.example}]}\n", row, row, row, row)
		channels += fmt.Sprintf("  post-%d: {mail: 'MAIL%d', security: plain, from: 'Wash <box@wash.example>', timeout: 2s}\n", row, row)
		calls += fmt.Sprintf("  row-%d: {steps: [{who: ann-%d}]}\n", row, row)
	}
	return map[string]string{"site.yaml": site, "rules.yaml": rules, "contacts.yaml": people + channels + calls + "limits: {merge: 1s, per-hour: 1000}\n"}
}

// proxy serves a proxy before a peer and returns its address.
func (m *matrix) proxy(name, target string, p *faults.Proxy) string {
	m.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		m.Fatal(err)
	}
	p.Set(faults.None, 0)
	m.proxies[name] = p
	m.work.Go(func() { p.ServeTCP(m.stop, l, target) })
	return l.Addr().String()
}

// start starts a program that is ended with the test.
func (m *matrix) start(cmd *exec.Cmd) {
	m.Helper()
	if err := cmd.Start(); err != nil {
		m.Fatal(err)
	}
	m.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
}

// python starts a foreign server and returns its input and its output, of which the first line is read.
func (m *matrix) python(python, script string, args ...string) (io.Writer, *bufio.Scanner) {
	m.Helper()
	cmd := exec.Command(python, append([]string{filepath.Join("testdata", script)}, args...)...)
	in, err := cmd.StdinPipe()
	if err != nil {
		m.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		m.Fatal(err)
	}
	var complaints locked
	cmd.Stderr = &complaints
	m.start(cmd)
	lines := bufio.NewScanner(out)
	if !lines.Scan() {
		m.Fatalf("%s: %s", script, complaints.String())
	}
	return in, lines
}

// letters starts the foreign mail server, notes what it takes and returns its address.
func (m *matrix) letters(python string) string {
	m.Helper()
	_, lines := m.python(python, "mail.py")
	var first struct{ Port int }
	if err := json.Unmarshal(lines.Bytes(), &first); err != nil {
		m.Fatal(err)
	}
	go func() { // ends with the server's output
		for lines.Scan() {
			var l letter
			if json.Unmarshal(lines.Bytes(), &l) == nil {
				m.mu.Lock()
				m.mails = append(m.mails, l)
				m.mu.Unlock()
			}
		}
	}()
	return fmt.Sprint("127.0.0.1:", first.Port)
}

// pair joins two pseudo terminals.
func (m *matrix) pair(name string) (a, b string) {
	m.Helper()
	a, b = filepath.Join(m.dir, name+"-a"), filepath.Join(m.dir, name+"-b")
	m.start(exec.Command("socat", "pty,raw,echo=0,link="+a, "pty,raw,echo=0,link="+b))
	m.until("socat's terminals", func() bool {
		_, one := os.Stat(a)
		_, two := os.Stat(b)
		return one == nil && two == nil
	})
	return a, b
}

// until waits for something that comes by itself.
func (m *matrix) until(what string, there func() bool) {
	m.Helper()
	for end := time.Now().Add(30 * time.Second); !there(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			m.Fatalf("%s: not within 30 s", what)
		}
	}
}

type locked struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *locked) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *locked) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func openLine(t *testing.T, path string) *os.File {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func port(address string) string {
	_, p, _ := net.SplitHostPort(address)
	return p
}

func listens(address string) bool {
	c, err := net.Dial("tcp", address)
	if err == nil {
		_ = c.Close()
	}
	return err == nil
}
