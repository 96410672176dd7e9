package panel_test

import (
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"roundsman/exporter/panel"
)

// TestBrowserWithoutScript: in a browser that runs no scripts every page says what it has to say and how old it is, and
// a person says who they are, acknowledges an alarm, looks at another span and searches the journal by links and forms alone.
func TestBrowserWithoutScript(t *testing.T) {
	b := &books{}
	h, a := acting(panel.Options{Duties: b, Plants: b, Reviews: b, Journal: manyLines(120), Trends: swinging{}, Phones: &phonebook{}, Overdue: time.Hour})
	a.board.Publish(a.room.View())
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	br := openBrowser(t)
	br.screen(390, "light")
	br.do("Emulation.setScriptExecutionDisabled", map[string]any{"value": true})
	for path, want := range map[string]string{"/": "5.21 bar", "/alarms": "Standing", "/pumps": "Run time and starts", "/air": "Compressed air", "/water": "Fresh water",
		"/points/air.header.pressure": "Steps of", "/phones": "What it takes"} {
		br.visit(server.URL + path)
		if text := br.text("body"); !strings.Contains(text, want) || !strings.Contains(text, "This page is a still picture taken at") {
			t.Errorf("%s without scripts says %.300q, want %q", path, text, want)
		}
	}
	br.visit(server.URL)
	if br.eval(`document.body.dataset.mark !== undefined && performance.getEntriesByType("resource").every((e) => !e.name.includes("/api/v1/stream"))`) != true {
		t.Error("a script ran")
	}
	press := func(selector, until string) {
		t.Helper()
		br.touch(selector)
		br.until(until)
	}
	br.visit(server.URL + "/points/air.header.pressure")
	press(`.spanlinks a[href$="span=week"]`, `location.search === "?span=week" && document.querySelector('.spanlinks a[aria-current]').textContent === "Week"`)
	br.visit(server.URL + "/alarms")
	br.eval(`document.querySelector("#who select").value = "n.quill"; true`)
	press(`#who button`, `document.querySelector("#who").textContent.includes("Acting as")`)
	press(`#standing [data-alarm="air-low"] button.main`, `document.querySelector('[data-alarm="air-low"] .state').textContent.includes("acknowledged by Niamh Quill")`)
	if len(a.acts) != 1 || a.acts[0] != "air-low acknowledge by Niamh Quill" {
		t.Errorf("done was %q", a.acts)
	}
	br.eval(`document.querySelector('.ask [name="who"]').value = "aoife"; true`)
	press(`.ask button`, `location.search.includes("who=aoife")`)
}
