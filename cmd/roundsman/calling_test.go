package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus/device"
	"roundsman/collector/outsidetest"
	"roundsman/collector/practice/terminal"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/sms"
	"roundsman/exporter/callout/sms/modemtest"
	"roundsman/exporter/record"
	"roundsman/rules"
)

const (
	annsPhone    = "+447700900143" // of a range kept for fiction
	strangePhone = "+447700900999"
)

const calledSite = `site: {name: Corner Wash, time-zone: Europe/Dublin}
record: {path: corner.db}
contacts: contacts.yaml
rules: [rules.yaml]
links:
  plc: {modbus: 'tcp://PLC', timeout: 1s}
points:
  air.pressure: {station: air, link: plc, unit-id: 1, holding: 0, type: int16, scale: {from: [0, 1000], to: [0 bar, 10 bar]}, every: 100ms}
`

const calledRules = `rules:
  air-low: {point: air.pressure, low: 5.5 bar, deadband: 0.3 bar, on-delay: 300ms, off-delay: 0s, severity: severe, time-to-respond: 1m, response: Stop loading., call-out: on-call}
`

const calledContacts = `people:
  ann: {name: Ann Boyd, channels: [{texts: '+447700900143'}, chat]}
channels:
  texts: {modem: 'MODEM'}
  chat: {webhook: 'CHAT', body: '{"text": {{json .Text}}}'}
links: {address: 'https://box.corner.example'}
call-outs:
  on-call: {steps: [{who: ann}]}
box: on-call
`

// phoneBench is a whole daemon that reads a real Modbus server and sends by a modem on a pseudo terminal.
type phoneBench struct {
	*testing.T
	far    *modemtest.Modem
	plc    *device.Bank
	d      *daemon
	log    lockedBuffer
	site   string
	chats  chan string
	closed sync.WaitGroup
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func newPhoneBench(t *testing.T) *phoneBench {
	t.Helper()
	line, err := terminal.Open()
	if err != nil {
		outsidetest.Lacking(t, "no pseudo terminal: %v", err)
	}
	b := &phoneBench{T: t, far: modemtest.New(), plc: device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 0}), chats: make(chan string, 16)}
	ctx, cancel := context.WithCancel(t.Context())
	b.plc.Set(device.Holding, 0, 760)
	tcp, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b.closed.Go(func() { _ = device.New(map[uint8]*device.Bank{1: b.plc}, device.Options{}).ServeTCP(ctx, tcp) })
	b.closed.Go(func() { _ = b.far.Serve(line) })
	chat := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		b.chats <- string(body)
	}))
	dir := t.TempDir()
	b.site = filepath.Join(dir, "site.yaml")
	write(t, dir, "site.yaml", strings.Replace(calledSite, "PLC", tcp.Addr().String(), 1))
	write(t, dir, "rules.yaml", calledRules)
	write(t, dir, "contacts.yaml", strings.NewReplacer("MODEM", line.Path, "CHAT", chat.URL).Replace(calledContacts))
	t.Cleanup(func() {
		cancel()
		line.Close()
		chat.Close()
		b.closed.Wait()
		b.far.Close()
	})
	return b
}

// run starts the daemon with its pages; stop ends it as planned.
func (b *phoneBench) run() (address string, stop func()) {
	b.Helper()
	site, err := configs.LoadFile(b.site)
	if err != nil {
		b.Fatal(err)
	}
	b.d, err = newDaemon(site, settings{log: slog.New(slog.NewTextHandler(&b.log, nil)), record: beside(b.site, site.Record.Path), notBefore: builtAt()})
	if err != nil {
		b.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	b.d.serve(l, b.site, nil)
	ctx, cancel := context.WithCancel(b.Context())
	done := make(chan error, 1)
	go func() { done <- b.d.Run(ctx) }()
	return "http://" + l.Addr().String(), func() {
		cancel()
		if err := <-done; err != nil {
			b.Errorf("the daemon ended: %v", err)
		}
		if err := b.d.Close(); err != nil {
			b.Error(err)
		}
	}
}

// until waits for something that comes by itself.
func (b *phoneBench) until(what string, there func() bool) {
	b.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if there() {
			return
		}
	}
	b.Fatalf("%s: not within 20 s\n%s", what, b.log.String())
}

func (b *phoneBench) state() rules.Status {
	v := b.d.board.View()
	i := slices.IndexFunc(v.Site.Rules, func(r rules.Rule) bool { return r.Name == "air-low" })
	return v.Alarms[i]
}

func (b *phoneBench) point(name string) collector.Reading {
	p, ok := b.d.site.Point(name)
	if !ok {
		b.Fatalf("no point %s", name)
	}
	return b.d.board.View().Readings[p.ID]
}

