package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"roundsman/collector/modbus/device"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// A start without the record's folder, as when a disk is not mounted yet, in a room that mostly rests: what was kept of alarms that did not
// move goes on, shelf, unacknowledged alarm and unsent message too; what moved is as it is, and a line says how it was
// kept; run time, starts and pulses are the sums of both.
func TestRecordTakenUpGoesOn(t *testing.T) {
	t.Parallel()
	c := newControls(t)
	site := c.files(t, t.TempDir())
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Dir(site)
	write(t, dir, "site.yaml", strings.NewReplacer("path: corner.db", "path: kept/corner.db", "points:\n",
		"points:\n  litres: {station: air, total: p20, per-pulse: 1 L}\n", "holding: 20, type: int16, scale: {from: [0, 1000], to: [0 bar, 10 bar]}", "holding: 20, type: uint16, kind: counter").Replace(string(text)))
	rulesText, err := os.ReadFile(filepath.Join(dir, "rules.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	lines := slices.DeleteFunc(strings.SplitAfter(string(rulesText), "\n"), func(l string) bool { return strings.Contains(l, "low20:") })
	write(t, dir, "rules.yaml", strings.Join(lines, ""))
	kept, away := filepath.Join(dir, "kept"), filepath.Join(dir, "away")
	if err := os.Mkdir(kept, 0o700); err != nil {
		t.Fatal(err)
	}
	w := newWatch(t, site)
	w.folder = "kept"
	state := func(alarm, want string) {
		t.Helper()
		w.until(alarm+" is "+want, func() bool { return w.alarms()[alarm].State == want })
	}
	pump := func(on bool) {
		if err := c.bank.Set(device.Discrete, 0, map[bool]uint16{true: 1}[on]); err != nil {
			t.Fatal(err)
		}
		time.Sleep(700 * time.Millisecond) // of its run, which is counted
	}

	c.refuse(func() bool { return true })
	c.set(20, 1000)
	w.start()
	w.until("the first reading", func() bool { return w.reads("p20", 1000) })
	var shelf shownAlarm
	if err := w.ask("POST", "/api/v1/alarms/low2/shelve", `{"by":"ann","for":"2h","reason":"hose changed"}`, &shelf); err != nil {
		t.Fatal(err)
	}
	c.set(0, 400)
	c.set(1, 400)
	c.set(20, 1050)
	state("low0", "unacknowledged")
	state("low1", "unacknowledged")
	w.until("a message is refused", func() bool { came, _ := c.messages(); return len(came) > 0 })
	pump(true)
	pump(false)
	w.until("the litres", func() bool { return w.reads("litres", 50) })
	w.kill()
	if err := os.Rename(kept, away); err != nil {
		t.Fatal(err)
	}

	c.set(0, 700)
	c.set(20, 1070) // twenty while the box is off
	w.start()
	w.until("it says that there is no record", func() bool { return strings.Contains(w.said.String(), "is kept in memory until") })
	w.until("the box rings about it", func() bool { return w.alarms()["box-record"].State == "unacknowledged" })
	c.set(3, 400)
	state("low1", "unacknowledged")
	state("low3", "unacknowledged")
	state("low2", "normal")
	pump(true)
	pump(false)
	c.set(20, 1100)
	w.until("the litres since the start", func() bool { return w.reads("litres", 30) })
	if err := os.Rename(away, kept); err != nil {
		t.Fatal(err)
	}
	w.until("the record is taken up", func() bool { return strings.Contains(w.said.String(), "the record is taken up") })
	w.until("it listens again", func() bool { return strings.Count(w.said.String(), "msg=listening") == 2 })
	w.until("all litres", func() bool { return w.reads("litres", 100) })
	state("low0", "returned unacknowledged")
	state("low1", "unacknowledged")
	state("low3", "unacknowledged")
	got := w.alarms()["low2"]
	until, err := time.Parse(time.RFC3339, got.Until)
	was, err2 := time.Parse(time.RFC3339, shelf.Until)
	if err != nil || err2 != nil || until.Sub(was).Abs() > time.Second || got.State != "shelved" || got.By != shelf.By {
		t.Errorf("the shelf: %+v, was %+v", got, shelf)
	}
	c.refuse(func() bool { return false })
	w.until("the message of before is taken", func() bool {
		came, taken := c.messages()
		for key := range taken {
			if strings.Contains(came[key], "P0") || strings.Contains(strings.ToLower(came[key]), "p0") {
				return true
			}
		}
		return false
	})
	w.stop()

	r := w.reader()
	defer r.Close()
	if err := r.Check(t.Context()); err != nil {
		t.Error(err)
	}
	d, err := r.Duty(t.Context(), "pump", time.Now().Add(-time.Hour), time.Now())
	if err != nil || d.Starts != 2 || d.Run < time.Second || d.Run > 4*time.Second {
		t.Errorf("the pump: %+v, %v", d, err)
	}
	var anew []string
	for _, l := range w.journal() {
		if l.Kind == record.AlarmAnew {
			anew = append(anew, l.Alarm+" "+l.From.String())
		}
		if l.Alarm == "low0" && l.Kind == "started" && l.To != rules.Unacknowledged {
			t.Errorf("low0 began as %v", l.To)
		}
	}
	if !slices.Equal(anew, []string{"low1 unacknowledged"}) {
		t.Errorf("judged anew: %q", anew)
	}
	if n := strings.Count(w.said.String(), "alarm=low1 event=started"); n != 1 {
		t.Errorf("low1 was told %d times", n)
	}
}
