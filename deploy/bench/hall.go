package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// hall holds the test binaries, built once, and what their runs gave.
type hall struct {
	root, built string
	raw, errs   io.Writer
	short       bool
	binaries    map[string]string // by package folder
	got         results
	wrong       map[suite]string // the first complaint of a suite that ended in an error
	header      bool
}

func newHall(ctx context.Context, raw, errs io.Writer, short bool) (*hall, error) {
	out, err := exec.CommandContext(ctx, "go", "list", "-m", "-f", "{{.Path}} {{.Dir}}").Output()
	if err != nil {
		return nil, fmt.Errorf("go list: %w", err)
	}
	name, root, _ := strings.Cut(strings.TrimSpace(string(out)), " ")
	if name != "roundsman" {
		return nil, errors.New("start it in the project's folder: go run ./deploy/bench")
	}
	built, err := os.MkdirTemp("", "bench")
	if err != nil {
		return nil, err
	}
	return &hall{root: root, built: built, raw: raw, errs: errs, short: short,
		binaries: map[string]string{}, got: results{}, wrong: map[suite]string{}}, nil
}

func (h *hall) close() { _ = os.RemoveAll(h.built) } // in the folder for temporary files

// all runs the suites, the whole list again and again, so that a noisy minute meets one run of each and not all of one.
func (h *hall) all(ctx context.Context, list []suite, times int) {
	for pass := range times {
		for i, s := range list {
			if ctx.Err() != nil {
				return
			}
			fmt.Fprintf(h.errs, "pass %d of %d, suite %d of %d: %s %s\n", pass+1, times, i+1, len(list), s.dir, s.pattern)
			if err := h.one(ctx, s); err != nil && h.wrong[s] == "" {
				h.wrong[s] = err.Error()
				fmt.Fprintf(h.errs, "  %v\n", err)
			}
		}
	}
}

// longest is how long one run of a suite may take.
const longest = 10 * time.Minute

func (h *hall) one(ctx context.Context, s suite) error {
	binary, err := h.build(ctx, s.dir)
	if err != nil {
		return err
	}
	limited, stop := context.WithTimeout(ctx, longest)
	defer stop()
	length := s.time
	if h.short {
		length = s.quick
	}
	cmd := exec.CommandContext(limited, binary, "-test.run=^$", "-test.bench="+s.pattern, "-test.benchtime="+length)
	cmd.Dir = filepath.Join(h.root, s.dir)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	err = cmd.Run()
	h.keep(s.dir, out.String())
	if err != nil {
		return fmt.Errorf("%s: %w: %s", s.dir, err, complaint(out.String()))
	}
	if strings.Contains(out.String(), "--- SKIP") {
		return fmt.Errorf("%s: not measured: %s", s.dir, complaint(out.String()))
	}
	return nil
}

// build builds a package's test binary, once.
func (h *hall) build(ctx context.Context, dir string) (string, error) {
	if b, ok := h.binaries[dir]; ok {
		return b, nil
	}
	b := filepath.Join(h.built, strings.ReplaceAll(dir, "/", "-")+".test")
	cmd := exec.CommandContext(ctx, "go", "test", "-c", "-o", b, "./"+dir)
	cmd.Dir = h.root
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("%s: %w: %s", dir, err, complaint(string(out)))
	}
	h.binaries[dir] = b
	return b, nil
}

// keep writes down what benchstat reads: the lines of results, and the ones that say where they were made.
func (h *hall) keep(dir, output string) {
	h.got.read(dir, output)
	for line := range strings.Lines(output) {
		label, _, _ := strings.Cut(line, ":")
		switch {
		case strings.HasPrefix(line, "Benchmark"), label == "pkg":
		case label == "goos", label == "goarch", label == "cpu":
			if h.header {
				continue
			}
		default:
			continue
		}
		_, _ = io.WriteString(h.raw, line) // a full disk shows in its Close
	}
	h.header = true
}

// complaint is the line that says what is wrong: of a test's own words if it has any, else the last.
func complaint(output string) string {
	lines := strings.Split(strings.TrimSpace(output), "\n")
	for _, l := range lines {
		if strings.Contains(l, "_test.go:") {
			return strings.TrimSpace(l)
		}
	}
	return strings.TrimSpace(lines[len(lines)-1])
}
