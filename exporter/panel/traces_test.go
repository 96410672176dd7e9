package panel_test

import (
	"context"
	"iter"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/panel"
)

// counted counts how often all traces are asked for.
type counted struct {
	swinging
	drawn *atomic.Int32
}

func (c counted) Each(ctx context.Context, points []string, from, to time.Time, step time.Duration) iter.Seq2[exporter.PointSteps, error] {
	c.drawn.Add(1)
	return c.swinging.Each(ctx, points, from, to, step)
}

// TestTracesWhileLooked: traces are drawn while somebody looks at them, and who comes after a quiet hour sees new ones at once.
func TestTracesWhileLooked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		room, clock := quiet()
		var drawn atomic.Int32
		p := panel.New(exporter.NewBoard(clock, room.View()), panel.Options{Trends: counted{drawn: &drawn}})
		stop := running(t, p)
		look := func() int {
			w := httptest.NewRecorder()
			p.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/", nil))
			synctest.Wait()
			return strings.Count(w.Body.String(), `class="trace"`)
		}
		time.Sleep(time.Hour)
		if n := drawn.Load(); n != 0 {
			t.Errorf("drawn %d times before anybody looked", n)
		}
		for _, round := range []struct {
			hour string
			want int32
		}{{"first", 1}, {"later", 2}} {
			if n := look(); n < 40 || drawn.Load() != round.want {
				t.Errorf("%s: %d traces at the first look, drawn %d times, want %d", round.hour, n, drawn.Load(), round.want)
			}
			time.Sleep(time.Hour)
		}
		drawn.Store(0)
		for range 60 {
			look()
			time.Sleep(10 * time.Second)
		}
		if n := drawn.Load(); n < 9 || n > 11 {
			t.Errorf("drawn %d times in ten minutes", n)
		}
		stop()
	})
}
