package main

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/configs"
	"roundsman/exporter/panel"
	"roundsman/exporter/record"
)

const peopleContacts = `people:
  n.quill: {name: Niamh Quill}
  m.hartnell: {name: Maeve Hartnell, key-file: hartnell.key}
`

const otherKey = "another-long-enough-key"

// door is the panel of a room, as the daemon serves it.
type door struct {
	*fakeRoom
	h http.Handler
}

func openDoor(t *testing.T, dir string) *door {
	r := openRoom(t, dir)
	site, err := configs.LoadFile(r.reloader.path)
	if err != nil {
		t.Fatal(err)
	}
	p, err := newPeople(site, r.reloader.path)
	if err != nil {
		t.Fatal(err)
	}
	r.reloader.people = p
	return &door{r, panel.New(r.judge.board, panel.Options{Acts: r.judge, PeopleNow: p.list, Reload: r.reloader.reload}).Handler()}
}

// ask posts as somebody on the box itself and returns the status and what it is about.
func (d *door) ask(path, by, key string) (int, string) {
	d.t.Helper()
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(`{"by":"`+by+`"}`))
	r.RemoteAddr, r.Host = "127.0.0.1:40000", "127.0.0.1:9480"
	r.Header.Set("Content-Type", "application/json")
	if key != "" {
		r.Header.Set("Authorization", "Bearer "+key)
	}
	w := httptest.NewRecorder()
	d.h.ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

// may reports whether somebody may act: the act itself is refused, for the alarm is normal, but only after who it is.
func (d *door) may(by, key string) bool {
	d.t.Helper()
	code, body := d.ask("/api/v1/alarms/air-low/acknowledge", by, key)
	if code != http.StatusConflict && code != http.StatusForbidden && code != http.StatusUnauthorized {
		d.t.Errorf("%s: %d %s", by, code, body)
	}
	return code == http.StatusConflict
}

func peopleSite(t *testing.T) string {
	dir := writeSite(t, smallRules)
	write(t, dir, "site.yaml", smallSite+"contacts: contacts.yaml\n")
	write(t, dir, "contacts.yaml", peopleContacts)
	secret(t, dir, "hartnell.key", testKey)
	return dir
}

func secret(t *testing.T, dir, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), []byte(text+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
}

// A reload, by whatever way it is asked for, exchanges who may act and their keys; what is broken changes nothing.
func TestReloadOfPeople(t *testing.T) {
	dir := peopleSite(t)
	synctest.Test(t, func(t *testing.T) {
		d := openDoor(t, dir)
		defer d.stop()
		d.feed(7, 2*time.Second)
		expect := func(when string, quill, hartnell, hartnellNew, byrne bool) {
			t.Helper()
			for _, tt := range []struct {
				by, key string
				want    bool
			}{{"n.quill", "", quill}, {"m.hartnell", testKey, hartnell}, {"m.hartnell", otherKey, hartnellNew}, {"m.hartnell", "", false}, {"o.byrne", "", byrne}} {
				if got := d.may(tt.by, tt.key); got != tt.want {
					t.Errorf("%s: %s with %q may act: %v, want %v", when, tt.by, tt.key, got, tt.want)
				}
			}
		}
		expect("at first", true, true, false, false)

		write(t, dir, "contacts.yaml", strings.ReplaceAll(peopleContacts, "n.quill: {name: Niamh Quill}", "o.byrne: {name: Oran Byrne}"))
		secret(t, dir, "hartnell.key", otherKey)
		expect("before the reload", true, true, false, false)
		if code, body := d.ask("/api/v1/reload", "m.hartnell", testKey); code != http.StatusOK {
			t.Fatalf("reload: %d %s", code, body)
		}
		expect("after the reload", false, false, true, true)
		if code, body := d.ask("/api/v1/reload", "n.quill", ""); code != http.StatusForbidden {
			t.Errorf("who was removed reloads: %d %s", code, body)
		}

		for what, breakIt := range map[string]func(){
			"contacts.yaml:2:": func() { write(t, dir, "contacts.yaml", "people:\n  n.quill: {nam: Niamh Quill}\n") },
			"rules.yaml:2:": func() {
				write(t, dir, "contacts.yaml", peopleContacts)
				write(t, dir, "rules.yaml", strings.Replace(smallRules, "5.5 bar", "5.5 L", 1))
			},
			"hartnell.key": func() {
				write(t, dir, "contacts.yaml", peopleContacts)
				write(t, dir, "rules.yaml", smallRules)
				secret(t, dir, "hartnell.key", "short")
			},
			"listen: changed in the site file": func() {
				write(t, dir, "contacts.yaml", peopleContacts)
				write(t, dir, "site.yaml", smallSite+"listen: 127.0.0.1:9999\ncontacts: contacts.yaml\n")
			},
		} {
			breakIt()
			if code, body := d.ask("/api/v1/reload", "o.byrne", ""); code != http.StatusUnprocessableEntity || !strings.Contains(body, what) {
				t.Errorf("a broken %s: %d %s", what, code, body)
			}
			expect("after a broken "+what, false, false, true, true)
			if !d.alarm("box-files").Active {
				t.Errorf("a broken %s does not ring", what)
			}
			write(t, dir, "site.yaml", smallSite+"contacts: contacts.yaml\n")
			write(t, dir, "rules.yaml", smallRules)
			secret(t, dir, "hartnell.key", otherKey)
		}
	})
}

// The hang-up signal does the same.
func TestSignalReloadsPeople(t *testing.T) {
	dir := peopleSite(t)
	d := openDoor(t, dir)
	defer d.stop()
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	d.reloader.hup = hup
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.reloader.run(ctx) }()
	defer func() { cancel(); <-done }()
	write(t, dir, "contacts.yaml", "people:\n  o.byrne: {name: Oran Byrne}\n")
	for start := time.Now(); len(d.reloader.people.list()) != 1 || !d.told(record.RulesReloaded, "signal"); time.Sleep(20 * time.Millisecond) {
		if err := syscall.Kill(os.Getpid(), syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		if time.Since(start) > 10*time.Second {
			t.Fatal("nothing was reloaded, or the journal does not tell of it")
		}
	}
	if got := d.reloader.people.list()[0].ID; got != "o.byrne" {
		t.Errorf("%s may act, want o.byrne alone", got)
	}
}
