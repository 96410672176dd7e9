package main

import (
	"os"
	"regexp"
	"strconv"
	"testing"
)

// The kernel tells it in pages there and in kB in status.
func TestResident(t *testing.T) {
	if now, file := resident(), int64(fileResident(t))*1024; now < file || now > 4<<30 {
		t.Errorf("%d bytes are resident, %d of the program's file alone", now, file)
	}
}

// fileResident returns how much of mapped files is resident, in kB (proc(5)).
func fileResident(t *testing.T) int {
	t.Helper()
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`RssFile:\s+(\d+) kB`).FindSubmatch(text)
	if m == nil {
		t.Fatalf("no RssFile in\n%s", text)
	}
	n, err := strconv.Atoi(string(m[1]))
	if err != nil {
		t.Fatal(err)
	}
	return n
}