// Low air rings a real telephone line: a text within the GSM alphabet's room, an answer that acknowledges by name, one
// from a stranger that does nothing; signal and registration are points; a drill goes the same way and back.
func TestCallsAPhone(t *testing.T) {
	b := newPhoneBench(t)
	address, stop := b.run()
	defer func() { stop() }()
	b.until("the modem is registered", func() bool {
		r := b.point("box.modem.texts.registered")
		return r.Quality.Usable() && r.Value == 1 && b.point("box.modem.texts.signal").Quality.Usable()
	})
	if v := b.point("box.modem.texts.signal").Value; v < -113 || v > -51 {
		t.Errorf("signal %v dBm", v)
	}

	b.plc.Set(device.Holding, 0, 520)
	b.until("a text", func() bool { return len(b.far.Texts()) == 1 })
	text := b.far.Texts()[0]
	if n, ucs2, parts := sms.Fit(text.Text); ucs2 || parts != 1 || n > 160 || text.To != annsPhone {
		t.Errorf("to %s, %d septets in %d parts: %q", text.To, n, parts, text.Text)
	}
	for _, want := range []string{"Corner", "AIR pressure", "5.20 bar, low 5.50", "severe", "Stop loading", "Reply OK 1"} {
		if !strings.Contains(text.Text, want) {
			t.Errorf("the text lacks %q: %q", want, text.Text)
		}
	}

	b.far.Deliver(strangePhone, "ok 1", time.Now())
	b.until("the stranger's answer is on the journal", func() bool { return strings.Contains(b.journal(), "unknown sender") })
	if st := b.state(); st.State != rules.Unacknowledged {
		t.Errorf("after a stranger's answer: %v", st.State)
	}
	b.far.Deliver(annsPhone, "ok", time.Now())
	b.until("the answer acknowledges", func() bool { return b.state().State == rules.Acknowledged })
	if by := b.state().AcknowledgedBy; by != "Ann Boyd" {
		t.Errorf("acknowledged by %q", by)
	}

	out := &lockedBuffer{}
	ended := make(chan int, 1)
	go func() {
		ended <- run(context.Background(), []string{"drill", b.site, "--contact", "ann", "--at", address}, nil, out, out)
	}()
	b.until("the drill's text", func() bool { return len(b.far.Texts()) == 2 })
	if drill := b.far.Texts()[1].Text; !strings.HasPrefix(drill, "DRILL Corner Wash: test call 1 of 1, nothing is wrong. Reply OK 2") {
		t.Errorf("drill: %q", drill)
	}
	b.far.Deliver(annsPhone, "OK 2", time.Now())
	if code := <-ended; code != exitGood {
		t.Errorf("drill ended with %d", code)
	}
	for _, want := range []string{"message written, to be answered with OK 2", "taken by texts", "answered", "drill done: 1 of 1 reached"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("drill's output lacks %q:\n%s", want, out.String())
		}
	}
	b.until("the drill is on the journal", func() bool { return strings.Contains(b.journal(), "drill done: answered after") })
	b.noNumbers(address)
}

// The modem is gone: the next channel of the person takes the message, and the box says what is wrong with the modem.
// What nobody took before a stop goes out after the start.
func TestCallsTheOtherWay(t *testing.T) {
	b := newPhoneBench(t)
	b.far.Set(func(f *modemtest.Faults) { f.CREG, f.CEREG = 3, 3 }) // registration denied
	_, stop := b.run()
	b.until("the modem's trouble is a point", func() bool {
		r := b.point("box.modem.texts.registered")
		return r.Quality.Usable() && r.Value == 0 && r.Detail != ""
	})
	b.plc.Set(device.Holding, 0, 500)
	b.until("the alarm", func() bool { return b.state().State == rules.Unacknowledged })
	stop() // before the patience with the modem is over
	if len(b.chats) != 0 {
		t.Fatalf("the other channel was used at once: %s", <-b.chats)
	}
	b.far.Set(func(f *modemtest.Faults) { f.CREG, f.CEREG = 1, 1 })
	address, stop := b.run()
	defer stop()
	b.until("the text of before the stop", func() bool { return len(b.far.Texts()) == 1 })
	if text := b.far.Texts()[0].Text; !strings.Contains(text, "AIR pressure") {
		t.Errorf("got %q", text)
	}
	b.noNumbers(address)
}

func (b *phoneBench) journal() string {
	var all strings.Builder
	for l, err := range b.d.record.Journal(b.Context(), record.Query{}) {
		if err != nil {
			b.Fatal(err)
		}
		all.WriteString(string(l.Kind) + " " + l.Who + " " + l.Alarm + " " + l.Why + "\n")
	}
	return all.String()
}

