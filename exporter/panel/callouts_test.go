package panel_test

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
)

// switchboard is a fake of what is known of calls.
type switchboard struct {
	calls []exporter.Call
	heard []exporter.Line
	reach exporter.Reach
	err   error
	asked []exporter.CallQuery
}

func (s *switchboard) Calls(_ context.Context, q exporter.CallQuery) ([]exporter.Call, error) {
	s.asked = append(s.asked, q)
	list := slices.DeleteFunc(slices.Clone(s.calls), func(c exporter.Call) bool { return q.Waiting && c.Done || q.Alarm != "" && q.Alarm != c.Alarm })
	return list, s.err
}

func (s *switchboard) Answers(context.Context, int) ([]exporter.Line, error) { return s.heard, s.err }
func (s *switchboard) Reach() exporter.Reach                                 { return s.reach }

// saturdayCalls are those of the room on a Saturday, written at ten past six.
func saturdayCalls(v *exporter.View) *switchboard {
	at := v.Time.Add(-4 * time.Minute)
	return &switchboard{
		reach: exporter.Reach{Reachable: true, Waiting: 1, Oldest: 4 * time.Minute, Channels: []exporter.Way{{Name: "modem", Kind: "sms"}, {Name: "letters", Kind: "mail", Waiting: 1, Failing: true, Error: "mail.wash.example: no answer in 10s"}}},
		calls: []exporter.Call{
			{Key: "3", Subject: "alarm", Alarm: "air-low", Contact: "m.hartnell", Person: "Maeve Hartnell", Title: "Ardenmoor: AIR header pressure low", Number: 7, State: "waiting",
				Channel: "letters", Tries: 3, Error: "mail.wash.example: no answer in 10s", Written: at, Next: v.Time.Add(20 * time.Second)},
			{Key: "2", Subject: "alarm", Alarm: "air-low", Contact: "n.quill", Person: "Niamh Quill", Title: "Ardenmoor: AIR header pressure low <b>", Number: 7, State: "delivered", Done: true,
				Channel: "modem", To: "…4567", Tries: 1, Reference: "41", Written: at, Ended: at.Add(3 * time.Second)},
			{Key: "1", Subject: "drill", Contact: "n.quill", Person: "Niamh Quill", Number: 6, State: "failed for good", Done: true, Channel: "modem", Tries: 2, Error: "no such number", Written: at.Add(-time.Hour), Ended: at.Add(-time.Hour)},
		},
		heard: []exporter.Line{
			{Time: at.Add(time.Minute), Kind: "answer", Who: "Niamh Quill", Why: "air-low: ok 7"},
			{Time: at.Add(-time.Hour), Kind: "answer", Who: "Niamh Quill", Why: "air-low: ok 7"}, // of an earlier call
			{Time: at.Add(-2 * time.Hour), Kind: "answer unheard", Who: "…0123", Why: "an answer from an unknown sender"},
		},
	}
}

func withCalls(change func(s *switchboard)) (http.Handler, *switchboard, *exporter.View) {
	clock := collector.NewClock()
	v := exportertest.Saturday(clock).View()
	s := saturdayCalls(v)
	if change != nil {
		change(s)
	}
	return panel.New(exporter.NewBoard(clock, v), panel.Options{Callouts: s}).Handler(), s, v
}

func ask(h http.Handler, path string) (int, string) {
	w := do(h, request("GET", path, ""))
	return w.Code, w.Body.String()
}

func TestCalloutsJSON(t *testing.T) {
	h, s, v := withCalls(nil)
	code, body := ask(h, "/api/v1/callouts?state=waiting&alarm=air-low&limit=7")
	var got []map[string]any
	if err := json.Unmarshal([]byte(body), &got); err != nil || code != 200 || len(got) != 1 {
		t.Fatalf("%d %s, %v", code, body, err)
	}
	stamp := func(d time.Duration) string { return v.Time.UTC().Add(d).Format(time.RFC3339Nano) }
	want := map[string]any{"key": "3", "subject": "alarm", "alarm": "air-low", "contact": "m.hartnell", "person": "Maeve Hartnell", "title": "Ardenmoor: AIR header pressure low",
		"number": 7., "state": "waiting", "done": false, "channel": "letters", "to": "", "tries": 3., "error": "mail.wash.example: no answer in 10s", "receipt": "",
		"written": stamp(-4 * time.Minute), "next": stamp(20 * time.Second), "ended": nil,
		"answers": []any{map[string]any{"time": stamp(-3 * time.Minute), "who": "Niamh Quill", "words": "ok 7"}}}
	if diff := cmp.Diff(want, got[0]); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if want := (exporter.CallQuery{Waiting: true, Alarm: "air-low", Limit: 7}); s.asked[0] != want {
		t.Errorf("asked for %+v, want %+v", s.asked[0], want)
	}
	if code, body = ask(h, "/api/v1/callouts"); code != 200 || strings.Count(body, `"key"`) != 3 || !strings.Contains(body, `"receipt":"41"`) || !strings.Contains(body, `"answers":[]`) {
		t.Errorf("%d %s", code, body)
	}
	for query, field := range map[string]string{"state=waitng": "state", "limit=0": "limit", "limit=x": "limit", "limit=99999": "limit"} {
		refused(t, do(h, request("GET", "/api/v1/callouts?"+query, "")), 400, "", field)
	}
	refused(t, do(h, request("GET", "/api/v1/callouts?state=waitng", "")), 400, `state: no such state as "waitng" (did you mean waiting?); there are waiting and all`, "state")
	s.err = errors.New("disk full at /var/lib/x")
	refused(t, do(h, request("GET", "/api/v1/callouts", "")), 500, "see the log", "")
	none := panel.New(exporter.NewBoard(collector.NewClock(), v), panel.Options{}).Handler()
	refused(t, do(none, request("GET", "/api/v1/callouts", "")), 503, "nobody is called from here", "")
}

