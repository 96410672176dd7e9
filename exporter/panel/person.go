package panel

import (
	"crypto/sha256"
	"crypto/subtle"
	"net/http"
	"strings"

	"roundsman/exporter"
)

// whoCookie remembers who used this browser last: the short name only, never a key.
const whoCookie = "roundsman-who"

// longestMemory of the cookie, in seconds: half a year.
const longestMemory = 180 * 24 * 3600

// sameOrigin reports whether a request was made by our own page or by no page at
// all: a page of another site must not act through the browser of somebody who may.
func sameOrigin(r *http.Request) bool {
	return http.NewCrossOriginProtection().Check(r) == nil
}

// local reports whether the request was made on the box itself. One that a proxy
// handed on was not, as far as its headers tell: a proxy that hides itself
// (rewrites Host and adds nothing) cannot be seen, so whoever runs one gives everybody a key.
func local(r *http.Request) bool {
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip", "Via"} {
		if len(r.Header.Values(h)) > 0 {
			return false
		}
	}
	host := strings.ToLower(strings.TrimSuffix(hostOf(r.Host), "."))
	return loopback(hostOf(r.RemoteAddr)) && (host == "localhost" || loopback(host))
}

// actor returns the person who asks, or the problem why they may not act.
func (p *Panel) actor(r *http.Request, id, key string) (*exporter.Person, error) {
	if p.opts.Acts == nil {
		return nil, problemf(http.StatusServiceUnavailable, "nothing can be done to alarms here")
	}
	if who, in := p.who(r); in && key == "" {
		return operator(who, id)
	}
	person, err := p.person(id)
	if err != nil {
		return nil, err
	}
	switch {
	case person.Key == "" && !local(r):
		return nil, problemf(http.StatusForbidden, "%s has no key and may act on the box itself only; give them a key-file in the contacts file", id).about("by")
	case person.Key == "":
		return person, nil
	case key == "":
		return nil, problemf(http.StatusUnauthorized, "the key of %s is missing", id).about("key")
	case !sameKey(person.Key, key):
		p.opts.Log.Warn("wrong key", "person", id, "from", r.RemoteAddr)
		return nil, problemf(http.StatusUnauthorized, "this is not the key of %s", id).about("key")
	}
	return person, nil
}

// person returns the one of that short name.
func (p *Panel) person(id string) (*exporter.Person, error) {
	if id == "" {
		return nil, problemf(http.StatusUnprocessableEntity, "by is missing: who does it?").about("by")
	}
	people := p.people()
	if len(people) == 0 {
		return nil, problemf(http.StatusForbidden, "nobody may act: the site has no contacts file").about("by")
	}
	ids := make([]string, len(people))
	for i := range people {
		if ids[i] = people[i].ID; ids[i] == id {
			return &people[i], nil
		}
	}
	return nil, problemf(http.StatusForbidden, "there is no person %s", quoteNear(id, ids)).about("by")
}

// sameKey compares in a time that tells nothing of the key, its length included.
func sameKey(want exporter.Secret, got string) bool {
	a, b := sha256.Sum256([]byte(want)), sha256.Sum256([]byte(got))
	return subtle.ConstantTimeCompare(a[:], b[:]) == 1
}

// bearer returns the key of the Authorization header (RFC 6750, section 2.1).
func bearer(r *http.Request) string {
	scheme, key, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return ""
	}
	return strings.TrimSpace(key)
}

// remember lets the browser keep who used it.
func remember(w http.ResponseWriter, r *http.Request, id string) {
	http.SetCookie(w, &http.Cookie{Name: whoCookie, Value: id, Path: "/", MaxAge: longestMemory,
		HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode})
}

// visitor is who looks at a page, and whether they may act from where they are.
type visitor struct {
	People   []choice // who may act from here; none: nobody
	Note     string   // why nobody may
	By       string   // short name of the person chosen, "" for none yet
	Name     string
	NeedsKey bool
	Back     string // the page to come back to
	SignIn   string // where to sign in; "" where that cannot be done or was
	SignedIn string // name of who did
	Looks    bool   // and may only look
}

type choice struct {
	ID, Name string
	Chosen   bool
}

// visitor returns who looks at a page.
func (p *Panel) visitor(r *http.Request) visitor {
	v := visitor{Back: r.URL.Path}
	if p.opts.Acts == nil {
		return v
	}
	if p.accounts() {
		return p.signedVisitor(r, v)
	}
	who := ""
	if c, err := r.Cookie(whoCookie); err == nil {
		who = c.Value
	}
	here := local(r)
	people := p.people()
	for i := range people {
		person := &people[i]
		if person.Key == "" && !here {
			continue
		}
		chosen := person.ID == who
		v.People = append(v.People, choice{person.ID, shown(person), chosen})
		if chosen {
			v.By, v.Name, v.NeedsKey = person.ID, shown(person), person.Key != ""
		}
	}
	switch {
	case len(people) == 0:
		v.Note = "Nobody may act on alarms: the site has no contacts file."
	case len(v.People) == 0:
		v.Note = "From here nobody may act on alarms: that takes a key, and nobody in the contacts file has one."
	}
	return v
}

// shown is the name that pages and journal show.
func shown(person *exporter.Person) string {
	if person.Name == "" {
		return person.ID
	}
	return person.Name
}
