package callout_test

import (
	"encoding/base64"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/callout"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func newLinks(t *testing.T, used map[string]time.Time) *callout.Links {
	t.Helper()
	l, err := callout.NewLinks([]byte(strings.Repeat("k", 32)), time.Hour, used)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestLinkIsGoodOnce(t *testing.T) {
	l := newLinks(t, nil)
	token := l.Mint("sensor-fault:air.header.pressure", 3, "n.quill", noon)
	for range 3 { // a mail scanner
		if _, err := l.Look(token, noon); err != nil {
			t.Fatalf("look: %v", err)
		}
	}
	c, err := l.Use(token, noon.Add(59*time.Minute))
	if err != nil || c.Alarm != "sensor-fault:air.header.pressure" || c.Activation != 3 || c.Person != "n.quill" || !c.Expires.Equal(noon.Add(time.Hour)) {
		t.Errorf("use: got %+v, %v", c, err)
	}
	if _, err := l.Use(token, noon); !errors.Is(err, callout.ErrLinkUsed) {
		t.Errorf("used twice: got %v", err)
	}
	used, changed := l.Used(noon)
	if !changed || len(used) != 1 {
		t.Errorf("to be kept: got %v, %v", used, changed)
	}
	if _, err := newLinks(t, used).Look(token, noon); !errors.Is(err, callout.ErrLinkUsed) {
		t.Errorf("used before a restart: got %v", err)
	}
	l.Return(c)
	if _, err := l.Use(token, noon); err != nil {
		t.Errorf("returned: got %v", err)
	}
	late := l.Mint("a", 1, "b", noon)
	if _, err := l.Use(late, noon.Add(time.Hour)); !errors.Is(err, callout.ErrLinkExpired) {
		t.Errorf("expired: got %v", err)
	}
}

// A link fits into a short message beside a few words: a host of 20 letters, the path and the token are at most 100.
func TestLinkIsShort(t *testing.T) {
	l := newLinks(t, nil)
	link := "https://box.wash.example" + exporter.LinkPath + l.Mint("air-low", 300, "n.quill", noon)
	if len(link) > 100 {
		t.Errorf("%d letters: %s", len(link), link)
	}
	c, err := l.Look(link[strings.LastIndexByte(link, '/')+1:], noon)
	if err != nil || c.Activation != 300 || c.Alarm != "air-low" || c.Person != "n.quill" || !c.Expires.Equal(noon.Add(time.Hour)) {
		t.Errorf("got %+v, %v", c, err)
	}
}

// Of many who press at once one is heard.
func TestLinkIsGoodOnceAtOnce(t *testing.T) {
	l := newLinks(t, nil)
	token := l.Mint("a", 1, "b", noon)
	var wg sync.WaitGroup
	heard := make(chan bool, 50)
	for range cap(heard) {
		wg.Go(func() {
			_, err := l.Use(token, noon)
			heard <- err == nil
		})
	}
	wg.Wait()
	close(heard)
	n := 0
	for ok := range heard {
		if ok {
			n++
		}
	}
	if n != 1 {
		t.Errorf("%d of 50 were heard", n)
	}
}

// Whatever bit is changed, and with another key, a link is none of ours.
func TestLinkCannotBeForged(t *testing.T) {
	l := newLinks(t, nil)
	token := l.Mint("air-low", 3, "n.quill", noon)
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil {
		t.Fatal(err)
	}
	for i := range len(raw) * 8 {
		raw[i/8] ^= 1 << (i % 8)
		if _, err := l.Look(base64.RawURLEncoding.EncodeToString(raw), noon); !errors.Is(err, callout.ErrLinkForged) {
			t.Errorf("bit %d: got %v", i, err)
		}
		raw[i/8] ^= 1 << (i % 8)
	}
	for _, bad := range []string{"", "x", token + "A", token[1:], token + "=", strings.Repeat("A", 60), strings.Repeat("A", 1<<16)} {
		if _, err := l.Look(bad, noon); !errors.Is(err, callout.ErrLinkForged) {
			t.Errorf("%.20q: got %v", bad, err)
		}
	}
	other, err := callout.NewLinks([]byte(strings.Repeat("K", 32)), 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := other.Look(token, noon); !errors.Is(err, callout.ErrLinkForged) {
		t.Errorf("another key: got %v", err)
	}
	if _, err := callout.NewLinks([]byte("short"), 0, nil); err == nil {
		t.Error("a short key: no error")
	}
}

func TestKeyFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "links.key")
	key, err := callout.LoadKey(path)
	if err != nil || len(key) != 32 {
		t.Fatalf("new: got %d bytes, %v", len(key), err)
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode: got %v, %v", info.Mode(), err)
	}
	again, err := callout.LoadKey(path)
	if err != nil || string(again) != string(key) {
		t.Errorf("again: another key, %v", err)
	}
	if entries, _ := os.ReadDir(filepath.Dir(path)); len(entries) != 1 {
		t.Errorf("left behind: %v", entries)
	}
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := callout.LoadKey(path); err == nil || !strings.Contains(err.Error(), "others may read it") {
		t.Errorf("readable by all: got %v", err)
	}
	if err := os.WriteFile(path, []byte("short"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := callout.LoadKey(path); err == nil || strings.Contains(err.Error(), "short\"") {
		t.Errorf("cut off: got %v", err)
	}
}