func TestCalloutsPage(t *testing.T) {
	h, _, v := withCalls(nil)
	code, body := ask(h, "/callouts")
	zone := v.Site.Zone
	clock := func(d time.Duration) string { return v.Time.Add(d).In(zone).Format("15:04:05") }
	for _, want := range []string{"Everybody can be called; 1 message waits.", `<b>letters</b> <span class="word">`, "fails", "mail.wash.example: no answer in 10s",
		"<b>Maeve Hartnell</b>: Ardenmoor: AIR header pressure low", "waiting through letters, 3 tries, next at <span class=\"num\">" + clock(20*time.Second),
		"delivered through modem …4567 at <span class=\"num\">" + clock(-4*time.Minute+3*time.Second) + "</span>, 1 try", "receipt 41", "pressure low &lt;b&gt;",
		"Niamh Quill answered ok 7 at " + clock(-3*time.Minute), "failed for good through modem", "an answer from an unknown sender", `aria-current="page">Calls</a>`} {
		if !strings.Contains(body, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	if n := strings.Count(body, "Niamh Quill answered"); code != 200 || n != 2 { // one beside each message that it answers
		t.Errorf("%d, answered %d times", code, n)
	}
	waiting, sent, _ := strings.Cut(body, `id="sent"`)
	if !strings.Contains(waiting, "Maeve Hartnell") || strings.Contains(waiting, "delivered") || strings.Contains(sent, "<b>Maeve") {
		t.Error("what waits and what is done are mixed")
	}
	h, _, _ = withCalls(func(s *switchboard) { s.calls[1].Error = "no network at first" })
	if _, body := ask(h, "/callouts"); strings.Contains(body, "at first") {
		t.Error("a message that arrived shows an old error")
	}
	h, _, _ = withCalls(func(s *switchboard) { s.err = errors.New("disk full") })
	if code, body := ask(h, "/callouts"); code != 200 || !strings.Contains(body, "The messages cannot be read now.") || !strings.Contains(body, "Everybody can be called") {
		t.Errorf("without a record: %d", code)
	}
	h, _, _ = withCalls(func(s *switchboard) { s.reach.Unreachable = []string{"n.quill"} })
	if _, body := ask(h, "/callouts"); !strings.Contains(body, "Not reachable at present: n.quill.") {
		t.Error("somebody out of reach is not told")
	}
	none := panel.New(exporter.NewBoard(collector.NewClock(), v), panel.Options{}).Handler()
	if code, _ := ask(none, "/callouts"); code != 404 {
		t.Errorf("without call-outs: %d", code)
	}
	if _, body := ask(none, "/"); strings.Contains(body, `href="/callouts"`) {
		t.Error("the sheet leads to a page that is not there")
	}
}

// TestUncalled: the sheet and the list of alarms say when calls do not get through, and only then.
func TestUncalled(t *testing.T) {
	for _, tt := range []struct {
		name  string
		reach exporter.Reach
		want  string
	}{
		{"well", exporter.Reach{Reachable: true}, ""},
		{"some wait a little", exporter.Reach{Reachable: true, Waiting: 2, Oldest: 5*time.Minute - time.Second}, ""},
		{"one waits too long", exporter.Reach{Reachable: true, Waiting: 1, Oldest: 5*time.Minute + 20*time.Second}, "1 message is unsent, the oldest for 5 min."},
		{"many do", exporter.Reach{Reachable: true, Waiting: 40, Oldest: 27 * time.Hour}, "40 messages are unsent, the oldest for 1 d 3 h."},
		{"nobody", exporter.Reach{Reason: "no contact can be reached; modem: no network"}, "Nobody can be called: no contact can be reached; modem: no network."},
	} {
		h, _, _ := withCalls(func(s *switchboard) { s.reach = tt.reach })
		for path, tells := range map[string]bool{"/": true, "/alarms": true, "/points/air.header.pressure": false} {
			code, body := ask(h, path)
			_, told, _ := strings.Cut(body, `<div id="uncalled" data-words="`)
			told, _, _ = strings.Cut(told, `"`)
			if want := tt.want; code != 200 || tells && !strings.HasPrefix(told, want) || told != "" && (!tells || want == "") {
				t.Errorf("%s: %s: %d %q, want %q", tt.name, path, code, told, want)
			}
			if strings.Contains(body, `<p class="stale" role="alert">`) != (told != "") {
				t.Errorf("%s: %s: said and not shown, or shown and not said", tt.name, path)
			}
		}
	}
}
