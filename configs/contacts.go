package configs

import (
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"strings"
	"unicode"
	"unicode/utf8"

	"roundsman/configs/strict"
)

// Person is somebody who may act on alarms.
type Person struct {
	ID   string // the key in the contacts file: 'n.quill'
	Name string // as pages and journal show it; no two people share one
	Role string // '' if not given
	// KeyFile is the file of the person's key, '' for none, as written; a relative one lies beside the site file.
	// It is not read here: 'check' runs as any user, and the text of a secret has no place in a value that is
	// printed and compared. The daemon reads it once, when it starts.
	KeyFile string
}

// longestName keeps what stands in journal lines and texts readable.
const longestName = 60

// contactsFile parses the contacts file that the site file names; nil when there is none to read.
func contactsFile(fsys fs.FS, site string, v *strict.Value, log *strict.Log) *strict.Value {
	if v == nil {
		return nil
	}
	name := path.Join(path.Dir(site), filepath.ToSlash(v.Text()))
	if path.IsAbs(filepath.ToSlash(v.Text())) || name == ".." || strings.HasPrefix(name, "../") {
		v.Failf("%s lies outside the folder of the site file", v.Text())
		return nil
	}
	data, err := readAll(fsys, name)
	if err != nil {
		v.Failf("%s: %s", v.Text(), reason(err))
		return nil
	}
	return strict.Parse(name, data, contactsShape(), log)
}

// contacts takes over the people. A site without any is good: there is nobody who may act then.
func (b *builder) contacts(top, file *strict.Value) {
	v := top.Get("contacts")
	b.site.Contacts = v.Text()
	if site := top.Get("site"); site != nil && !top.Has("contacts") {
		site.Remarkf("no contacts file is given; nobody may act on alarms")
	}
	names, keys := map[string]string{}, map[string]string{} // by what they must not share, whose it is
	for _, e := range file.Get("people").Entries() {
		p := Person{ID: e.Key(), Name: strings.TrimSpace(e.Get("name").Text()), Role: strings.TrimSpace(e.Get("role").Text()),
			KeyFile: e.Get("key-file").Text()}
		if !goodName(e) {
			continue
		}
		sayable(e.Get("name"))
		sayable(e.Get("role"))
		alone(e.Get("name"), names, strings.ToLower(p.Name), p.ID, "the journal could not tell them apart")
		alone(e.Get("key-file"), keys, p.KeyFile, p.ID, "with one key each could act as the other")
		b.site.People = append(b.site.People, p)
	}
}

// sayable complains about a text that does not fit into a line of the journal.
func sayable(v *strict.Value) {
	text := v.Text()
	switch {
	case utf8.RuneCountInString(text) > longestName:
		v.Failf("has %d letters, at most %d are shown", utf8.RuneCountInString(text), longestName)
	case strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }):
		v.Failf("%q holds a character that cannot be shown", short(text))
	}
}

// alone complains about what two people share.
func alone(v *strict.Value, taken map[string]string, what, who, why string) {
	if v == nil || what == "" {
		return
	}
	if other, ok := taken[what]; ok {
		v.Failf("%s", fmt.Sprintf("%s is that of %s too; %s", short(v.Text()), other, why))
		return
	}
	taken[what] = who
}
