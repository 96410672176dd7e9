package main

import (
	"bytes"
	"context"
	"net"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus/device"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
	"roundsman/exporter/record"
)

// gaugeSite is a site with one controller that holds 13478 of 27648 counts over 0-16 bar (7.8 bar) and 412 tenths of a degree.
func gaugeSite(t *testing.T) (site string, seen *requests) {
	t.Helper()
	bank := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 99}, device.Range{Table: device.Discrete, First: 0, Last: 9})
	for address, v := range map[uint16]uint16{10: 13478, 11: 412, 50: 5} {
		if err := bank.Set(device.Holding, address, v); err != nil {
			t.Fatal(err)
		}
	}
	seen = &requests{}
	server := device.New(map[uint8]*device.Bank{1: bank}, device.Options{Observe: seen.note})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { server.ServeTCP(ctx, l) })
	t.Cleanup(func() { cancel(); wg.Wait() })
	dir := t.TempDir()
	files := map[string]string{
		"site.yaml": "site: {name: X, time-zone: UTC}\ncontacts: contacts.yaml\nlinks: {plc: {modbus: 'tcp://" + l.Addr().String() + "', timeout: 500ms, retries: 0}}\n" +
			"points:\n  air.pressure: {link: plc, holding: 10, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}}\n" +
			"  oil.temperature: {link: plc, holding: 11, type: int16, scale: 0.1 degC, range: [-10 degC, 110 degC]}\n" +
			"  far.away: {link: plc, holding: 50, type: int16}\n  pump.running: {link: plc, discrete: 4}\n  wrong.address: {link: plc, holding: 200, type: int16}\n",
		"contacts.yaml": "people:\n  n.quill: {name: Niamh Quill}\n",
	}
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "site.yaml"), seen
}

// requests are what a device was asked.
type requests struct {
	mu   sync.Mutex
	pdus [][]byte
}

func (r *requests) note(_ uint8, pdu []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.pdus = append(r.pdus, bytes.Clone(pdu))
}

// 'read POINT' asks for that point's register and nothing else.
func TestReadAsksForNoMore(t *testing.T) {
	site, seen := gaugeSite(t)
	code, out, errs := command(t, "read", site, "oil.temperature")
	if code != exitGood || !strings.Contains(out, "41.2") {
		t.Errorf("exit %d: %s%s", code, out, errs)
	}
	seen.mu.Lock()
	defer seen.mu.Unlock()
	if want := []byte{3, 0, 11, 0, 1}; len(seen.pdus) != 1 || !bytes.Equal(seen.pdus[0], want) {
		t.Errorf("asked % X, want only % X", seen.pdus, want)
	}
}

// A wrong address in a point list: what is wrong, and what to do next.
func TestReadSaysWhatToDo(t *testing.T) {
	site, _ := gaugeSite(t)
	code, _, errs := command(t, "read", site)
	for _, want := range []string{"unit 1 answers holding 200 with illegal data address (02)", "the list is one off", "survey the addresses around it"} {
		if code != exitWrong || !strings.Contains(errs, want) {
			t.Errorf("exit %d, said %q, want %q", code, errs, want)
		}
	}
}

