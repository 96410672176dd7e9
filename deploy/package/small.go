package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// mostBinary is the most that a stripped binary may weigh, in bytes. DEVELOPERS.md has what each measure saved.
const mostBinary = 20 << 20

// The tags of the packaged binary. Each is named by the source it leaves out:
//
//   - nethttpomithttp2, of the Go library: HTTP/2, 0.5 MiB. Over TLS a browser then opens at most six connections to
//     the box, as it always does without TLS: the seventh open page of one browser waits for its live figures.
//   - systemzones, ours: the time zones, 0.4 MiB. The package depends on Debian's tzdata, which is also kept up to date.
//   - plantapart, ours: the practice plant, 0.6 MiB. The command demo starts it as a program of its own.
const tags = "nethttpomithttp2,systemzones,plantapart"

// linkFlags leave out the symbol table and debug data. Functions begin at multiples of 8 bytes, not 32: 0.35 MiB on
// amd64, nothing elsewhere.
func linkFlags(arch string) string {
	flags := "-s -w -buildid="
	if arch == "amd64" {
		flags += " -funcalign=8"
	}
	return flags
}

// unhurried are the packages that work when a person or another program asks, or beside a call of the system: they are compiled
// without copying small functions into their callers (1.7 MiB). What reads, judges, keeps and shows metrics is not
// among them, nor are SQLite and the Go runtime, which even grow without it.
var unhurried = []string{
	"compress/...", "context", "crypto/dsa", "crypto/ecdh", "crypto/ecdsa", "crypto/elliptic", "crypto/rsa", "crypto/tls", "crypto/tls/...", "crypto/x509", "crypto/x509/...", "database/sql",
	"encoding/asn1", "encoding/csv", "encoding/hex", "encoding/json", "encoding/pem", "fmt", "html", "html/template", "image/...", "io/fs", "log/...", "math/big", "mime/...",
	"net", "net/http", "net/http/...", "net/mail", "net/netip", "net/smtp", "net/textproto", "net/url", "os", "os/...", "path/filepath", "reflect", "regexp/...", "text/...",
	"vendor/golang.org/x/net/...", "vendor/golang.org/x/text/...",
	"github.com/SherClockHolmes/...", "github.com/golang-jwt/...", "github.com/gorilla/...", "github.com/mochi-mqtt/...",
	"github.com/prometheus/...", "github.com/spf13/...", "github.com/warthog618/...",
	"go.yaml.in/...", "golang.org/x/net/...", "golang.org/x/term", "google.golang.org/protobuf/...", "rsc.io/...",
	"roundsman/cmd/roundsman", "roundsman/collector/leak", "roundsman/collector/modbus/device/...", "roundsman/collector/plan", "roundsman/collector/practice/...",
	"roundsman/collector/tank", "roundsman/collector/units", "roundsman/configs/...", "roundsman/exporter", "roundsman/exporter/callout/...", "roundsman/exporter/record", "modernc.org/sqlite",
	"roundsman/exporter/certificate/...", "roundsman/exporter/panel/...", "roundsman/exporter/rehearsal/...",
	"roundsman/exporter/review/...", "roundsman/exporter/signin/...",
}

// smaller returns what the compiler is told so that the binary stays small.
func (s *source) smaller(ctx context.Context, work, arch string) ([]string, error) {
	overlay, err := s.overlay(ctx, work)
	if err != nil {
		return nil, err
	}
	args := []string{"-tags=" + tags, "-ldflags=" + linkFlags(arch), "-overlay=" + overlay}
	for _, p := range unhurried {
		args = append(args, "-gcflags="+p+"=-l")
	}
	return args, nil
}

// The place in the Go library's templates where a method is looked up by a name that the linker cannot know: for its
// sake the linker keeps every exported method of every type, 2 MiB that nothing calls.
const (
	lookup = "if method := ptr.MethodByName(fieldName); method.IsValid() {"
	narrow = "if method := methodNamed(ptr, fieldName); method.IsValid() {"
)

// timeMethods are those that a site's own wording of messages can call beside the names that our templates use.
var timeMethods = []string{
	"Add", "AddDate", "After", "Before", "Compare", "Date", "Day", "Equal", "Format", "Hour", "ISOWeek", "In", "IsZero", "Local", "Minute", "Month",
	"Second", "String", "Sub", "Time", "Truncate", "Unix", "UnixMilli", "UTC", "Weekday", "Year", "YearDay", "Zone",
}

var (
	action = regexp.MustCompile(`(?s)\{\{.*?\}\}`)
	field  = regexp.MustCompile(`\.([A-Z][A-Za-z0-9_]*)`)
)

// names returns every name that a template of ours asks anything for, fields among them, and those of a time. They are
// looked for in all files, since templates stand in Go text too.
func (s *source) names() ([]string, error) {
	found := map[string]bool{}
	for _, m := range timeMethods {
		found[m] = true
	}
	err := filepath.WalkDir(s.root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			if err == nil && strings.HasPrefix(d.Name(), ".") && path != s.root {
				return filepath.SkipDir
			}
			return err
		}
		if strings.HasSuffix(path, "_test.go") {
			return nil
		}
		switch filepath.Ext(path) {
		case ".go", ".html", ".svg", ".tmpl", ".txt":
		default:
			return nil
		}
		text, err := os.ReadFile(path)
		for _, a := range action.FindAll(text, -1) {
			for _, m := range field.FindAllSubmatch(a, -1) {
				found[string(m[1])] = true
			}
		}
		return err
	})
	return slices.Sorted(maps.Keys(found)), err
}

// overlay writes the Go library's templates with the methods named, and what tells the Go tool to compile them in
// place of its own. It is made from the installed library, so the library's corrections are in it; where that does not
// look as expected, this is an error and not a bigger binary.
func (s *source) overlay(ctx context.Context, work string) (string, error) {
	goroot, err := command(ctx, s.root, nil, "go", "env", "GOROOT")
	if err != nil {
		return "", err
	}
	original := filepath.Join(strings.TrimSpace(goroot), "src", "text", "template", "exec.go")
	text, err := os.ReadFile(original)
	if err != nil {
		return "", err
	}
	if strings.Count(string(text), lookup) != 1 {
		return "", fmt.Errorf("%s: is not as this program knows it: %q does not stand there once", original, lookup)
	}
	var b strings.Builder
	b.WriteString(strings.Replace(string(text), lookup, narrow, 1))
	b.WriteString("\nfunc methodNamed(v reflect.Value, name string) reflect.Value {\n\tswitch name {\n")
	names, err := s.names()
	if err != nil {
		return "", err
	}
	for _, m := range names {
		fmt.Fprintf(&b, "\tcase %q:\n\t\treturn v.MethodByName(%q)\n", m, m)
	}
	b.WriteString("\t}\n\treturn reflect.Value{}\n}\n")
	narrowed := filepath.Join(work, "exec.go")
	if err := os.WriteFile(narrowed, []byte(b.String()), 0o644); err != nil {
		return "", err
	}
	list, err := json.Marshal(map[string]map[string]string{"Replace": {original: narrowed}})
	if err != nil {
		return "", err
	}
	path := filepath.Join(work, "overlay.json")
	return path, os.WriteFile(path, list, 0o644)
}
