package configs

import (
	"io/fs"
	"testing"
)

func TestExposed(t *testing.T) {
	for _, tt := range []struct {
		mode     fs.FileMode
		uid, gid uint32
		want     bool
	}{
		{0o600, 1000, 1000, false}, {0o400, 0, 0, false}, {0o440, 0, 0, false}, // the last: handed over by an access list
		{0o440, 1000, 1000, true}, {0o440, 0, 1000, true}, {0o440, 1000, 0, true}, {0o640, 1000, 1000, true}, {0o640, 0, 0, true}, {0o460, 0, 0, true}, {0o444, 0, 0, true}, {0o604, 0, 0, true}, {0o601, 0, 0, true},
	} {
		if got := exposed(tt.mode, tt.uid, tt.gid); got != tt.want {
			t.Errorf("mode %04o of %d, group %d: exposed %t, want %t", tt.mode, tt.uid, tt.gid, got, tt.want)
		}
	}
}
