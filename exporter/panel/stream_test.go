package panel_test

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
	"roundsman/rules"
)

// listener is a client of a stream in a bubble of fake time.
type listener struct {
	io.Writer
	header http.Header
}

func (l listener) Header() http.Header { return l.header }
func (l listener) WriteHeader(int)     {}
func (l listener) Flush()              {}

type sent struct {
	name string
	data struct {
		Round  uint64
		Age    float64
		Time   string
		Points []struct {
			Point string
			Value any
		}
		Alarms []struct{ Alarm, State string }
		Links  []struct{ Link string }
	}
	at time.Duration // since the stream was opened
}

// listen opens a stream and returns a channel of its events, and what ends it.
func listen(t *testing.T, h http.Handler) (<-chan sent, context.CancelFunc) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	r, w := io.Pipe()
	go func() { // ends with ctx; the bubble waits for it
		req := httptest.NewRequest(http.MethodGet, "/api/v1/stream", nil).WithContext(ctx)
		h.ServeHTTP(listener{w, http.Header{}}, req)
		w.Close()
	}()
	events := make(chan sent, 100)
	go read(t, r, events)
	return events, cancel
}

func read(t *testing.T, r io.Reader, events chan<- sent) {
	start := time.Now()
	defer close(events)
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, 1<<20)
	var e sent
	for lines.Scan() {
		name, value, _ := strings.Cut(lines.Text(), ": ")
		switch name {
		case "event":
			e.name = value
		case "data":
			if err := json.Unmarshal([]byte(value), &e.data); err != nil {
				t.Errorf("event %s: %v", e.name, err)
			}
		case "":
			if e.name != "" {
				e.at = time.Since(start)
				events <- e
			}
			e = sent{}
		}
	}
}

func TestStream(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := collector.NewClock()
		room := exportertest.Ardenmoor(clock)
		board := exporter.NewBoard(clock, room.View())
		events, cancel := listen(t, panel.New(board, panel.Options{}).Handler())

		first := <-events
		if first.name != "change" || len(first.data.Points) != 73 || len(first.data.Alarms) != 36 || len(first.data.Links) != 3 || first.data.Round != 1 {
			t.Fatalf("the first event is %s with %d points, %d alarms, %d links, round %d", first.name, len(first.data.Points), len(first.data.Alarms), len(first.data.Links), first.data.Round)
		}

		// Only what changed, and an alarm with it.
		room.Pass(time.Second)
		room.Set("air.header.pressure", 5.21)
		room.Set("air.dew.point", 4.2) // the same as before
		room.Alarm("air-low", rules.Unacknowledged, 0)
		time.Sleep(time.Second)
		board.Publish(room.View())
		e := <-events
		if e.name != "change" || len(e.data.Points) != 1 || e.data.Points[0].Point != "air.header.pressure" || e.data.Points[0].Value != 5.21 ||
			len(e.data.Alarms) != 1 || e.data.Alarms[0].State != "unacknowledged" || len(e.data.Links) != 0 {
			t.Errorf("one point and one alarm changed, sent was %+v", e)
		}
		if e.at != time.Second {
			t.Errorf("the change came after %v, want at once, after 1 s", e.at)
		}

		// A hundred views in a second become few events, the last of which is the newest.
		for i := range 100 {
			time.Sleep(10 * time.Millisecond)
			room.Set("air.header.pressure", float64(i))
			board.Publish(room.View())
		}
		time.Sleep(time.Second)
		n := len(events)
		var last sent
		for range n {
			last = <-events
		}
		if n > 4 || last.data.Points[0].Value != 99.0 {
			t.Errorf("%d events, the last with %v", n, last.data.Points[0].Value)
		}

		// A silence has signs of life with the age of the newest view.
		time.Sleep(11 * time.Second)
		synctest.Wait()
		if e := <-events; e.name != "alive" || e.data.Time == "" {
			t.Errorf("in a silence came %+v", e)
		}
		if e := <-events; e.name != "alive" || e.data.Age < 10 {
			t.Errorf("in a silence came %+v", e)
		}

		// The link's change comes too; then another site ends the stream.
		room.Link(0).Up = false
		board.Publish(room.View())
		if e := <-events; len(e.data.Links) != 1 || e.data.Links[0].Link != "plc" {
			t.Errorf("a link changed, sent was %+v", e)
		}
		v := room.View()
		site := *v.Site
		v.Site = &site
		board.Publish(v)
		if e := <-events; e.name != "reload" {
			t.Errorf("another site: %+v", e)
		}
		if _, open := <-events; open {
			t.Error("the stream goes on after reload")
		}
		cancel()
	})
}

// TestStreamEnds: a client that goes, or a server that stops, ends the handler at once; a crowd is refused.
func TestStreamEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := collector.NewClock()
		board := exporter.NewBoard(clock, exportertest.Ardenmoor(clock).View())
		h := panel.New(board, panel.Options{MaxStreams: 2}).Handler()
		one, cancel1 := listen(t, h)
		two, cancel2 := listen(t, h)
		<-one
		<-two
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/stream", nil))
		if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
			t.Errorf("third stream: %d, %v", w.Code, w.Header())
		}
		start := time.Now()
		cancel1()
		for range one {
		}
		if d := time.Since(start); d != 0 {
			t.Errorf("the stream ended %v after its client", d)
		}
		three, cancel3 := listen(t, h)
		<-three
		cancel2()
		cancel3()
	})
}

// TestStreamServer: a real server with the run's context as base stops at once with a stream open.
func TestStreamServer(t *testing.T) {
	clock := collector.NewClock()
	board := exporter.NewBoard(clock, exportertest.Ardenmoor(clock).View())
	run, stop := context.WithCancel(t.Context())
	defer stop()
	server := httptest.NewUnstartedServer(panel.New(board, panel.Options{}).Handler())
	server.Config.BaseContext = func(net.Listener) context.Context { return run }
	server.Start()
	defer server.Close()
	resp, err := server.Client().Get(server.URL + "/api/v1/stream")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if got := resp.Header.Get("Content-Type"); got != "text/event-stream" {
		t.Errorf("Content-Type %q", got)
	}
	lines := bufio.NewReader(resp.Body)
	if line, err := lines.ReadString('\n'); err != nil || line != "retry: 2000\n" {
		t.Fatalf("%q, %v", line, err)
	}
	stop()
	limit, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	if err := server.Config.Shutdown(limit); err != nil {
		t.Errorf("shutdown with a stream open: %v", err)
	}
}
