package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/rehearsal"
	"roundsman/exporter/review"
)

const chattyRules = `rules:
  air-low: {point: air.pressure, low: 5.5 bar, deadband: 0.05 bar, on-delay: 1s, off-delay: 1s, severity: major, time-to-respond: 2m, response: Stop loading.}
  air-high: {point: air.pressure, high: 9 bar, deadband: 0.3 bar, on-delay: 5s, off-delay: 30s, severity: minor, time-to-respond: 20m, response: Look.}
`

// chattyRecord is a room whose pressure hovers about the limit now and then, and falls for good three times.
func chattyRecord(t *testing.T) (site string) {
	t.Helper()
	dir := writeSite(t, chattyRules)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		for range 3 {
			r.feed(7.2, 5*time.Minute)
			for range 12 {
				r.feed(5.4, 4*time.Second)
				r.feed(5.65, 4*time.Second)
			}
			r.feed(7.2, 5*time.Minute)
			r.feed(5.0, 3*time.Minute)
			r.feed(7.2, 2*time.Minute)
			r.feed(9.4, 40*time.Second)
		}
		r.feed(7.2, 2*time.Minute)
		r.stop()
	})
	return filepath.Join(dir, "site.yaml")
}

// What is suggested for the worst alarm holds when its rule is rehearsed with it, and the figures stay those of the
// command without suggestions.
func TestAlarmsSuggest(t *testing.T) {
	site := chattyRecord(t)
	span := []string{"--from", "2000-01-01", "--to", "2000-01-02"}
	var plain, beside review.Figures
	var got struct {
		Worst struct {
			From   time.Time
			Actors []struct {
				Alarm, Words       string
				Alarms, Chattering int
				Found              bool
				Rehearsed          *struct{ Activations, Chattering int }
				Suggestion         *struct {
					Deadband, OnDelaySeconds, OffDelaySeconds float64
					TrueAlarms, TrueAlarmsKept                int
					After                                     struct{ Activations, Chattering int }
				}
			}
		}
	}
	text := ask(t, exitGood, append([]string{"alarms", site, "--suggest", "--json"}, span...)...)
	for _, into := range []any{&got, &beside} {
		if err := json.Unmarshal([]byte(text), into); err != nil {
			t.Fatal(err)
		}
	}
	if err := json.Unmarshal([]byte(ask(t, exitGood, append([]string{"alarms", site, "--json"}, span...)...)), &plain); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(plain, beside); d != "" {
		t.Errorf("the figures are others with suggestions: %s", d)
	}
	if len(got.Worst.Actors) != 2 || got.Worst.Actors[0].Alarm != "air-low" || got.Worst.From.Year() != 2000 {
		t.Fatalf("the worst are %+v", got.Worst)
	}
	a := got.Worst.Actors[0]
	if !a.Found || a.Suggestion == nil || a.Rehearsed == nil || a.Alarms != a.Rehearsed.Activations || a.Alarms != 3*12+3 || a.Chattering == 0 || a.Suggestion.TrueAlarmsKept != a.Suggestion.TrueAlarms || a.Suggestion.TrueAlarms < 3 {
		t.Fatalf("air-low: %+v, %+v, %+v", a, a.Rehearsed, a.Suggestion)
	}
	if b := got.Worst.Actors[1]; b.Found || b.Suggestion != nil || !strings.Contains(b.Words, "does not chatter") {
		t.Errorf("air-high: %+v", b)
	}
	// the suggestion, put to the test by the whole rehearsal of all rules and points
	s := a.Suggestion
	var again struct {
		Rules []struct {
			Rule                    string
			Activations, Chattering int
		}
	}
	text = ask(t, exitGood, "rehearse", site, "--json", "--deadband", fmt.Sprintf("air-low=%g bar", s.Deadband), "--on-delay", fmt.Sprintf("air-low=%gs", s.OnDelaySeconds), "--off-delay", fmt.Sprintf("air-low=%gs", s.OffDelaySeconds))
	if err := json.Unmarshal([]byte(text), &again); err != nil {
		t.Fatal(err)
	}
	if r := again.Rules[0]; r.Rule != "air-low" && again.Rules[1].Rule == "air-low" {
		again.Rules[0] = again.Rules[1]
	}
	if r := again.Rules[0]; r.Rule != "air-low" || r.Chattering != 0 || r.Activations != s.After.Activations || r.Activations >= a.Alarms {
		t.Errorf("with what is suggested it rings %+v; promised %+v", r, s.After)
	}
}

// The page tells what the command tells, of the same span; a reader that went away ends the work.
func TestSuggestionsPageTellsWhatTheCommandTells(t *testing.T) {
	path := chattyRecord(t)
	site, err := configs.LoadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := openToRead(path, site)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	from, to := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2000, 1, 2, 0, 0, 0, 0, time.UTC)
	s := &suggestions{newReviewing(collector.NewClock()), r, func() *configs.Site { return site }}
	gone, leave := context.WithCancel(t.Context())
	leave()
	if _, err := s.Suggest(gone, from, to); err == nil {
		t.Error("rehearsed for nobody")
	}
	body, err := s.Suggest(t.Context(), from, to)
	if err != nil {
		t.Fatal(err)
	}
	var command struct{ Worst rehearsal.Worst }
	var online rehearsal.Worst
	text := ask(t, exitGood, "alarms", path, "--suggest", "--json", "--from", "2000-01-01", "--to", "2000-01-02")
	if err := errors.Join(json.Unmarshal([]byte(text), &command), json.Unmarshal(body, &online)); err != nil {
		t.Fatal(err)
	}
	if len(online.Actors) != 2 || !online.Actors[0].Found || !reflect.DeepEqual(command.Worst, online) {
		t.Errorf("the page has %+v, the command %+v", online, command.Worst)
	}
}

func TestAlarmsSuggestInWords(t *testing.T) {
	site := chattyRecord(t)
	table := ask(t, exitGood, "alarms", site, "--suggest", "--from", "2000-01-01", "--to", "2000-01-02")
	for _, want := range []string{"rehearsed over the readings kept from 2000-01-01 00:00", "of 39 alarms 6 would have rung", "judge them before you take them"} {
		if !strings.Contains(table, want) {
			t.Errorf("%q is missing in\n%s", want, table)
		}
	}
	if text := ask(t, exitGood, "alarms", site, "--suggest", "--from", "2001-01-01", "--to", "2001-01-02"); strings.Contains(text, "rehearsed") {
		t.Errorf("nothing rang, and it tells\n%s", text)
	}
	rows, err := csv.NewReader(strings.NewReader(ask(t, exitGood, "alarms", site, "--csv", "--from", "2000-01-01", "--to", "2000-01-02"))).ReadAll()
	if err != nil || len(rows) != 3 || rows[1][0] != "air-low" || rows[1][3] != "39" {
		t.Errorf("csv %q, %v", rows, err)
	}
	ask(t, exitUsage, "alarms", site, "--csv", "--json")
}
