package main

import (
	"bufio"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"roundsman/collector/practice"
	"roundsman/configs"
)

// BenchmarkStart runs the real binary on the demo site against a practice plant and measures from the start of the
// process until the pages answer, and until the first reading is shown.
func BenchmarkStart(b *testing.B) {
	binary, site := builtBesidePlant(b)
	var listening, reading time.Duration
	for b.Loop() {
		l, r := startOnce(b, binary, site)
		listening += l
		reading += r
	}
	b.ReportMetric(float64(listening.Milliseconds())/float64(b.N), "ms-to-listening")
	b.ReportMetric(float64(reading.Milliseconds())/float64(b.N), "ms-to-first-reading")
	info, err := os.Stat(binary)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(info.Size())/(1<<20), "MiB-binary") // after the loop, whose start forgets what was reported
}

// builtDaemon builds the program as it is packaged.
func builtDaemon(b *testing.B) string {
	b.Helper()
	binary := filepath.Join(b.TempDir(), "roundsman")
	cmd := exec.Command("go", "run", "roundsman/deploy/package", "--binary", binary, "--dirty") // with its flags, whatever they are
	if out, err := cmd.CombinedOutput(); err != nil {
		b.Fatalf("build: %v\n%s", err, out)
	}
	return binary
}

// builtBesidePlant builds the program and starts a practice plant, whose site file it returns.
func builtBesidePlant(b *testing.B) (binary, site string) {
	b.Helper()
	plant, err := practice.New(practice.Options{})
	if err != nil {
		b.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- plant.Run(b.Context()) }()
	return builtDaemon(b), siteFor(b, plant.Addresses())
}

// siteFor writes the demo site's files with the plant's addresses in them.
func siteFor(b testing.TB, a practice.Addresses) string {
	b.Helper()
	dir := b.TempDir()
	fsys, name := configs.Demo()
	if err := os.CopyFS(dir, fsys); err != nil {
		b.Fatal(err)
	}
	path := filepath.Join(dir, name)
	text, err := os.ReadFile(path)
	if err != nil {
		b.Fatal(err)
	}
	for pattern, address := range map[string]string{
		`modbus: tcp://\S+`: "modbus: " + a.PLC, `modbus: rtu:///\S+`: "modbus: " + a.Meters, `mqtt: tcp://\S+`: "mqtt: " + a.Yard,
	} {
		text = regexp.MustCompile(pattern).ReplaceAll(text, []byte(address))
	}
	if err := os.WriteFile(path, text, 0o644); err != nil {
		b.Fatal(err)
	}
	return path
}

var addressPattern = regexp.MustCompile(`address=(http://\S+)`)

// startOnce starts the daemon and returns the times to listening and to the first usable reading.
func startOnce(b *testing.B, binary, site string) (listening, reading time.Duration) {
	b.Helper()
	cmd := exec.CommandContext(b.Context(), binary, "run", site, "--listen", "127.0.0.1:0")
	cmd.Dir = b.TempDir()
	log, err := cmd.StderrPipe()
	if err != nil {
		b.Fatal(err)
	}
	began := time.Now()
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	defer cmd.Wait()
	defer cmd.Process.Kill()
	address := ""
	for lines := bufio.NewScanner(log); address == "" && lines.Scan(); {
		if m := addressPattern.FindStringSubmatch(lines.Text()); m != nil {
			address = m[1]
		}
	}
	if address == "" {
		b.Fatal("the daemon never said where it listens")
	}
	listening = time.Since(began)
	for time.Since(began) < 10*time.Second {
		if resp, err := http.Get(address + "/api/v1/points"); err == nil {
			body, _ := io.ReadAll(resp.Body)
			resp.Body.Close()
			if strings.Contains(string(body), `"quality":"good"`) {
				return listening, time.Since(began)
			}
		}
	}
	b.Fatalf("no reading within %v", time.Since(began))
	return
}
