package terminal_test

import (
	"os"
	"testing"

	"golang.org/x/sys/unix"

	"roundsman/collector/outsidetest"
	"roundsman/collector/practice/terminal"
)

// A client's exclusive use ends with its first words, so that the next client
// finds the line open.
func TestExclusiveUseIsTakenBack(t *testing.T) {
	line, err := terminal.Open()
	if err != nil {
		outsidetest.Lacking(t, "no pseudo terminal: %v", err)
	}
	defer line.Close()
	client, err := os.OpenFile(line.Path, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	exclusive := func() int {
		n, err := unix.IoctlGetInt(int(client.Fd()), unix.TIOCGEXCL)
		if err != nil {
			outsidetest.Lacking(t, "the system does not tell exclusive use: %v", err)
		}
		return n
	}
	if err := unix.IoctlSetInt(int(client.Fd()), unix.TIOCEXCL, 0); err != nil {
		t.Fatal(err)
	}
	if exclusive() == 0 {
		t.Fatal("the client's exclusive use was not taken")
	}
	if _, err := client.Write([]byte{1}); err != nil {
		t.Fatal(err)
	}
	if _, err := line.Read(make([]byte, 1)); err != nil {
		t.Fatal(err)
	}
	if exclusive() != 0 {
		t.Error("the line is still for this client only")
	}
}
