package record_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

// jumpyJournal fills a record with lines whose wall time steps to and fro, each step with its line, and is slewed in between.
func jumpyJournal(t *testing.T, r *record.Record, random *rand.Rand, n int) {
	t.Helper()
	at := time.Date(2026, 3, 29, 0, 30, 0, 0, time.UTC)
	c := record.Change{}
	for i := range n {
		at = at.Add(time.Duration(random.IntN(1500)-400) * time.Millisecond)
		l := record.Line{Kind: record.Remark, Why: fmt.Sprint(i), Time: at}
		if random.IntN(200) == 0 {
			step := time.Duration(random.IntN(7200)-3600) * time.Second
			at = at.Add(step)
			l.Kind, l.Length, l.Time = record.ClockStepped, step, at
		} else if random.IntN(3) == 0 {
			l.Kind, l.Alarm = "acknowledged", fmt.Sprint("alarm ", random.IntN(3))
		}
		if c.Lines = append(c.Lines, l); len(c.Lines) == 50 {
			commit(t, r, c)
			c.Clear()
		}
	}
	commit(t, r, c)
}

// Every query gives what going through all lines one by one gives.
func TestJournalAgainstScan(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 4))
	p := path(t)
	r, err := record.Open(p, record.Options{Clock: collector.NewClock(), Reserve: -1})
	if err != nil {
		t.Fatal(err)
	}
	jumpyJournal(t, r, random, 3000)
	if err := r.Exec(`UPDATE journal SET time = (SELECT time FROM journal WHERE seq = 2) WHERE seq = 1`); err != nil { // the start is of today
		t.Fatal(err)
	}
	all := recordtest.Lines(t, r.Reader, record.Query{})
	if len(all) != 3001 {
		t.Fatalf("%d lines", len(all))
	}
	found := 0
	for range 100 / fewer {
		q := record.Query{Newest: random.IntN(2) == 0}
		if random.IntN(4) > 0 {
			q.From = all[random.IntN(len(all))].Time.Add(time.Duration(random.IntN(3)-1) * 100 * time.Microsecond)
		}
		if random.IntN(4) > 0 {
			q.To = all[random.IntN(len(all))].Time.Add(time.Duration(random.IntN(3)-1) * 100 * time.Microsecond)
		}
		if random.IntN(3) == 0 {
			q.Alarm = fmt.Sprint("alarm ", random.IntN(4))
		}
		if random.IntN(3) == 0 {
			q.After = uint64(random.IntN(3100))
		}
		if random.IntN(3) == 0 {
			q.Limit = 1 + random.IntN(700)
		}
		want := scanAll(all, q)
		got := recordtest.Lines(t, r.Reader, q)
		found += len(got)
		if diff := recordtest.SameLines(want, got); diff != "" {
			t.Fatalf("%+v: %d lines, want %d (-want +got):\n%.2000s", q, len(got), len(want), diff)
		}
	}
	if found < 10_000/fewer {
		t.Errorf("only %d lines were found in all", found)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
}

func scanAll(all []record.Line, q record.Query) []record.Line {
	var out []record.Line
	for _, l := range all {
		switch {
		case !q.From.IsZero() && l.Time.Before(q.From), !q.To.IsZero() && !l.Time.Before(q.To):
		case q.Alarm != "" && l.Alarm != q.Alarm:
		case q.After > 0 && (!q.Newest && l.Seq <= q.After || q.Newest && l.Seq >= q.After):
		default:
			out = append(out, l)
		}
	}
	if q.Newest {
		slices.Reverse(out)
	}
	if q.Limit > 0 && len(out) > q.Limit {
		out = out[:q.Limit]
	}
	return out
}

// A loop that ends early, one whose request is gone, and one beside a writer.
func TestJournalReader(t *testing.T) {
	p := path(t)
	r := recordtest.Open(t, p, record.Options{Clock: collector.NewClock(), Reserve: -1})
	for n := range 1200 {
		commit(t, r, record.Change{Lines: []record.Line{{Kind: record.Remark, Why: fmt.Sprint(n)}}})
	}
	n := 0
	for l, err := range r.Journal(t.Context(), record.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if n++; n%100 == 0 { // the writer is not held up
			commit(t, r, record.Change{Lines: []record.Line{{Kind: record.Remark}}})
		}
		if l.Seq == 1000 {
			break
		}
	}
	if n != 1000 {
		t.Errorf("%d lines before the end", n)
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	for _, err := range r.Journal(gone, record.Query{}) {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("got %v", err)
		}
	}
	if seq, err := r.Latest(t.Context()); err != nil || seq != 1211 {
		t.Errorf("the latest line is %d, %v", seq, err)
	}
	copied := path(t) + ".copy"
	if err := r.Backup(t.Context(), copied); err != nil {
		t.Fatal(err)
	}
	recordtest.Check(t, copied)
	if err := r.Backup(t.Context(), copied); err == nil {
		t.Error("a backup overwrote a file")
	}
}

// A box that was started often, some of the times with a clock that was set late or never: every span of time gives what
// going through all lines one by one gives.
func TestJournalOfManyStarts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		random := rand.New(rand.NewPCG(7, 7))
		c := newLateClock(t)
		for boot := range 40 {
			c.remarks(1 + random.IntN(20))
			if random.IntN(3) > 0 {
				c.set() // dates what was written since the boot, in this run and those before
				c.remarks(random.IntN(20))
			}
			if boot == 39 {
				break
			}
			c.kill()
			if random.IntN(2) == 0 {
				time.Sleep(time.Duration(random.IntN(100)) * time.Hour)
				c.reboot() // else only the program is started again
				c.start()
				continue
			}
			c.open()
		}
		all := recordtest.Lines(t, c.r.Reader, record.Query{})
		undated, found := 0, 0
		for range 400 / fewer {
			from := all[random.IntN(len(all))].Time
			q := record.Query{From: from, To: from.Add(time.Duration(random.IntN(200)) * time.Hour), Newest: random.IntN(2) == 0}
			got := recordtest.Lines(t, c.r.Reader, q)
			if diff := recordtest.SameLines(scanAll(all, q), got); diff != "" {
				t.Fatalf("%+v (-want +got):\n%.2000s", q, diff)
			}
			found += len(got)
			for _, l := range got {
				if l.Undated {
					undated++
				}
			}
		}
		if found < 4000/fewer || undated == 0 || undated == found {
			t.Errorf("of %d lines found %d were undated: the spans prove little", found, undated)
		}
		if err := c.r.Close(); err != nil {
			t.Error(err)
		}
	})
}
