package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/exporter/record"
	"roundsman/rules"
)

// ask runs a command and returns what it printed.
func ask(t *testing.T, want int, args ...string) string {
	t.Helper()
	var out, talk bytes.Buffer
	if got := run(t.Context(), args, nil, &out, &talk); got != want {
		t.Fatalf("roundsman %s: exit %d, want %d\n%s%s", strings.Join(args, " "), got, want, out.String(), talk.String())
	}
	return out.String()
}

// recordedDay runs a room in fake time: low air now and then, a stop in between, and an hour that is packed. It returns
// the starts of alarms that the journal tells.
func recordedDay(t *testing.T, dir string) (starts []string) {
	synctest.Test(t, func(t *testing.T) {
		for range 2 {
			r := openRoom(t, dir)
			for i := range 8 {
				r.feed(7.2, 4*time.Minute)
				r.feed(5.2, time.Duration(4+i/2*2)*time.Second) // the later ones outlast the on-delay
				r.feed(6.4, 3*time.Minute)
				r.feed(9.5, 20*time.Second)
			}
			r.feed(7, 2*time.Minute)
			up, err := record.NewUpkeep(r.record, record.Keep{}, nil)
			if err != nil {
				t.Fatal(err)
			}
			if err := up.Finish(t.Context(), time.Now()); err != nil {
				t.Error(err)
			}
			if err := up.Close(); err != nil {
				t.Error(err)
			}
			for l, err := range r.record.Journal(t.Context(), record.Query{}) {
				if err != nil {
					t.Fatal(err)
				}
				if at := l.Time.Format(time.RFC3339); l.Kind == record.Kind(rules.EventStarted.String()) && !slices.Contains(starts, l.Alarm+" "+at) {
					starts = append(starts, l.Alarm+" "+at)
				}
			}
			r.stop()
			time.Sleep(7 * time.Minute)
		}
	})
	return starts
}

func siteFolder(t *testing.T) (dir, site string) {
	t.Helper()
	dir = t.TempDir()
	site = filepath.Join(dir, "site.yaml")
	for name, text := range map[string]string{"site.yaml": smallSite, "rules.yaml": smallRules} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir, site
}

// rehearsedStarts are the alarms of a rehearsal's JSON.
func rehearsedStarts(t *testing.T, text string) (starts []string) {
	t.Helper()
	var report struct {
		Alarms []struct {
			Alarm string
			Start time.Time
		}
	}
	if err := json.Unmarshal([]byte(text), &report); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	for _, a := range report.Alarms {
		starts = append(starts, a.Alarm+" "+a.Start.Format(time.RFC3339))
	}
	return starts
}

// TestRehearseTheRecord: rules rehearsed over the box's own record ring when they rang, and the same from a copy of the
// record and from its export.
func TestRehearseTheRecord(t *testing.T) {
	dir, site := siteFolder(t)
	want := recordedDay(t, dir)
	if len(want) < 15 {
		t.Fatalf("the room rang %d times only", len(want))
	}
	text := ask(t, exitGood, "rehearse", site, "--json")
	if d := cmp.Diff(want, rehearsedStarts(t, text)); d != "" {
		t.Errorf("rehearsed over the record, against the journal: %s", d)
	}
	if table := ask(t, exitGood, "rehearse", site); !strings.Contains(table, "1 gaps of more than 15s, the longest 7m") {
		t.Errorf("the gap is not told:\n%s", table)
	}

	csv := filepath.Join(dir, "all.csv")
	if err := os.WriteFile(csv, []byte(ask(t, exitGood, "export", site)), 0o600); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, rehearsedStarts(t, ask(t, exitGood, "rehearse", site, "--data", csv, "--json"))); d != "" {
		t.Errorf("rehearsed over the export: %s", d)
	}

	ask(t, exitGood, "backup", site, filepath.Join(dir, "copy.db"))
	if err := os.Rename(filepath.Join(dir, "copy.db"), filepath.Join(dir, "corner.db")); err != nil {
		t.Fatal(err)
	}
	for _, beside := range []string{"-wal", "-shm"} {
		_ = os.Remove(filepath.Join(dir, "corner.db"+beside)) // of the file that was replaced
	}
	if d := cmp.Diff(want, rehearsedStarts(t, ask(t, exitGood, "rehearse", site, "--json"))); d != "" {
		t.Errorf("rehearsed over the copy: %s", d)
	}
}

func TestExport(t *testing.T) {
	dir, site := siteFolder(t)
	recordedDay(t, dir)
	const head = "time,point,value,quality\n"
	out := ask(t, exitGood, "export", site, "--point", "air.pressure", "--from", "2000-01-01T00:05:00Z", "--to", "2000-01-01T00:05:02Z")
	// the nearest whole count of the card to what the test fed it
	if want := head + "2000-01-01T00:05:00Z,air.pressure,6.40023148148,good\n2000-01-01T00:05:01Z,air.pressure,6.40023148148,good\n"; out != want {
		t.Errorf("got\n%swant\n%s", out, want)
	}
	out = ask(t, exitGood, "export", site, "--minutes", "--point", "air.pressure", "--point", "air.running", "--from", "2000-01-01T00:03:00Z", "--to", "2000-01-01T00:05:00Z")
	want := `time,point,min,mean,max,last,good,unit
2000-01-01T00:03:00Z,air.pressure,7.2,7.2,7.2,7.2,1,bar
2000-01-01T00:04:00Z,air.pressure,5.2,6.32021412037,6.40023148148,6.40023148148,1,bar
2000-01-01T00:03:00Z,air.running,1,1,1,1,1,
2000-01-01T00:04:00Z,air.running,1,1,1,1,1,
`
	if out != want {
		t.Errorf("got\n%swant\n%s", out, want)
	}
	ask(t, exitUsage, "export", site, "--point", "air.presure")
	ask(t, exitUsage, "export", site, "--from", "soon")
	ask(t, exitWrong, "export", site, "--from", "2031-01-01")
	ask(t, exitWrong, "backup", site, site)
}