// noNumbers looks for telephone numbers and addresses where they must not stand.
func (b *phoneBench) noNumbers(address string) {
	b.Helper()
	shown := map[string]string{"log": b.log.String()}
	for _, path := range []string{"/api/v1/callouts", "/api/v1/journal", "/api/v1/drill", "/metrics", "/callouts", "/alarms", "/"} {
		resp, err := http.Get(address + path)
		if err != nil {
			b.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != http.StatusOK {
			b.Errorf("%s: %d %v", path, resp.StatusCode, err)
		}
		shown[path] = string(body)
	}
	for where, text := range shown {
		for _, secret := range []string{annsPhone, annsPhone[1:], "/a/"} {
			if strings.Contains(text, secret) {
				b.Errorf("%s shows %q", where, secret)
			}
		}
	}
	var calls []map[string]any
	if err := json.Unmarshal([]byte(shown["/api/v1/callouts"]), &calls); err != nil || len(calls) == 0 {
		b.Errorf("callouts: %v, %s", err, shown["/api/v1/callouts"])
	}
}

// A box whose clock is behind at the start learns the hours from the clock that was put right: a condition by hours and a
// rota go by the wall clock, and no delay by it.
func TestHoursFollowTheWallClock(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, "site.yaml", smallSite+"conditions:\n  shut: {hours: {daily: 20:00-24:00}}\n")
	write(t, dir, "rules.yaml", smallRules+"  night: {point: air.pressure, low: 6 bar, on-delay: 0s, off-delay: 0s, severity: minor, time-to-respond: 2h, suppress-when: shut}\n")
	synctest.Test(t, func(t *testing.T) {
		site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		ahead := 0 * time.Hour
		var mu sync.Mutex
		clock := collector.NewClockFrom(func() time.Time { mu.Lock(); defer mu.Unlock(); return time.Now().Add(ahead) })
		r := roomOn(t, dir, site, clock)
		defer r.stop()
		r.feed(5.0, 10*time.Second) // midnight UTC in fake time: not shut
		if a := r.alarm("night"); a.State != rules.Unacknowledged {
			t.Fatalf("before the step: %v", a.State)
		}
		since := r.alarm("air-low").Started
		mu.Lock()
		ahead = 21 * time.Hour
		mu.Unlock()
		r.feed(5.0, 3*time.Second)
		if a := r.alarm("night"); a.State != rules.SuppressedByDesign {
			t.Errorf("the clock was put to 21:00: %v", a.State)
		}
		if a := r.alarm("air-low"); a.State != rules.Unacknowledged || a.Started != since || a.Activations != 1 {
			t.Errorf("the step disturbed another alarm: %+v", a)
		}
		turn := wallTurn{turnAt{collector.At(clock.Time(clock.Now()).Truncate(24 * time.Hour).Add(22 * time.Hour))}, clock}
		who, next := turn.On(clock.Now())
		if len(who) != 1 || who[0] != "ann" || next.Sub(clock.Now()) > time.Hour {
			t.Errorf("the rota at 21:00: %v for %v", who, next.Sub(clock.Now()))
		}
	})
}

// turnAt hands over from ann to ben at a moment.
type turnAt struct{ at collector.Moment }

func (t turnAt) On(m collector.Moment) ([]string, collector.Moment) {
	if m < t.at {
		return []string{"ann"}, t.at
	}
	return []string{"ben"}, collector.Never
}

var (
	_ callout.Turn    = turnAt{}
	_ exporter.Drills = (*judge)(nil)
)

// The weekly drill falls once into its week, over restarts too, and not at once where nothing is known.
func TestWeeklyDrillIsDue(t *testing.T) {
	d := &configs.Drill{Days: []time.Weekday{time.Tuesday, time.Wednesday, time.Thursday}, From: 9 * time.Hour, To: 16 * time.Hour}
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	var w weekly
	var done []time.Time
	for at := time.Date(2026, 3, 2, 0, 0, 0, 0, dublin); at.Before(time.Date(2026, 5, 4, 0, 0, 0, 0, dublin)); at = at.Add(time.Minute) {
		if w.due(d, "Corner Wash", at) {
			done = append(done, at)
			w.Week = weekOf(at)
		}
	}
	if len(done) != 9 {
		t.Fatalf("%d drills in nine weeks: %v", len(done), done)
	}
	for _, at := range done {
		if !slices.Contains(d.Days, at.Weekday()) || at.Hour() < 9 || at.Hour() >= 16 {
			t.Errorf("a drill at %v", at)
		}
	}
	site := &configs.Site{Name: "Corner Wash", Zone: dublin, Callout: configs.Callout{Drill: d}}
	var fresh weekly
	fresh.restore(&record.State{}, site, done[0].Add(time.Minute))
	if fresh.due(d, site.Name, done[0].Add(2*time.Minute)) {
		t.Error("a new box drills in the middle of a week whose time is past")
	}
	if !fresh.due(d, site.Name, done[1]) {
		t.Error("and not in the week after")
	}
}
