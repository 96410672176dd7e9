package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"regexp"
	"runtime/debug"
	"slices"
	"strings"
	"testing"
)

func TestPackageURL(t *testing.T) {
	tests := []struct{ path, version, want string }{
		// the package URL specification's own example of the type golang
		{"github.com/gorilla/context", "v1.0.0", "pkg:golang/github.com/gorilla/context@v1.0.0"},
		{"github.com/SherClockHolmes/webpush-go", "v1.4.0", "pkg:golang/github.com/sherclockholmes/webpush-go@v1.4.0"},
		{"example.org/a", "v2.0.0+incompatible", "pkg:golang/example.org/a@v2.0.0%2Bincompatible"},
	}
	for _, tt := range tests {
		if got := purl(tt.path, tt.version); got != tt.want {
			t.Errorf("%s %s: %s, want %s", tt.path, tt.version, got, tt.want)
		}
	}
}

func TestBillOfReplacedModule(t *testing.T) {
	b := billOf(&debug.BuildInfo{GoVersion: "go1.26.8", Main: debug.Module{Path: "roundsman"}, Deps: []*debug.Module{
		{Path: "example.org/a", Version: "v1.0.0", Replace: &debug.Module{Path: "example.org/b", Version: "v1.0.1"}},
	}})
	if n := len(b.Components); n != 2 || b.Components[0].PURL != "pkg:golang/std@1.26.8" || b.Components[1].Name != "example.org/b" {
		t.Errorf("components: %+v", b.Components)
	}
}

// The bill of a real binary names every module that the Go tool reads from that binary, at its version.
func TestBillOfMaterials(t *testing.T) {
	binary := daemonBinary(t)
	out, err := exec.Command(binary, "version", "--sbom").Output()
	if err != nil {
		t.Fatal(err)
	}
	var b bill
	d := json.NewDecoder(bytes.NewReader(out))
	d.DisallowUnknownFields()
	if err := d.Decode(&b); err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	listed, err := exec.Command("go", "version", "-m", self).Output()
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	refs := map[string]bool{}
	for _, c := range b.Components {
		got[c.Name] = c.Version
		if refs[c.Ref] {
			t.Errorf("%s stands in it twice", c.Ref)
		}
		refs[c.Ref] = true
		if !regexp.MustCompile(`^pkg:golang/[a-z0-9./_%-]+@[^/]+$`).MatchString(c.PURL) {
			t.Errorf("%s: package URL %q", c.Name, c.PURL)
		}
	}
	linked := 0
	for line := range strings.Lines(string(listed)) {
		if f := strings.Fields(line); len(f) >= 3 && f[0] == "dep" {
			linked++
			if got[f[1]] != f[2] {
				t.Errorf("%s: version %q, the Go tool says %q", f[1], got[f[1]], f[2])
			}
		}
	}
	if linked < 20 || len(b.Components) != linked+1 {
		t.Errorf("%d components for %d linked modules and the Go library", len(b.Components), linked)
	}
	for _, ref := range b.Dependencies[0].DependsOn {
		if !refs[ref] {
			t.Errorf("depends on %s, which is no component", ref)
		}
	}
	if !slices.ContainsFunc(b.Metadata.Component.Properties, func(p billProperty) bool { return p.Name == "build:GOOS" }) {
		t.Errorf("how it was built is not in it: %+v", b.Metadata)
	}
}

func TestBillFlag(t *testing.T) {
	var out, errs bytes.Buffer
	if code := run(context.Background(), []string{"version", "--sbom"}, nil, &out, &errs); code != exitGood || !strings.Contains(out.String(), `"bomFormat": "CycloneDX"`) {
		t.Errorf("exit %d: %s%s", code, &out, &errs)
	}
}
