package panel_test

import (
	"context"
	"iter"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/panel"
)

// counted counts how often all traces are asked for.
type counted struct {
	swinging
	drawn *int
}

func (c counted) Each(ctx context.Context, points []string, from, to time.Time, step time.Duration) iter.Seq2[exporter.PointSteps, error] {
	*c.drawn++
	return c.swinging.Each(ctx, points, from, to, step)
}

// TestTracesWhileLooked: traces are drawn while somebody looks at them, and who comes after a quiet hour sees new ones at once.
func TestTracesWhileLooked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		room, clock := quiet()
		drawn := 0
		p := panel.New(exporter.NewBoard(clock, room.View()), panel.Options{Trends: counted{drawn: &drawn}})
		stop := running(t, p)
		look := func() int {
			w := httptest.NewRecorder()
			p.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/", nil))
			synctest.Wait()
			return strings.Count(w.Body.String(), `class="trace"`)
		}
		time.Sleep(time.Hour)
		if drawn != 0 {
			t.Errorf("drawn %d times before anybody looked", drawn)
		}
		for _, round := range []struct {
			hour string
			want int
		}{{"first", 1}, {"later", 2}} {
			if n := look(); n < 40 || drawn != round.want {
				t.Errorf("%s: %d traces at the first look, drawn %d times, want %d", round.hour, n, drawn, round.want)
			}
			time.Sleep(time.Hour)
		}
		drawn = 0
		for range 60 {
			look()
			time.Sleep(10 * time.Second)
		}
		if drawn < 9 || drawn > 11 {
			t.Errorf("drawn %d times in ten minutes", drawn)
		}
		stop()
	})
}
