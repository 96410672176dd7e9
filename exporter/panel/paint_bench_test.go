package panel_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/panel"
)

// painted is what a browser tells of one visit (W3C Paint Timing, Navigation Timing Level 2), in milliseconds since it set out.
type painted struct{ answered, paint float64 }

// paint visits a page with nothing in the browser's cache and returns when it first showed something.
func (b *browser) paint(url string) painted {
	b.t.Helper()
	b.visit("about:blank")
	b.do("Network.clearBrowserCache", nil)
	b.visit(url)
	b.until(`performance.getEntriesByName("first-contentful-paint").length === 1`)
	got := b.eval(`[performance.getEntriesByType("navigation")[0].responseEnd, performance.getEntriesByName("first-contentful-paint")[0].startTime]`).([]any)
	return painted{got[0].(float64), got[1].(float64)}
}

// BenchmarkFirstPaint prints when Chromium, running already but with nothing cached, first shows the round sheet with all
// its traces on a phone's screen and on a desk's: the median and the slowest of twenty in milliseconds, when the answer was
// there whole, and how that compares with a page of as many bytes of plain text, without style sheet and script,
// seen in turn in the same browser.
func BenchmarkFirstPaint(b *testing.B) {
	room, clock := quiet()
	board := exporter.NewBoard(clock, room.View())
	p := panel.New(board, panel.Options{Trends: swinging{}, Overdue: time.Hour})
	drawOnce(b, p)
	server := httptest.NewServer(p.Handler())
	b.Cleanup(server.Close)
	plain := httptest.NewServer(plainPage(size(p.Handler())))
	b.Cleanup(plain.Close)
	for _, width := range []int{390, 1440} {
		b.Run(fmt.Sprint(width), func(b *testing.B) {
			br := openBrowser(b)
			br.screen(width, "light")
			br.paint(server.URL)
			br.paint(plain.URL)
			var sheet, answered, other []float64
			for b.Loop() {
				for range 20 {
					got := br.paint(server.URL)
					sheet, answered = append(sheet, got.paint), append(answered, got.answered)
					other = append(other, br.paint(plain.URL).paint)
				}
			}
			b.ReportMetric(middle(sheet), "ms-painted")
			b.ReportMetric(slices.Max(sheet), "ms-slowest")
			b.ReportMetric(middle(answered), "ms-answered")
			b.ReportMetric(middle(other), "ms-plain-page")
			b.ReportMetric(middle(sheet)/middle(other), "sheet/plain")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// plainPage is as many bytes of text, and nothing more to fetch.
func plainPage(bytes int) http.Handler {
	const head, line = "<!DOCTYPE html><html lang=en><meta charset=utf-8><title>plain</title><link rel=icon href=data:,>", "<p>air header pressure 7.01 bar</p>\n"
	page := []byte(head + strings.Repeat(line, max(0, bytes-len(head))/len(line)))
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = w.Write(page)
	})
}

// size of the round sheet as it is unpacked, in bytes.
func size(h http.Handler) int {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/", nil))
	return w.Body.Len()
}

func middle(list []float64) float64 {
	s := slices.Sorted(slices.Values(list))
	return s[len(s)/2]
}
