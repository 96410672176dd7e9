package configs

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"roundsman/configs/strict"
)

// mostRuleFiles bounds what the patterns of 'rules' may find.
const mostRuleFiles = 500

// LoadFile reads the site file at path and the contacts and rule files it names,
// which lie in its folder or below. Problems name the files as seen from where path is.
func LoadFile(path string) (*Site, error) {
	dir, name := filepath.Split(path)
	secrets := secretFiles{dir: dir, look: true}
	if dir == "" {
		return load(os.DirFS("."), name, secrets)
	}
	site, err := load(os.DirFS(dir), name, secrets)
	if ps, ok := errors.AsType[Problems](err); ok {
		return nil, under(dir, ps)
	}
	if err != nil {
		return nil, err
	}
	site.Notes = under(dir, site.Notes)
	site.Callout.places = under(dir, site.Callout.places)
	return site, nil
}

// under puts a folder before the problems' files.
func under(dir string, ps Problems) Problems {
	for i := range ps {
		ps[i].File = filepath.Join(dir, ps[i].File)
	}
	return ps
}

// Load reads the site file name of fsys and the contacts and rule files it names. The error
// is of type Problems and holds everything that is wrong with all the files;
// the site is nil then. Files of secrets are not of fsys and not looked at;
// relative ones are looked for in the folder the program runs in.
func Load(fsys fs.FS, name string) (*Site, error) { return load(fsys, name, secretFiles{}) }

func load(fsys fs.FS, name string, secrets secretFiles) (*Site, error) {
	log := &strict.Log{}
	b := newBuilder(log, secrets)
	if top := parse(fsys, name, siteShape(), log); top != nil {
		b.build(top, contactsFile(fsys, name, top.Get("contacts"), log), ruleFiles(fsys, name, top.Get("rules"), log))
	}
	found := log.Problems()
	if log.Failed() {
		return nil, found
	}
	b.site.Notes = found
	return b.site, nil
}

func parse(fsys fs.FS, name string, shape *strict.Shape, log *strict.Log) *strict.Value {
	data, err := readAll(fsys, name)
	if err != nil {
		log.Add(Problem{File: name, Text: reason(err)})
		return nil
	}
	return strict.Parse(name, data, shape, log)
}

// readAll reads a file, but no more of it than strict.Parse refuses.
func readAll(fsys fs.FS, name string) ([]byte, error) {
	f, err := fsys.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, strict.MostBytes+1))
}

func reason(err error) string {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		err = pe.Err
	}
	if errors.Is(err, fs.ErrNotExist) {
		return "no such file"
	}
	return err.Error()
}

// ruleFiles returns the parsed rule files in the order of their names.
func ruleFiles(fsys fs.FS, site string, patterns *strict.Value, log *strict.Log) []*strict.Value {
	var out []*strict.Value
	seen := map[string]bool{}
	for _, p := range patterns.Entries() {
		for _, name := range matches(fsys, site, p) {
			if seen[name] {
				continue
			}
			seen[name] = true
			if len(seen) > mostRuleFiles {
				p.Failf("more than %d rule files", mostRuleFiles)
				return out
			}
			if top := parse(fsys, name, rulesShape(), log); top != nil {
				out = append(out, top)
			}
		}
	}
	return out
}

func matches(fsys fs.FS, site string, p *strict.Value) []string {
	pattern := path.Join(path.Dir(site), filepath.ToSlash(p.Text()))
	if path.IsAbs(p.Text()) || strings.HasPrefix(pattern, "..") {
		p.Failf("%s lies outside the folder of the site file", p.Text())
		return nil
	}
	names, err := fs.Glob(fsys, pattern)
	switch {
	case err != nil:
		p.Failf("%q: %v", p.Text(), err)
	case len(names) == 0 && strings.ContainsAny(pattern, "*?["):
		p.Warnf("no file fits %s", p.Text())
	case len(names) == 0:
		p.Failf("no such file: %s", p.Text())
	}
	slices.Sort(names)
	return names
}
