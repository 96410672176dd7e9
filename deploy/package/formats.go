package main

import (
	"bytes"
	"crypto/md5" // what dpkg compares installed files by; not for safety
	"fmt"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

const about = `Description: watches the equipment room of a conveyor tunnel wash
 Roundsman reads pressures, tank levels, pump run signals and turbidity over
 Modbus and MQTT, judges them by rule files, shows readings and alarms to
 people and dashboards, and calls people.
 .
 It only watches: it never writes to the controls and is no safety device.
`

// debian returns a Debian binary package (deb(5)) for the architecture.
func (s *source) debian(arch string, built, common tree) []byte {
	files := maps.Clone(common)
	maps.Copy(files, built)
	return archive(s.time.Unix(), []member{
		{"debian-binary", []byte("2.0\n")},
		{"control.tar.gz", pack(s.control(arch, files).tar("./", s.time))},
		{"data.tar.gz", pack(files.tar("./", s.time))},
	})
}

// control returns the files about a package: its description, its scripts, the sums of its files, and which of these
// people may change.
func (s *source) control(arch string, files tree) tree {
	var sums, conf strings.Builder
	size := 0
	for _, name := range slices.Sorted(maps.Keys(files)) {
		data := files[name].data
		size += (len(data)+1023)/1024 + 1
		if strings.HasPrefix(name, "etc/") {
			conf.WriteString("/" + name + "\n")
			continue
		}
		fmt.Fprintf(&sums, "%x  %s\n", md5.Sum(data), name)
	}
	control := fmt.Sprintf("Package: roundsman\nVersion: %s\nArchitecture: %s\nMaintainer: %s\n"+
		"Installed-Size: %d\nDepends: systemd (>= 252), init-system-helpers (>= 1.52), tzdata\nSection: net\nPriority: optional\n%s", s.version, arch, s.maintainer, size, about)
	t := tree{
		"control":   {0o644, []byte(control)},
		"md5sums":   {0o644, []byte(sums.String())},
		"conffiles": {0o644, []byte(conf.String())},
	}
	for name, text := range s.scripts {
		t[name] = file{0o755, text}
	}
	return t
}

// readScripts reads what the package manager runs.
func (s *source) readScripts() error {
	s.scripts = map[string][]byte{}
	for _, name := range []string{"postinst", "prerm", "postrm"} {
		text, err := os.ReadFile(filepath.Join(s.root, "deploy", "debian", name))
		if err != nil {
			return err
		}
		s.scripts[name] = text
	}
	return nil
}

// tarball returns the same for a box without Debian's package manager: one folder, the programs at its top, the unit
// made for /usr/local.
func (s *source) tarball(arch string, built, common tree) []byte {
	t := tree{}
	for name, f := range built {
		t[path.Base(name)] = f
	}
	for name, f := range common {
		switch {
		case strings.HasPrefix(name, "usr/lib/systemd/"):
			f.data = bytes.ReplaceAll(f.data, []byte("/usr/bin/roundsman"), []byte("/usr/local/bin/roundsman"))
			f.data = bytes.ReplaceAll(f.data, []byte("/usr/share/doc/"), []byte("/usr/local/share/doc/"))
			t["roundsman.service"] = f
		case strings.HasPrefix(name, "usr/lib/sysusers.d/"):
			t["sysusers.conf"] = f
		case name == "etc/roundsman/site.yaml":
			t["site.yaml"] = f
		case strings.HasPrefix(name, doc):
			t["doc/"+strings.TrimPrefix(name, doc)] = f
		case strings.HasPrefix(name, "usr/share/man/"):
			t["roundsman.1.gz"] = f
		}
	}
	return pack(t.tar("roundsman-"+s.version+"-"+arch+"/", s.time))
}

type member struct {
	name string
	data []byte
}

// archive writes the members in the common ar format, as deb(5) wants it: owned by root, mode 0644.
func archive(at int64, members []member) []byte {
	var b bytes.Buffer
	b.WriteString("!<arch>\n")
	for _, m := range members {
		fmt.Fprintf(&b, "%-16s%-12d%-6d%-6d%-8s%-10d`\n", m.name, at, 0, 0, "100644", len(m.data))
		b.Write(m.data)
		if len(m.data)%2 == 1 {
			b.WriteByte('\n')
		}
	}
	return b.Bytes()
}
