package main

import (
	"bufio"
	"bytes"
	"net"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// A packaged demo has its plant in a program of its own, beside it or in lib: the daemon reads it, the plant's own words
// come through, and the plant ends with the daemon, even with one that was killed.
func TestHeavyPlantApart(t *testing.T) {
	dir := t.TempDir()
	program := filepath.Join(dir, "bin", "roundsman")
	build := func(out, what string) {
		if text, err := exec.Command("go", "build", "-tags=plantapart", "-o", out, what).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
	}
	build(program, ".")
	demo := func(args ...string) *exec.Cmd {
		return exec.CommandContext(t.Context(), program, append([]string{"demo", "--plain", "--listen", "127.0.0.1:0"}, args...)...)
	}
	if out, err := demo().CombinedOutput(); err == nil || !strings.Contains(string(out), "roundsman: practice plant: its program is neither") {
		t.Errorf("without its plant: %v\n%s", err, out)
	}
	build(filepath.Join(dir, "lib", "roundsman", "roundsman-practice"), "../roundsman-practice")
	out, err := demo("--for", "6s", "--fault", "compressor-trip@1s").CombinedOutput()
	if err != nil || !bytes.Contains(out, []byte("compressor-fault             started")) || !regexp.MustCompile(`ran 6s: \d\d+ requests and messages`).Match(out) {
		t.Errorf("the demo: %v\n%s", err, out)
	}
	if out, err := demo("--speed", "5000").CombinedOutput(); err == nil || string(out) != "roundsman: practice plant: speed 5000: want above 0, at most 3600\n" {
		t.Errorf("the plant's own words: %v\n%s", err, out)
	}

	cmd := demo()
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	first, _ := bufio.NewReader(stdout).ReadString('\n')
	address := regexp.MustCompile(`tcp://(127\.0\.0\.1:\d+)`).FindStringSubmatch(first)
	if address == nil {
		t.Fatalf("the demo said %q", first)
	}
	conn, err := net.Dial("tcp", address[1])
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	if n, err := conn.Read(make([]byte, 1)); err == nil { // until the plant ends
		t.Errorf("the controller sent %d bytes", n)
	}
}
