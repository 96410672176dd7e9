package main

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// recorded leaves a record with alarms in the first minutes of the bubble's year 2000, and opens it.
func recorded(t *testing.T) (site string, r *record.Reader, list []rules.Rule) {
	t.Helper()
	dir := writeSite(t, smallRules)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		for range 4 {
			r.feed(5.0, 10*time.Second)
			r.feed(7.0, 40*time.Second)
		}
		r.feed(9.5, 20*time.Second)
		r.stop()
	})
	site = filepath.Join(dir, "site.yaml")
	loaded, err := configs.LoadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	if r, err = record.Read(filepath.Join(dir, "corner.db")); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.Close() })
	return site, r, loaded.Rules.Rules
}

// The interface and the command tell the same figures, to the letter.
func TestFiguresOverHTTP(t *testing.T) {
	site, r, list := recorded(t)
	clock := collector.NewClock()
	room := exportertest.Ardenmoor(clock)
	h := panel.New(exporter.NewBoard(clock, room.View()), panel.Options{Reviews: newReviews(newReviewing(clock), r, func() []rules.Rule { return list })}).Handler()
	for _, span := range [][2]string{
		{"2000-01-01", "2000-01-02"}, {"1999-12-01T00:00:00Z", "2000-01-01T00:01:30Z"}, {"2000-01-01T00:01:00Z", "2000-01-01T00:02:00Z"}, {"1990-01-01", "2026-01-01"},
	} {
		var want, errs bytes.Buffer
		if code := run(context.Background(), []string{"alarms", site, "--from", span[0], "--to", span[1], "--json"}, nil, &want, &errs); code != exitGood {
			t.Fatalf("exit %d: %s", code, &errs)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/figures?from="+span[0]+"&to="+span[1], nil))
		if w.Code != http.StatusOK || w.Body.String() != want.String() || !bytes.Contains(want.Bytes(), []byte(`"alarm": "air-low"`)) {
			t.Errorf("%v: %d\n%s\nthe command says\n%s", span, w.Code, w.Body, &want)
		}
	}
	for _, query := range []string{"?from=2300-01-01&to=2300-02-01", "?from=2999-01-01", "?to=1600-01-01"} {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/figures"+query, nil))
		if w.Code != http.StatusBadRequest || w.Header().Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %d %s", query, w.Code, w.Body)
		}
	}
}

// One review at a time, few that wait, and the same one not twice within seconds.
func TestReviewsAreBounded(t *testing.T) {
	_, reader, list := recorded(t)
	begin := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	if _, err := alarmFigures(t.Context(), reader, review.Span{From: begin, To: begin.AddDate(0, 0, 1)}, begin, priorities(list)); err != nil {
		t.Fatal(err) // and the reader has all that it opens once: it must not be of the bubble
	}
	synctest.Test(t, func(t *testing.T) {
		asked := 0
		r := newReviews(newReviewing(collector.NewClock()), reader, func() []rules.Rule { asked++; return list })
		day := func(n int) time.Time { return time.Date(2000, 1, n, 0, 0, 0, 0, time.UTC) }
		first, err := r.Alarms(t.Context(), day(1), day(2))
		if err != nil || !bytes.Contains(first, []byte(`"alarms": 5`)) {
			t.Fatalf("%s, %v", first, err)
		}
		again, err := r.Alarms(t.Context(), day(1).In(time.FixedZone("", 3600)), day(2))
		if err != nil || !bytes.Equal(first, again) || asked != 1 {
			t.Errorf("the same span at once was computed %d times, %v", asked, err)
		}
		time.Sleep(reviewKept)
		if _, err := r.Alarms(t.Context(), day(1), day(2)); err != nil || asked != 2 {
			t.Errorf("the same span later was computed %d times, %v", asked, err)
		}
		for n := range 3 * mostReviewsKept {
			if _, err := r.Alarms(t.Context(), day(1), day(2+n)); err != nil {
				t.Fatal(err)
			}
		}
		if len(r.kept) > mostReviewsKept {
			t.Errorf("%d answers are kept", len(r.kept))
		}

		r.turn <- struct{}{} // somebody computes for long
		r.places <- struct{}{}
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		errs := make(chan error, mostReviewing)
		for n := range mostReviewing {
			go func() {
				_, err := r.Alarms(ctx, day(1), day(900+n))
				errs <- err
			}()
		}
		synctest.Wait()
		if err := <-errs; !errors.Is(err, exporter.ErrReviewing) {
			t.Errorf("one too many: %v", err)
		}
		if len(errs) > 0 {
			t.Errorf("of those that have a place one ended: %v", <-errs)
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		for range mostReviewing - 1 {
			if err := <-errs; !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("one that waited too long: %v", err)
			}
		}
		if len(r.places) != 1 {
			t.Errorf("%d places are taken", len(r.places))
		}
	})
}

var _ exporter.Reviews = (*reviews)(nil)
