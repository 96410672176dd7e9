package main

import (
	"bytes"
	"context"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/exporter/review"
)

// The review of a record counts what the journal tells.
func TestAlarmsReview(t *testing.T) {
	dir := writeSite(t, smallRules)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		for range 3 {
			r.feed(5.0, 10*time.Second)
			r.feed(7.0, 40*time.Second)
		}
		r.stop()
	})
	site := filepath.Join(dir, "site.yaml")
	var out, errs bytes.Buffer
	args := []string{"alarms", site, "--from", "2000-01-01", "--to", "2000-01-02", "--json"}
	if code := run(context.Background(), args, nil, &out, &errs); code != exitGood {
		t.Fatalf("exit %d: %s%s", code, &out, &errs)
	}
	var f review.Figures
	if err := json.Unmarshal(out.Bytes(), &f); err != nil {
		t.Fatal(err)
	}
	if f.Alarms != 3 || len(f.Frequent) != 1 || f.Frequent[0].Alarm != "air-low" || f.Frequent[0].Alarms != 3 {
		t.Errorf("three times low air: %d alarms, %+v", f.Alarms, f.Frequent)
	}
	out.Reset()
	if code := run(context.Background(), args[:len(args)-1], nil, &out, &errs); code != exitGood || !strings.Contains(out.String(), "air-low") {
		t.Errorf("the table: exit %d:\n%s%s", code, &out, &errs)
	}
	for _, wrong := range []string{"--from yesterday", "--from 2026-02-02 --to 2026-02-01"} {
		if code := run(context.Background(), append([]string{"alarms", site}, strings.Fields(wrong)...), nil, &out, &errs); code != exitUsage {
			t.Errorf("alarms %s: exit %d, want wrong usage", wrong, code)
		}
	}
}

// An alarm that began long before the span and was active in it is stale, and its time counts.
func TestAlarmsReviewOfWhatStands(t *testing.T) {
	dir := writeSite(t, smallRules)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		r.feed(5.0, 10*time.Second)
		r.stop()
		time.Sleep(100 * 24 * time.Hour) // nobody was there
		r = openRoom(t, dir)
		r.feed(7.0, 60*time.Second)
		r.stop()
	})
	var out, errs bytes.Buffer
	args := []string{"alarms", filepath.Join(dir, "site.yaml"), "--from", "2000-03-01", "--to", "2000-03-11", "--json"}
	if code := run(context.Background(), args, nil, &out, &errs); code != exitGood {
		t.Fatalf("exit %d: %s%s", code, &out, &errs)
	}
	var f review.Figures
	if err := json.Unmarshal(out.Bytes(), &f); err != nil {
		t.Fatal(err)
	}
	if f.Alarms != 0 || f.Stale.Most != 1 || len(f.Stale.Alarms) != 1 || f.Stale.Alarms[0].Alarm != "air-low" || len(f.Rules) != 1 || f.Rules[0].Active != 10*86400 {
		t.Errorf("active for 100 days: %+v, %+v", f.Stale, f.Rules)
	}
}
