package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"roundsman/collector/practice"
	"roundsman/exporter"
)

// quietPlant runs a practice plant without a daemon and returns a site file that reads it.
func quietPlant(t *testing.T) (site string, addresses practice.Addresses) {
	t.Helper()
	plant, err := practice.New(practice.Options{Seed: 7})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var g errgroup.Group
	g.Go(func() error { return plant.Run(ctx) })
	t.Cleanup(func() {
		cancel()
		g.Wait() // ends because it was asked to
	})
	return siteFor(t, plant.Addresses()), plant.Addresses()
}

// command runs one command and returns its exit code, what it printed and what it said beside.
func command(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = run(t.Context(), args, strings.NewReader(""), &stdout, &stderr)
	return code, stdout.String(), stderr.String()
}

// A technician reads beside the daemon: its session at the broker must live on.
func TestReadBesideTheDaemon(t *testing.T) {
	b := startBench(t)
	b.until("yard read", 20*time.Second, func(v *exporter.View) bool { return b.reading(v, "fresh.tank.level").Quality.Usable() })
	site := siteFor(t, b.plant.Addresses())
	code, out, errs := command(t, "read", site, "fresh.tank.level", "ro.tank.level", "--json", "--wait", "2s")
	if code != exitGood || errs != "" {
		t.Errorf("read: exit %d, said %q, want %d and nothing:\n%s", code, errs, exitGood, out)
	}
	for _, l := range b.d.board.View().Links {
		if l.Name == "yard" && (!l.Up || l.LastError != "") {
			t.Errorf("the daemon's link yard: up %v, last error %q, want it undisturbed", l.Up, l.LastError)
		}
	}
}

// One dead link costs its own points only.
func TestReadWithADeadLink(t *testing.T) {
	site, _ := quietPlant(t)
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	text = regexp.MustCompile(`mqtt: tcp://\S+`).ReplaceAll(text, []byte("mqtt: tcp://127.0.0.1:1"))
	if err := os.WriteFile(site, text, 0o644); err != nil {
		t.Fatal(err)
	}
	code, out, errs := command(t, "read", site, "air.header.pressure", "fresh.tank.level", "--json", "--wait", "1s")
	if code != exitWrong || !strings.Contains(errs, "link yard: ") {
		t.Errorf("read: exit %d, said %q, want %d and what is wrong with link yard", code, errs, exitWrong)
	}
	var lines []readLine
	if err := json.Unmarshal([]byte(out), &lines); err != nil || len(lines) != 2 {
		t.Fatalf("read printed %q (%v), want two points", out, err)
	}
	if l := lines[0]; l.Quality != "good" || l.Value == nil || l.Raw == nil {
		t.Errorf("%s: %+v, want a good reading", l.Point, l)
	}
	if l := lines[1]; l.Value != nil || l.Raw != nil || l.Reason == "" {
		t.Errorf("%s: %+v, want no value, no raw number and a reason", l.Point, l)
	}
}

// What looks back over time has no result after one round; that is no fault of the site unless it was asked for.
func TestReadOfComputedPoints(t *testing.T) {
	site, _ := quietPlant(t)
	code, out, _ := command(t, "read", site, "air.header.rate")
	if code != exitWrong || !strings.Contains(out, "not read yet") {
		t.Errorf("read air.header.rate: exit %d, want %d and why:\n%s", code, exitWrong, out)
	}
	_, out, _ = command(t, "read", site, "--wait", "1s")
	if !strings.Contains(out, "reclaim.tank.volume") || strings.Contains(out, "box.") {
		t.Errorf("read shows no computed points, or the daemon's own:\n%s", out)
	}
	if strings.Contains(out, "-0.0 ") || strings.Contains(out, "-0.00 ") {
		t.Errorf("read shows a minus before a zero:\n%s", out)
	}
}

func TestReadNamesTheDeadLink(t *testing.T) {
	path := filepath.Join(t.TempDir(), "site.yaml")
	text := "site: {name: X, time-zone: UTC}\nlinks: {plc: {modbus: 'tcp://127.0.0.1:1', retries: 0}}\npoints: {a: {link: plc, holding: 1}}\n"
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	code, out, errs := command(t, "read", path)
	if code != exitWrong || errs != "roundsman: link plc: connection refused\n" {
		t.Errorf("read: exit %d, said %q, want %d and the link's name:\n%s", code, errs, exitWrong, out)
	}
}

func TestSurveyOfThePlant(t *testing.T) {
	_, a := quietPlant(t)
	code, out, errs := command(t, "survey", a.PLC, "--unit-id", "1", "--holding", "10-11")
	if code != exitGood || !strings.Contains(out, "40011") || strings.Contains(out, "not read") {
		t.Errorf("survey: exit %d, said %q:\n%s", code, errs, out)
	}
	code, out, errs = command(t, "survey", a.PLC, "--unit-id", "9", "--holding", "0-2")
	if code != exitWrong || strings.Contains(out, "16 bits") || strings.Count(errs, "(0B)") != 1 {
		t.Errorf("survey of a device that is not there: exit %d, said %q, want %d and its exception once:\n%s", code, errs, exitWrong, out)
	}
}
