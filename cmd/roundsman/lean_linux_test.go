package main

import (
	"os"
	"regexp"
	"strconv"
	"testing"
)

// An excerpt of smaps as proc(5) shows it: text, constants, data; a file of a like name; constants that a loader wrote into.
const smapsOfFour = `00400000-01128000 r-xp 00000000 fe:00 10576321                           /usr/bin/roundsman
Size:              13472 kB
Rss:                8620 kB
Anonymous:             0 kB
VmFlags: rd ex mr mw me
01128000-01e8e000 r--p 00d28000 fe:00 10576321                           /usr/bin/roundsman
Rss:               12556 kB
Anonymous:             0 kB
01e8e000-01f49000 rw-p 01a8e000 fe:00 10576321                           /usr/bin/roundsman
Anonymous:             0 kB
01f49000-03f96000 rw-p 00000000 00:00 0 
Anonymous:           152 kB
7f0000000000-7f0000001000 r--p 00000000 fe:00 77                         /opt/usr/bin/roundsman
Anonymous:             0 kB
7f0000002000-7f0000003000 r--p 00000000 fe:00 10576321                   /usr/bin/roundsman
Anonymous:             4 kB
`

func TestUntouched(t *testing.T) {
	got := untouched([]byte(smapsOfFour), "/usr/bin/roundsman")
	if len(got) != 2 || got[0] != (mapping{0x400000, 0x1128000}) || got[1] != (mapping{0x1128000, 0x1e8e000}) {
		t.Errorf("%x", got)
	}
}

// What is forgotten is not resident any more, and the program runs on.
func TestForgetProgram(t *testing.T) {
	before := fileResident(t)
	if err := forgetProgram(); err != nil {
		t.Fatal(err)
	}
	if after := fileResident(t); after >= before*9/10 {
		t.Errorf("%d kB of the program were resident, %d afterwards", before, after)
	}
	if got := untouched([]byte(smapsOfFour), "/usr/bin/roundsman"); len(got) != 2 { // its code and words come back
		t.Errorf("afterwards: %x", got)
	}
}

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
