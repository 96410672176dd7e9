package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sync/errgroup"
)

// request asks an order for a path, as from an address.
func request(ctx context.Context, o *order, from, path string) *httptest.ResponseRecorder {
	r := httptest.NewRequestWithContext(ctx, http.MethodGet, path, nil)
	r.RemoteAddr = from + ":40000"
	w := httptest.NewRecorder()
	o.ServeHTTP(w, r)
	return w
}

// TestOrderPaces: fifty pages with all that belongs to them come through at once; a crowd of one address waits in a line,
// what would wait too long is refused after that wait, and another address does not notice.
func TestOrderPaces(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOrder(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, "page") }))
		began := time.Now()
		for range 50 {
			for _, path := range []string{"/", "/assets/sheet.css", "/assets/live.js", "/manifest.webmanifest", "/worker.js", "/assets/icon.png", "/api/v1/stream"} {
				if w := request(t.Context(), o, "192.0.2.1", path); w.Code != 200 || w.Body.String() != "page" {
					t.Fatalf("%s: %d %s", path, w.Code, w.Body)
				}
			}
		}
		if waited := time.Since(began); waited != 0 {
			t.Errorf("fifty pages waited %v", waited)
		}
		var g errgroup.Group
		var good, refused atomic.Int32
		for range askAtOnce + 1000 {
			g.Go(func() error {
				if w := request(t.Context(), o, "192.0.2.7", "/assets/live.js"); w.Code == 200 {
					good.Add(1)
				} else if w.Code == http.StatusTooManyRequests && w.Header().Get("Retry-After") == "5" && time.Since(began) >= longestAsk {
					refused.Add(1)
				}
				return nil
			})
		}
		synctest.Wait()
		if w := request(t.Context(), o, "192.0.2.8", "/"); w.Code != 200 || time.Since(began) != 0 {
			t.Errorf("another address: %d after %v", w.Code, time.Since(began))
		}
		_ = g.Wait()
		if want := int32(askAtOnce + longestAsk/askEvery); good.Load() != want || refused.Load() != askAtOnce+1000-want {
			t.Errorf("%d answered, %d refused after the longest wait; want %d answered", good.Load(), refused.Load(), want)
		}
		time.Sleep(time.Hour)
		request(t.Context(), o, "192.0.2.1", "/")
		if len(o.paces) != 1 {
			t.Errorf("%d addresses are remembered after an hour", len(o.paces))
		}
	})
}

// TestOrderTurns: only so many pages are worked on at a time, streams and the health check pass by, and who waits too long is
// told in words, to come again.
func TestOrderTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var working, most atomic.Int32
		finish := make(chan struct{})
		o := newOrder(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/health" {
				return
			}
			most.Store(max(most.Load(), working.Add(1)))
			defer working.Add(-1)
			<-finish
		}))
		o.pages = newTurns(2, longestTurn)
		var g errgroup.Group
		var mu sync.Mutex
		var refusals []*httptest.ResponseRecorder
		ask := func(path string) {
			g.Go(func() error {
				w := request(t.Context(), o, "192.0.2.1", path)
				mu.Lock()
				defer mu.Unlock()
				if w.Code == http.StatusServiceUnavailable {
					refusals = append(refusals, w)
				}
				return nil
			})
		}
		for range 5 {
			ask("/points/air.header.pressure")
		}
		synctest.Wait()
		if working.Load() != 2 {
			t.Fatalf("%d pages are made at a time, want 2", working.Load())
		}
		ask("/api/v1/stream")
		synctest.Wait()
		if w := request(t.Context(), o, "192.0.2.1", "/health"); w.Code != 200 || working.Load() != 3 {
			t.Errorf("a stream or the health check waits for pages: %d, %d at work", w.Code, working.Load())
		}
		time.Sleep(longestTurn + time.Millisecond)
		synctest.Wait()
		if len(refusals) != 3 {
			t.Fatalf("%d refused, want 3", len(refusals))
		}
		w := refusals[0]
		if w.Header().Get("Retry-After") != "5" || w.Header().Get("Refresh") != "5" || !strings.Contains(w.Body.String(), "room is watched all the same") {
			t.Errorf("refused with %v %s", w.Header(), w.Body)
		}
		close(finish)
		_ = g.Wait()
		if w := request(t.Context(), o, "192.0.2.1", "/"); w.Code != 200 {
			t.Errorf("afterwards: %d", w.Code)
		}
	})
}

// TestOrderOfReviews: a review that takes long holds up no page, nor the alarms.
func TestOrderOfReviews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		finish := make(chan struct{})
		o := newOrder(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/pumps" {
				<-finish
			}
		}))
		o.pages = newTurns(1, longestTurn)
		var g errgroup.Group
		for range 3 {
			g.Go(func() error { request(t.Context(), o, "192.0.2.1", "/pumps"); return nil })
		}
		synctest.Wait()
		for _, path := range []string{"/", "/alarms"} {
			began := time.Now()
			if w := request(t.Context(), o, "192.0.2.1", path); w.Code != 200 || time.Since(began) != 0 {
				t.Errorf("%s: %d after %v", path, w.Code, time.Since(began))
			}
		}
		close(finish)
		_ = g.Wait()
	})
}

// slowClient takes nothing of an answer until it is let.
type slowClient struct {
	*httptest.ResponseRecorder
	let chan struct{}
}

func (s *slowClient) Write(b []byte) (int, error) {
	<-s.let
	return s.ResponseRecorder.Write(b)
}

// TestOrderOfSlowClients: who takes its answer slowly keeps nobody from the next page, and gets every byte, in pieces or not.
func TestOrderOfSlowClients(t *testing.T) {
	for _, size := range []int{100, mostHeld, 3*mostHeld + 7} {
		synctest.Test(t, func(t *testing.T) {
			page := bytes.Repeat([]byte("0123456789"), size/10+1)[:size]
			o := newOrder(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				w.WriteHeader(http.StatusForbidden)
				for rest := page; len(rest) > 0; {
					n, err := w.Write(rest[:min(len(rest), 5000)])
					if err != nil {
						t.Error(err)
					}
					rest = rest[n:]
				}
			}))
			o.pages = newTurns(1, longestTurn)
			slow := &slowClient{httptest.NewRecorder(), make(chan struct{})}
			var g errgroup.Group
			g.Go(func() error { o.ServeHTTP(slow, httptest.NewRequest(http.MethodGet, "/", nil)); return nil })
			synctest.Wait()
			w := request(t.Context(), o, "192.0.2.1", "/")
			if got, _ := io.ReadAll(w.Body); w.Code != http.StatusForbidden || !bytes.Equal(got, page) {
				t.Errorf("%d bytes: the next got %d and %d bytes", size, w.Code, len(got))
			}
			close(slow.let)
			_ = g.Wait()
			if slow.Code != http.StatusForbidden || !bytes.Equal(slow.Body.Bytes(), page) {
				t.Errorf("%d bytes: the slow one got %d and %d bytes", size, slow.Code, slow.Body.Len())
			}
		})
	}
}
