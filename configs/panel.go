package configs

import (
	"net/netip"
	"regexp"

	"roundsman/configs/strict"
)

// selfMade is the word for a certificate that the box makes, in place of a file's name.
const selfMade = "self-made"

// certificate reads what the pages are served with.
func (b *builder) certificate(v *strict.Value) {
	l := &b.site.Listen
	l.Certificate, l.Key = v.Get("certificate").Text(), v.Get("key").Text()
	switch {
	case l.Certificate == selfMade:
		l.SelfMade, l.Certificate = true, ""
		if k := v.Get("key"); k != nil {
			k.Failf("a self-made certificate brings its own key")
		}
	case v.Has("certificate") != v.Has("key"):
		v.KeyFailf("certificate and key go together")
	default:
		b.secrets.reader(v.Get("key")) // says already now that others can read it
	}
	for _, n := range v.Get("names").Entries() {
		if !hostName(n.Text()) {
			n.Failf("%q is no host name and no IP address", n.Text())
		}
		l.Names = append(l.Names, n.Text())
	}
}

// labels are those of a host name (RFC 1123, section 2.1).
var labels = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?(\.[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?)*$`)

// allDigits ends a name that can only be a wrong address.
var allDigits = regexp.MustCompile(`(^|\.)[0-9]+$`)

func hostName(name string) bool {
	if _, err := netip.ParseAddr(name); err == nil {
		return true
	}
	return len(name) <= 253 && labels.MatchString(name) && !allDigits.MatchString(name)
}

func (b *builder) panel(v *strict.Value) {
	p := &b.site.Panel
	switch v.Get("view").Text() {
	case "anyone":
		p.View = ViewAnyone
	case "people":
		p.View = ViewPeople
	}
	if f := v.Get("passwords"); f != nil {
		p.Passwords = f.Text()
		if p.Passwords == "" {
			f.Failf("the name of a file is expected")
			return
		}
		b.secrets.reader(f)
	}
}
