package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"roundsman/collector/modbus/device"
	"roundsman/collector/outsidetest"
	"roundsman/collector/practice/terminal"
)

// oldLine is a serial line of 9,600 baud with a meter at unit id 3; at any other rate nobody understands a word.
type oldLine struct{ *terminal.Terminal }

func (o oldLine) Read(b []byte) (int, error) {
	for {
		n, err := o.Terminal.Read(b)
		if err != nil {
			return n, err
		}
		if baud, err := o.Baud(); err == nil && baud == 9600 {
			return n, nil
		}
	}
}

func startOldLine(t *testing.T) (path string, server *device.Server) {
	t.Helper()
	line, err := terminal.Open()
	if err != nil {
		outsidetest.Lacking(t, "no pseudo terminal: %v", err)
	}
	bank := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 9})
	if err := bank.Set(device.Holding, 4, 0x40F9, 0x999A); err != nil { // 7.8 as a float (IEEE 754)
		t.Fatal(err)
	}
	server = device.New(map[uint8]*device.Bank{3: bank}, device.Options{Identity: device.Identity{Vendor: "Acme", Product: "PT-7", Revision: "1.2"}})
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { server.ServeSerial(ctx, oldLine{line}, device.Line{}) })
	t.Cleanup(func() { cancel(); wg.Wait() })
	return line.Path, server
}

// A technician with a line of unknown baud: read says what to do, the search finds the device, the survey finds the value.
func TestFromSilenceToTheValue(t *testing.T) {
	line, _ := startOldLine(t)
	site := filepath.Join(t.TempDir(), "site.yaml")
	text := fmt.Sprintf("site: {name: X, time-zone: UTC}\nlinks: {rs485: {modbus: 'rtu://%s', baud: 19200, parity: even, stop-bits: 1, timeout: 50ms, retries: 0}}\n"+
		"points: {a: {link: rs485, unit-id: 3, holding: 4, type: float32}}\n", line)
	if err := os.WriteFile(site, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	code, _, errs := command(t, "read", site)
	for _, want := range []string{"requests to unit 3 got nothing in 50ms", "at 19200 8E1", "another unit id, baud or parity, A and B exchanged", "survey the line with --search"} {
		if code != exitWrong || !strings.Contains(errs, want) {
			t.Errorf("read: exit %d, said %q, want %q", code, errs, want)
		}
	}
	code, out, errs := command(t, "survey", "rtu://"+line, "--search", "--units", "2-4", "--timeout", "40ms")
	if code != exitGood || !strings.Contains(errs, "asks unit ids 2-4 at 18 settings of the line, from 19200 8E1 to 1200 8N1, at most ") ||
		!strings.Contains(out, "9600 8N1") || !strings.Contains(out, "Acme PT-7 1.2") || !strings.Contains(out, "--baud 9600 --parity none --unit-id 3 --holding 0-40") {
		t.Fatalf("search: exit %d, said %q:\n%s", code, errs, out)
	}
	code, out, errs = command(t, "survey", "rtu://"+line, "--baud", "9600", "--parity", "none", "--unit-id", "3", "--holding", "0-9", "--expect", "7.8 bar", "--timeout", "100ms")
	for _, want := range []string{`VendorName: "Acme"`, "likeliest first:\n  reads 7.8 bar as float32 ABCD at 4\n", "<- float32", "response times of holding 0, asked 10 times: min "} {
		if code != exitGood || !strings.Contains(out, want) {
			t.Errorf("survey: exit %d, said %q, %q not in\n%s", code, errs, want, out)
		}
	}
}

// A line in trouble: the survey names it beside what it could read, in words and as JSON; a dead one ends with exit 1.
func TestSurveyOfALineInTrouble(t *testing.T) {
	line, server := startOldLine(t)
	survey := []string{"survey", "rtu://" + line, "--baud", "9600", "--parity", "none", "--holding", "0-3", "--timeout", "60ms"}
	defer server.Inject(device.Fault{Kind: device.Echo})()
	code, out, errs := command(t, append(survey, "--unit-id", "3")...)
	if code != exitGood || !strings.Contains(errs, "echo: 10 of 10 requests came back before the answer") || !strings.Contains(out, "40001") {
		t.Errorf("exit %d, said %q:\n%s", code, errs, out)
	}
	code, out, _ = command(t, append(survey, "--unit-id", "3", "--json")...)
	var report surveyReport
	if err := json.Unmarshal([]byte(out), &report); err != nil || code != exitGood || len(report.Troubles) != 1 || report.Troubles[0].Next == "" ||
		len(report.Registers) != 4 || report.Times.Answered != 10 || report.Identification["VendorName"] != "Acme" {
		t.Errorf("exit %d, %v: %+v", code, err, report)
	}
	code, out, errs = command(t, append(survey, "--unit-id", "9")...)
	if code != exitWrong || out != "" || !strings.Contains(errs, "silence: 3 of 3 requests to unit 9 got nothing") {
		t.Errorf("exit %d, said %q:\n%s", code, errs, out)
	}
	code, _, errs = command(t, "survey", "rtu://"+line, "--search", "--unit-id", "9", "--baud", "9600", "--timeout", "40ms")
	if code != exitWrong || !strings.Contains(errs, "nothing answers at any of these settings: exchange A and B") {
		t.Errorf("exit %d, said %q", code, errs)
	}
	if code, _, errs = command(t, "survey", "rtu:///dev/nowhere", "--holding", "0"); code != exitWrong || !strings.Contains(errs, "is the adapter plugged in?") {
		t.Errorf("exit %d, said %q", code, errs)
	}
}
