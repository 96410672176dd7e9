package configs_test

import (
	"strings"
	"testing"
)

// Limits of different rules that hold at different times need not agree; those of one rule must, whenever it holds.
func TestLimitsOfDifferentTimes(t *testing.T) {
	const siteFile = `
site: {name: X, time-zone: UTC}
rules: r.yaml
links: {plc: {modbus: 'tcp://h:502'}}
points:
  t: {link: plc, holding: 1, type: int16, scale: 0.1 degC, range: [-20 degC, 50 degC]}
  open: {link: plc, discrete: 1}
conditions: {closed: not open}
`
	const kept = "priority: low, deadband: 1 degC, on-delay: 1s"
	for _, c := range []struct{ name, rules, want string }{
		{"low and low-low", "{point: t, low: 15 degC, while: open, KEPT}|{point: t, low-low: 16 degC, while: closed, KEPT}", ""},
		{"low and high", "{point: t, low: 15 degC, while: open, KEPT}|{point: t, high: 12 degC, while: closed, KEPT}", ""},
		{"at the same time", "{point: t, low: 15 degC, KEPT}|{point: t, low-low: 16 degC, KEPT}", "low-low is the harder limit"},
		{"in one rule", "{point: t, low: 15 degC, high: 12 degC, while: open, KEPT}", "one of them is always in alarm"},
	} {
		var text strings.Builder
		text.WriteString("rules:\n")
		for i, r := range strings.Split(strings.ReplaceAll(c.rules, "KEPT", kept), "|") {
			text.WriteString("  " + string(rune('a'+i)) + ": " + r + "\n")
		}
		_, err := site(t, map[string]string{"site.yaml": siteFile, "r.yaml": text.String()})
		got := errorsOf(t, err)
		if (c.want == "") != (got == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: said %q, want %q", c.name, got, c.want)
		}
	}
}