// A sensor that may be silent for ten minutes and has not spoken in a second is not wrong, unless it was asked for.
func TestReadOfASeldomSensor(t *testing.T) {
	_, plant := quietPlant(t)
	path := filepath.Join(t.TempDir(), "site.yaml")
	text := "site: {name: X, time-zone: UTC}\nlinks: {yard: {mqtt: '" + plant.Yard + "'}}\npoints:\n" +
		"  slow: {link: yard, topic: nobody/speaks, unit: '%', stale-after: 10m}\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := command(t, "read", path, "--wait", "1s")
	if code != exitGood || !strings.Contains(errs, "no message yet from slow in 1s: the longest silence allowed is 10m (stale-after), --wait 10m waits it out; they do not count as wrong") ||
		!strings.Contains(out, "it may be silent for 10m0s") {
		t.Errorf("exit %d, said %q:\n%s", code, errs, out)
	}
	if code, _, errs = command(t, "read", path, "slow", "--wait", "1s"); code != exitWrong || strings.Contains(errs, "do not count") {
		t.Errorf("asked for by name: exit %d, said %q", code, errs)
	}
	if err := os.WriteFile(path, []byte(strings.Replace(text, "10m", "500ms", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, _ = command(t, "read", path, "--wait", "1s"); code != exitWrong {
		t.Errorf("a sensor that must speak each half second: exit %d, want %d", code, exitWrong)
	}
}

// without runs a command with words on its input, and with no daemon to be found.
func without(t *testing.T, input string, args ...string) (code int, out, errs string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l.Close() // nobody listens there
	var stdout, stderr bytes.Buffer
	code = run(t.Context(), append(args, "--at", l.Addr().String()), strings.NewReader(input), &stdout, &stderr)
	return code, stdout.String(), stderr.String()
}

// journalOf returns the comparisons in a record.
func journalOf(t *testing.T, path string) (lines []record.Line) {
	t.Helper()
	r, err := record.Open(path, record.Options{Clock: collector.NewClock(), Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.Check(t.Context()); err != nil {
		t.Error(err)
	}
	for l, err := range r.Journal(t.Context(), record.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if l.Kind == record.AsFound || l.Kind == record.AsLeft {
			lines = append(lines, l)
		}
	}
	return lines
}

// Without a daemon the gauges' values go straight into the record. 7.7998 against 7.9 bar differs by 0.1 of the 0.32 bar that 2 %
// of 16 bar are; 41.2 against 45 degC by 3.8 of 2.4.
func TestAsFoundWithoutADaemon(t *testing.T) {
	site, _ := gaugeSite(t)
	code, out, errs := without(t, "", "read", site, "--as-found", "--by", "n.quill", "--gauge", "air.pressure=7,9", "--gauge", "oil.temperature=113 degF", "--instrument", "PI-7")
	if code != exitWrong || !strings.Contains(errs, "2 comparisons kept in the journal") {
		t.Fatalf("exit %d, said %q:\n%s", code, errs, out)
	}
	for _, want := range []string{"within 0.32 bar", "more than 2.4 degC off"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q not in\n%s", want, out)
		}
	}
	lines := journalOf(t, filepath.Join(filepath.Dir(site), "roundsman.db"))
	if len(lines) != 2 || lines[0].Kind != record.AsFound || lines[0].Point != "air.pressure" || lines[0].Who != "Niamh Quill" ||
		lines[0].Why != "reads 7.8 bar, gauge 7.9 bar: -0.1 bar, within 0.32 bar; gauge PI-7" {
		t.Errorf("journal %+v", lines)
	}
	if len(lines) == 2 && lines[1].Why != "reads 41.2 degC, gauge 45 degC: -3.8 degC, more than 2.4 degC off; gauge PI-7" {
		t.Errorf("journal %q", lines[1].Why)
	}
}

// Somebody is asked point after point: a wrong word is asked again, an empty one passes over, the end of the input ends it.
func TestAsLeftByAsking(t *testing.T) {
	site, _ := gaugeSite(t)
	code, out, errs := without(t, "about eight\n7.7\n\n", "read", site, "air.pressure", "far.away", "oil.temperature", "--as-left", "--by", "n.quill")
	if code != exitGood || strings.Count(errs, "air.pressure reads 7.80 bar; the gauge shows") != 2 || !strings.Contains(errs, "1 comparison kept") {
		t.Errorf("exit %d, said %q:\n%s", code, errs, out)
	}
	if lines := journalOf(t, filepath.Join(filepath.Dir(site), "roundsman.db")); len(lines) != 1 || lines[0].Kind != record.AsLeft {
		t.Errorf("journal %+v", lines)
	}
}

// A file of gauges, with a head line, comments and a state.
func TestGaugesFromAFile(t *testing.T) {
	site, _ := gaugeSite(t)
	file := filepath.Join(t.TempDir(), "gauges.csv")
	if err := os.WriteFile(file, []byte("point;value;gauge\n# vented\nair.pressure;7,7;PI-1\npump.running;off\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, out, errs := without(t, "", "read", site, "--as-found", "--by", "n.quill", "--gauges", file); code != exitGood {
		t.Errorf("exit %d, said %q:\n%s", code, errs, out)
	}
	lines := journalOf(t, filepath.Join(filepath.Dir(site), "roundsman.db"))
	if len(lines) != 2 || !strings.HasSuffix(lines[0].Why, "gauge PI-1") || lines[1].Point != "pump.running" {
		t.Errorf("journal %+v", lines)
	}
	if err := os.WriteFile(file, []byte("air.pressure,7.7 L\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := without(t, "", "read", site, "--as-found", "--by", "n.quill", "--gauges", file); code != exitWrong || !strings.Contains(errs, "gauges.csv:1: air.pressure: ") {
		t.Errorf("a litre of pressure: exit %d, said %q", code, errs)
	}
}

func TestAsFoundRefusals(t *testing.T) {
	site, _ := gaugeSite(t)
	for _, tt := range []struct {
		args string
		code int
		want string
	}{
		{"--as-found", exitUsage, "--by is missing: who compares?"},
		{"--as-found --as-left --by n.quill", exitUsage, "which of them?"},
		{"--gauge air.pressure=7", exitUsage, "go with --as-found or --as-left"},
		{"--as-found --by nobody --gauge air.pressure=7", exitWrong, `there is no person "nobody"`},
		{"--as-found --by n.quill --gauge air.presure=7", exitWrong, `no point "air.presure"`},
		{"--as-found --by n.quill --gauge air.pressure", exitUsage, "want POINT=VALUE"},
		{"--as-found --by n.quill --gauge air.pressure=high", exitWrong, "air.pressure: "},
		{"--as-found --by n.quill --gauge air.pressure=7 --tolerance 3L", exitWrong, "--tolerance 3L does not fit air.pressure"},
		{"--as-found --by n.quill --gauge wrong.address=7", exitGood, "wrong.address: no reading: refused by the device"},
	} {
		code, out, errs := without(t, "", append([]string{"read", site}, strings.Fields(tt.args)...)...)
		if said := out + errs; code != tt.code || !strings.Contains(said, tt.want) {
			t.Errorf("read %s: exit %d, said %q, want %d and %q", tt.args, code, said, tt.code, tt.want)
		}
	}
}

// A daemon in hand: its readings are compared, its journal keeps the lines, and its own refusals are told.
func TestAsFoundThroughTheDaemon(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Saturday(clock)
	board := exporter.NewBoard(clock, room.View())
	kept := &comparisons{}
	server := httptest.NewServer(panel.New(board, panel.Options{Comparisons: kept, Acts: actedOn{room, board}, People: []exporter.Person{{ID: "n.quill", Name: "Niamh Quill"}}}).Handler())
	t.Cleanup(server.Close)
	v := board.View()
	var point collector.Point
	for i := range v.Site.Points {
		if v.Site.Points[i].Name == "air.header.pressure" {
			point = v.Site.Points[i]
		}
	}
	site := filepath.Join(t.TempDir(), "site.yaml")
	text := "site: {name: X, time-zone: UTC}\nlinks: {plc: {modbus: 'tcp://127.0.0.1:1'}}\npoints:\n  air.header.pressure: {link: plc, holding: 1, unit: " + point.Unit + ", range: [0 bar, 16 bar]}\n  nowhere: {link: plc, holding: 2}\n"
	if err := os.WriteFile(site, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := command(t, "read", site, "--as-left", "--by", "n.quill", "--gauge", "air.header.pressure=1 bar", "--gauge", "nowhere=3", "--at", server.URL)
	if code != exitWrong || !strings.Contains(errs, "nowhere: the running daemon does not know it") || !strings.Contains(out, "more than 0.32 bar off") {
		t.Errorf("exit %d, said %q:\n%s", code, errs, out)
	}
	if len(kept.list) != 1 || !kept.list[0].Left || kept.list[0].Gauge != 1 || kept.who != "Niamh Quill" {
		t.Errorf("kept %+v by %q", kept.list, kept.who)
	}
	if code, _, errs = command(t, "read", site, "--as-left", "--by", "n.quil", "--gauge", "air.header.pressure=1 bar", "--at", server.URL); code != exitWrong || !strings.Contains(errs, "did you mean n.quill?") {
		t.Errorf("exit %d, said %q", code, errs)
	}
}

// comparisons is a fake of what keeps them.
type comparisons struct {
	list []exporter.Comparison
	who  string
}

func (c *comparisons) Compare(_ context.Context, x exporter.Comparison, who string) error {
	c.list, c.who = append(c.list, x), who
	return nil
}

// The whole way: a running daemon keeps the line, and 'journal' shows it.
func TestAsFoundInTheJournalOfADaemon(t *testing.T) {
	b := startBench(t)
	v := b.until("air read", 20*time.Second, func(v *exporter.View) bool { return b.reading(v, "air.header.pressure").Quality.Usable() })
	c := exporter.Comparison{Point: "air.header.pressure", Unit: "bar", Reads: b.reading(v, "air.header.pressure").Value, Gauge: 7, Tolerance: 0.32, Digits: 2}
	if err := b.d.judge.Compare(t.Context(), c, "Niamh Quill"); err != nil {
		t.Fatal(err)
	}
	found := false
	for l, err := range b.d.record.Reader.Journal(t.Context(), record.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		found = found || l.Kind == record.AsFound && l.Point == c.Point && l.Who == "Niamh Quill" && l.Why == c.String()
	}
	if !found {
		t.Error("the comparison is not in the journal when Compare has returned")
	}
}
