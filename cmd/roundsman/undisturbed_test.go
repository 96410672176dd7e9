package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"roundsman/collector"
	"roundsman/collector/practice"
)

// attackEnv names, for a test binary that is to attack, the address.
const attackEnv = "ROUNDSMAN_TEST_ATTACK"

// attackIfAsked makes a test binary the other process of BenchmarkUndisturbed: it attacks until it is killed.
func attackIfAsked() {
	if address := os.Getenv(attackEnv); address != "" {
		attack(context.Background(), address)
	}
}

// attack signs in wrongly, dawdles, and asks for streams, pages and what does not exist, with bodies nobody asked for.
func attack(ctx context.Context, address string) {
	var g errgroup.Group
	c := &http.Client{Timeout: 20 * time.Second, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{MaxIdleConnsPerHost: 100, TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}} // whom it attacks is all the same to it
	each := func(n int, do func()) {
		for range n {
			g.Go(func() error {
				for ctx.Err() == nil {
					do()
				}
				return nil
			})
		}
	}
	ask := func(method, path, body string) {
		r, err := http.NewRequestWithContext(ctx, method, "https://"+address+path, strings.NewReader(body))
		if err != nil {
			return
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if resp, err := c.Do(r); err == nil {
			_, _ = io.Copy(io.Discard, resp.Body)
			resp.Body.Close()
		}
	}
	large := strings.Repeat("x", 1<<20)
	each(2, func() { ask("POST", "/sign-in", "name=n.quill&password=guess") })
	each(2, func() { ask("GET", "/", "") })
	each(1, func() { ask("POST", "/api/v1/alarms/air-low/acknowledge", large) })
	each(60, func() { ask("GET", "/api/v1/stream", "") })
	each(20, func() {
		if conn, err := net.Dial("tcp", address); err == nil {
			select {
			case <-ctx.Done():
			case <-time.After(time.Second):
			}
			conn.Close()
		}
	})
	_ = g.Wait()
}

// BenchmarkUndisturbed measures what a crowd at the door does to the rounds: windows of quiet and of attack take turns on one
// daemon that reads the practice plant. The attackers are a process of their own, on the last processor where they can be
// put there; the daemon and the plant have all. It prints how late the rounds of a second began against their grid, of a
// hundred the latest, in milliseconds, the requests and their time as ratios, and the rounds that were left out.
func BenchmarkUndisturbed(b *testing.B) {
	plant, err := practice.New(practice.Options{Seed: 7})
	if err != nil {
		b.Fatal(err)
	}
	var g errgroup.Group
	ctx, cancel := context.WithCancel(b.Context())
	g.Go(func() error { return plant.Run(ctx) })
	defer func() { cancel(); _ = g.Wait() }()
	h := attackedHouse(b, plant)
	time.Sleep(3 * time.Second) // everything is connected
	const window = 10 * time.Second
	var quiet, attacked tally
	for b.Loop() {
		quiet.add(h, window, func() func() { return func() {} })
		attacked.add(h, window, func() func() { return h.besiege() })
	}
	b.ReportMetric(attacked.requests/quiet.requests, "requests-attacked/quiet")
	b.ReportMetric(attacked.seconds/attacked.requests/(quiet.seconds/quiet.requests), "request-time-attacked/quiet")
	b.ReportMetric(quiet.p99(), "ms-late-p99-quiet")
	b.ReportMetric(attacked.p99(), "ms-late-p99-attacked")
	b.ReportMetric(attacked.late, "late-rounds-attacked")
	b.ReportMetric(quiet.late, "late-rounds-quiet")
	b.ReportMetric(0, "ns/op")
}

func attackedHouse(b *testing.B, plant *practice.Plant) *house {
	path := siteFor(b, plant.Addresses())
	text, err := os.ReadFile(path)
	if err != nil {
		b.Fatal(err)
	}
	h := &house{t: b, path: path}
	listen := "listen: {address: '127.0.0.1:0', certificate: self-made, names: [box.example]}\n"
	text = append([]byte(listen), bytes.ReplaceAll(text, []byte("listen: 127.0.0.1:9480\n"), nil)...)
	if err := os.WriteFile(path, text, 0o600); err != nil {
		b.Fatal(err)
	}
	h.person("add", "n.quill", "--role", "operator")
	h.start(nil)
	return h
}

// besiege starts the attackers and returns what ends them.
func (h *house) besiege() (lift func()) {
	args := []string{os.Args[0]}
	if path, err := exec.LookPath("taskset"); err == nil && runtime.NumCPU() > 1 {
		args = append([]string{path, "-c", strconv.Itoa(runtime.NumCPU() - 1)}, args...)
	}
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Env = append(os.Environ(), attackEnv+"="+h.address)
	if err := cmd.Start(); err != nil {
		h.t.Fatal(err)
	}
	return func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	}
}

// tally is what the links did.
type tally struct {
	requests, seconds, late float64
	delays                  []float64 // of rounds against their grid, in milliseconds
}

func (y *tally) add(h *house, window time.Duration, disturb func() (lift func())) {
	lift := disturb()
	defer lift()
	before := total(h)
	y.delays = append(y.delays, h.follow(window)...)
	after := total(h)
	y.requests += after.requests - before.requests
	y.seconds += after.seconds - before.seconds
	y.late += after.late - before.late
}

func (y *tally) p99() float64 {
	s := slices.Sorted(slices.Values(y.delays))
	return s[len(s)*99/100]
}

// follow returns for so long how far behind the earliest of its grid each reading of a second's point was.
func (h *house) follow(window time.Duration) (late []float64) {
	const period = time.Second
	facts := factsNow(h.d.judge.current.Load)
	every := make([]time.Duration, len(h.d.judge.site.Points))
	for i := range every {
		every[i] = facts(h.d.judge.site.Points[i].Name).Every
	}
	looks := map[collector.PointID][]time.Duration{} // past the whole second
	last := map[collector.PointID]collector.Moment{}
	for end := time.Now().Add(window); time.Now().Before(end); {
		changed := h.d.board.Changed()
		for _, r := range h.d.board.View().Readings {
			if r.Quality == collector.Good && r.At != last[r.Point] && every[r.Point] == period {
				last[r.Point] = r.At
				looks[r.Point] = append(looks[r.Point], time.Duration(int64(r.At)%int64(period)))
			}
		}
		select {
		case <-changed:
		case <-time.After(time.Second):
		}
	}
	for _, at := range looks {
		first := at[0]
		for i := range at { // the grid may lie across the whole second
			at[i] = (at[i] - first + period + period/2) % period
		}
		grid := slices.Min(at)
		for _, a := range at {
			late = append(late, float64((a-grid).Microseconds())/1000)
		}
	}
	return late
}

func total(h *house) (y tally) {
	for _, l := range h.d.judge.links.list() {
		s := l.Status()
		y.requests += float64(s.Requests[collector.Answered])
		y.seconds += s.DurationSum
		y.late += float64(s.Late)
	}
	return y
}
