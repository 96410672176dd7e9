package metrics_test

import (
	"os"
	"os/exec"
	"testing"
)

// peer returns the Python that has the reference parsers, or skips.
func peer(t *testing.T) string {
	t.Helper()
	for _, name := range []string{"python3", "/usr/bin/python3"} {
		python, err := exec.LookPath(name)
		if err == nil && exec.CommandContext(t.Context(), python, "-c", "import prometheus_client.openmetrics.parser").Run() == nil {
			return python
		}
	}
	const need = "no python3 with the reference parsers: install the Debian package python3-prometheus-client"
	if os.Getenv("ROUNDSMAN_PEERS") == "required" {
		t.Fatal(need)
	}
	t.Skip(need)
	return ""
}
