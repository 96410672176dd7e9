package configs_test

import (
	"errors"
	"strings"
	"testing"

	"roundsman/configs"
	"roundsman/configs/strict"
)

// badLine is what stands wrong in a section of the site file, or in a rule file.
type badLine struct {
	name, section, text string
	want                string // the errors, one a line
}

// sections of a site that is right; the wrong line goes to the end of its section.
var sections = []struct{ name, text string }{
	{"top", "site: {name: X, time-zone: UTC}"},
	{"links", `links:
  plc: {modbus: tcp://127.0.0.1:502}
  line: {modbus: rtu:///dev/ttyUSB0}
  yard: {mqtt: tcp://127.0.0.1:1883}`},
	{"points", `points:
  a.pressure: {link: plc, holding: 10, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}}
  a.running: {link: plc, discrete: 0}
  n.pulses: {link: plc, holding: 20, type: uint32, kind: counter}
  t.level: {link: yard, topic: t/level, value: /level, unit: m, range: [0 m, 2 m]}`},
	{"conditions", "conditions:\n  z: a.running"},
	{"equipment", "equipment:\n  z: {run: a.running}"},
}

func (b badLine) files() map[string]string {
	var site strings.Builder
	for _, s := range sections {
		site.WriteString(s.text + "\n")
		if s.name == b.section {
			site.WriteString(b.text + "\n")
		}
	}
	if b.section != "rules" {
		return map[string]string{"site.yaml": site.String()}
	}
	return map[string]string{"site.yaml": site.String() + "rules: r.yaml\n", "r.yaml": "rules:\n" + b.text + "\n"}
}

// errorsOf returns the errors of Load, without remarks and warnings, one a line.
func errorsOf(t *testing.T, err error) string {
	t.Helper()
	if err == nil {
		return ""
	}
	ps, ok := errors.AsType[configs.Problems](err)
	if !ok {
		t.Fatalf("got an error of type %T: %v", err, err)
	}
	return ps.Of(strict.Error).Error()
}

func TestBadLines(t *testing.T) {
	for group, cases := range map[string][]badLine{"site": siteCases, "rules": ruleCases} {
		for _, c := range cases {
			t.Run(group+"/"+c.name, func(t *testing.T) {
				_, err := site(t, c.files())
				if got := errorsOf(t, err); got != c.want {
					t.Errorf("%s\n got: %s\nwant: %s", c.text, got, c.want)
				}
			})
		}
	}
}
