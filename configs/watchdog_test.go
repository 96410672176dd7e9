package configs_test

import (
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"roundsman/configs"
	"roundsman/configs/strict"
)

// The longest time-out without a warning goes with the watchdog of the unit as it is installed: twice the time-out, and
// the five seconds between two looks, are within half of it.
func TestLongestTimeoutGoesWithTheUnit(t *testing.T) {
	unit, err := os.ReadFile(filepath.Join("..", "deploy", "roundsman.service"))
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`(?m)^WatchdogSec=(\S+)$`).FindSubmatch(unit)
	if m == nil {
		t.Fatal("the unit has no WatchdogSec")
	}
	watchdog, err := time.ParseDuration(string(m[1]))
	if err != nil {
		t.Fatal(err)
	}
	if longest := 2*configs.LongestTimeout + 5*time.Second; longest > watchdog/2 {
		t.Errorf("a link may be silent for %v, the watchdog waits for %v", longest, watchdog/2)
	}
	for text, warned := range map[string]bool{"20s": false, "21s": true} {
		if s := with(t, "links", "  x: {modbus: tcp://192.0.2.1:502, timeout: "+text+"}"); (len(s.Notes.Of(strict.Warning)) > 0) != warned {
			t.Errorf("timeout %s: %v, want a warning: %v", text, s.Notes, warned)
		}
	}
}
