package main

import (
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"roundsman/exporter/record"
)

// BenchmarkStop asks the real binary on the demo site to end in the middle of its work and measures how long it takes until
// the process is gone. Each time the stop must be on the record, as its last line.
func BenchmarkStop(b *testing.B) {
	binary, site := builtBesidePlant(b)
	var all, slowest time.Duration
	for b.Loop() {
		took := stopOnce(b, binary, site)
		all, slowest = all+took, max(slowest, took)
	}
	b.ReportMetric(float64(all.Microseconds())/1e3/float64(b.N), "ms-to-stop")
	b.ReportMetric(float64(slowest.Microseconds())/1e3, "ms-to-stop-slowest")
}

func stopOnce(b *testing.B, binary, site string) time.Duration {
	b.Helper()
	cmd := exec.CommandContext(b.Context(), binary, "run", site, "--listen", "127.0.0.1:0")
	log := &lockedBuffer{}
	cmd.Stderr = log
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	defer cmd.Process.Kill()
	for !addressPattern.MatchString(log.String()) {
		time.Sleep(5 * time.Millisecond)
	}
	time.Sleep(2 * time.Second) // some rounds
	began := time.Now()
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		b.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		b.Fatalf("the planned stop: %v", err)
	}
	took := time.Since(began)
	files, err := filepath.Glob(filepath.Join(filepath.Dir(site), "*.db"))
	if err != nil || len(files) != 1 {
		b.Fatalf("records %v, %v", files, err)
	}
	r, err := record.Read(files[0])
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	for l, err := range r.Journal(b.Context(), record.Query{Newest: true, Limit: 1}) {
		if err != nil || l.Kind != record.BoxStopped {
			b.Fatalf("the journal ends with %q, %v", l.Kind, err)
		}
	}
	return took
}
