package main

import (
	"bytes"
	"context"
	"os"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	beAProcess()
	attackIfAsked()
	testscript.Main(m, map[string]func(){"roundsman": main})
}

// TestScripts runs whole commands as a person types them.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata/script"})
}

func TestExitCodes(t *testing.T) {
	tests := []struct {
		name string
		args string
		code int
		want string // in what it says
	}{
		{"nothing", "", exitGood, "roundsman COMMAND"},
		{"help", "--help", exitGood, "Available Commands"},
		{"version", "version", exitGood, "roundsman "},
		{"unknown command", "chek site.yaml", exitUsage, `unknown command "chek" (did you mean check?)`},
		{"missing word", "check", exitUsage, "SITE.yaml is missing"},
		{"word too many", "check a.yaml b.yaml", exitUsage, `"b.yaml" is one word too many`},
		{"unknown flag", "plan --fast x.yaml", exitUsage, "unknown flag: --fast"},
		{"no such file", "check nowhere.yaml", exitWrong, "nowhere.yaml"},
		{"unknown fault", "demo --fault flood", exitUsage, `unknown fault "flood"`},
		{"no speed", "demo --speed 0 --for 1s", exitUsage, "--speed 0: a number above 0 is expected"},
		{"no length", "demo --for -3s", exitUsage, "--for -3s: a length of time is expected"},
		{"open to everybody", "demo --listen 0.0.0.0:0", exitWrong, "open to the network without TLS"},
		{"bad link", "survey http://10.0.0.1 --holding 0-3", exitUsage, "http"},
		{"no addresses", "survey tcp://127.0.0.1:1 ", exitUsage, "say which addresses"},
		{"addresses backwards", "survey tcp://127.0.0.1:1 --holding 9-3", exitUsage, "want addresses such as 0-40"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var out, errs bytes.Buffer
			code := run(context.Background(), strings.Fields(tt.args), strings.NewReader(""), &out, &errs)
			if said := out.String() + errs.String(); code != tt.code || !strings.Contains(said, tt.want) {
				t.Errorf("roundsman %s: exit %d, said %q; want exit %d and %q", tt.args, code, said, tt.code, tt.want)
			}
		})
	}
}

// The demo site is a file like any other.
func TestDemoSiteIsAFile(t *testing.T) {
	var out, errs bytes.Buffer
	const site = "../../configs/demo/site.yaml"
	if _, err := os.Stat(site); err != nil {
		t.Fatal(err)
	}
	if code := run(context.Background(), []string{"check", site}, nil, &out, &errs); code != exitGood {
		t.Errorf("check %s: exit %d:\n%s%s", site, code, &out, &errs)
	}
}
