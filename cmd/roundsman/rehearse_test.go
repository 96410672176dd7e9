package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/creack/pty"

	"roundsman/collector/outsidetest"
)

func TestProgressBar(t *testing.T) {
	tests := []struct {
		read, of int64
		want     string
	}{
		{0, 100, "[----------------------------------------]   0 %"},
		{50, 100, "[####################--------------------]  50 %"},
		{120, 100, "[########################################] 100 %"},
		{3_400_000, 0, "3 MB read"},
	}
	for _, tt := range tests {
		if got := progressBar(tt.read, tt.of); got != tt.want {
			t.Errorf("%d of %d: got %q, want %q", tt.read, tt.of, got, tt.want)
		}
	}
}

// On a terminal the bar shows while the work goes on and is gone when it is done; the error of the work comes through.
func TestProgressOnATerminal(t *testing.T) {
	near, far, err := pty.Open()
	if err != nil {
		outsidetest.Lacking(t, "no pseudo terminal: %v", err)
	}
	defer near.Close()
	shown, said := make(chan struct{}), make(chan string, 1)
	go func() { // ends when the far side is closed below
		var b bytes.Buffer
		buf := make([]byte, 256)
		for open := true; ; {
			n, err := near.Read(buf)
			b.Write(buf[:n])
			if open && strings.Contains(b.String(), " 31 %") {
				close(shown)
				open = false
			}
			if err != nil {
				said <- b.String()
				return
			}
		}
	}()
	stop := errors.New("the work's own error")
	err = withProgress(t.Context(), far, func() (int64, int64) { return 31, 100 }, func(ctx context.Context) error {
		select {
		case <-shown:
		case <-ctx.Done():
		}
		return stop
	})
	far.Close()
	if text := <-said; !errors.Is(err, stop) || !strings.HasSuffix(text, "\r\x1b[K") {
		t.Errorf("got %v, %q", err, text)
	}
}

// Into a file or a pipe there is none.
func TestNoProgressElsewhere(t *testing.T) {
	var b bytes.Buffer
	for _, out := range []io.Writer{&b, io.Discard} {
		if err := withProgress(t.Context(), out, nil, func(context.Context) error { return nil }); err != nil || b.Len() > 0 {
			t.Errorf("got %v, %q", err, &b)
		}
	}
}

func TestRehearseExitCodes(t *testing.T) {
	const site = "../../configs/demo/site.yaml"
	tests := []struct {
		name string
		args []string
		code int
		want string
	}{
		{"help", []string{"--help"}, exitGood, "Nothing is written to the rule files"},
		{"no data", []string{site}, exitWrong, "--data FILE.csv names other data"},
		{"no site", []string{"--data", "x.csv"}, exitUsage, "SITE.yaml is missing"},
		{"no such data", []string{site, "--data", "nowhere.csv"}, exitWrong, "nowhere.csv: no such file"},
		{"no such rule", []string{site, "--data", "x.csv", "--off-delay", "x=5s"}, exitUsage, `no rule "x"`},
		{"no time", []string{site, "--data", "x.csv", "--most-delay", "0s"}, exitUsage, "not longer than nothing"},
	}
	for _, tt := range tests {
		var out, errs bytes.Buffer
		code := run(t.Context(), append([]string{"rehearse"}, tt.args...), strings.NewReader(""), &out, &errs)
		if said := out.String() + errs.String(); code != tt.code || !strings.Contains(said, tt.want) {
			t.Errorf("%s: exit %d, said %q; want exit %d and %q", tt.name, code, said, tt.code, tt.want)
		}
	}
}
