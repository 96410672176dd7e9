package panel

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"roundsman/exporter"
)

// phoneWait is how long storing or removing a phone may wait for the record, and a test for its push service.
const phoneWait = 15 * time.Second

// phoneJSON is one phone as the interface tells it.
type phoneJSON struct {
	ID     string `json:"id"`
	Person string `json:"person"`
	Name   string `json:"name"`
	Added  string `json:"added"`
	Stale  bool   `json:"stale"` // it must be installed anew
}

func newPhoneJSON(x exporter.Phone) phoneJSON {
	return phoneJSON{x.ID, x.Person, x.Name, x.Added.UTC().Format(time.RFC3339), x.Stale}
}

// installRequest is a browser's subscription for a person.
type installRequest struct {
	By           string          `json:"by"`
	Name         string          `json:"name"`
	Subscription json.RawMessage `json:"subscription"` // as the browser has it (W3C Push API, PushSubscription.toJSON)
}

// owner returns the person whose phone it is: viewers, too, may have themselves called.
func (p *Panel) owner(r *http.Request, id, key string) (*exporter.Person, error) {
	if who, in := p.who(r); in && key == "" {
		if id != "" && id != who.Name {
			return nil, problemf(http.StatusForbidden, "%s is signed in here, not %s", who.Name, clip(id)).about("by")
		}
		return &exporter.Person{ID: who.Name, Name: who.Shown}, nil
	}
	return p.actor(r, id, key)
}

// phonesOn reports whether web push is set up.
func (p *Panel) phonesOn() bool {
	return p.opts.Phones != nil && (p.opts.PhonesOn == nil || p.opts.PhonesOn())
}

// apiPhones lists the phones (GET), or takes one in for a named person (POST).
func (p *Panel) apiPhones(w http.ResponseWriter, r *http.Request) error {
	if !p.phonesOn() {
		return noPhones()
	}
	if r.Method != http.MethodPost {
		list := []phoneJSON{}
		for _, x := range p.opts.Phones.List(r.URL.Query().Get("person")) {
			list = append(list, newPhoneJSON(x))
		}
		return writeJSON(w, list)
	}
	if !sameOrigin(r) {
		return errForeign()
	}
	var req installRequest
	if err := decodeJSON(w, r, &req, "by", "name", "subscription"); err != nil {
		return err
	}
	person, err := p.owner(r, req.By, bearer(r))
	if err != nil {
		return err
	}
	if len(req.Subscription) == 0 {
		return problemf(http.StatusUnprocessableEntity, "subscription is missing").about("subscription")
	}
	ctx, cancel := context.WithTimeout(r.Context(), phoneWait)
	defer cancel()
	x, err := p.opts.Phones.Store(ctx, person.ID, req.Name, exporter.Secret(req.Subscription))
	if err != nil {
		return p.phoneProblem(r, err)
	}
	return writeJSON(w, newPhoneJSON(x))
}

func noPhones() *problem {
	return problemf(http.StatusServiceUnavailable, "web push is not set up here: the contacts file has no push channel")
}

// phoneProblem says why nothing was done to a phone. What a push service answers is told: its words hold no secret.
func (p *Panel) phoneProblem(r *http.Request, err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, exporter.ErrPhoneRefuse):
		return problemf(http.StatusUnprocessableEntity, "%v", err).about("subscription")
	case errors.Is(err, exporter.ErrPhoneLimit):
		return problemf(http.StatusConflict, "%v; remove one first", err)
	case errors.Is(err, exporter.ErrNoPhone):
		return problemf(http.StatusNotFound, "this person has no such phone")
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return problemf(http.StatusServiceUnavailable, "the box is busy or stopping; look whether it was done")
	}
	p.opts.Log.Warn("phone not reached", "path", r.URL.Path, "err", err)
	return problemf(http.StatusBadGateway, "the phone was not reached: %s", strings.ToValidUTF8(err.Error(), "?"))
}

// apiPhone forgets a phone (DELETE, ?by=).
func (p *Panel) apiPhone(w http.ResponseWriter, r *http.Request) error {
	if !sameOrigin(r) {
		return errForeign()
	}
	if err := p.doPhone(r, "remove", r.URL.Query().Get("by"), bearer(r)); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// apiTestPhone sends a test message to a phone.
func (p *Panel) apiTestPhone(w http.ResponseWriter, r *http.Request) error {
	if !sameOrigin(r) {
		return errForeign()
	}
	var req struct {
		By string `json:"by"`
	}
	if err := decodeJSON(w, r, &req, "by"); err != nil {
		return err
	}
	if err := p.doPhone(r, "test", req.By, bearer(r)); err != nil {
		return err
	}
	return writeJSON(w, map[string]bool{"sent": true})
}

// doPhone tests or removes a person's phone.
func (p *Panel) doPhone(r *http.Request, what, by, key string) error {
	if !p.phonesOn() {
		return noPhones()
	}
	person, err := p.owner(r, by, key)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(r.Context(), phoneWait)
	defer cancel()
	if what == "test" {
		err = p.opts.Phones.Test(ctx, person.ID, r.PathValue("phone"))
	} else {
		err = p.opts.Phones.Remove(ctx, person.ID, r.PathValue("phone"))
	}
	return p.phoneProblem(r, err)
}

// formPhone answers the forms of the page of phones.
func (p *Panel) formPhone(w http.ResponseWriter, r *http.Request) error {
	f, err := readForm(w, r, "by", "key", "back")
	what := r.PathValue("what")
	if err == nil && what != "test" && what != "remove" {
		return notFound(w, r)
	}
	key := strings.TrimSpace(f.Get("key"))
	if err == nil {
		err = p.mustSignIn(r, key)
	}
	if err == nil {
		err = p.doPhone(r, what, f.Get("by"), key)
	}
	if err != nil {
		return p.refused(w, url.Values{"back": {phonesPath}}, p.problemOf(r, err))
	}
	http.Redirect(w, r, phonesPath+"?said="+what, http.StatusSeeOther)
	return nil
}

const phonesPath = "/phones"

// phonesSheet is the page of one person's phones.
type phonesSheet struct {
	head
	Visitor  visitor
	By, Name string // whose phones these are; "": nobody said who they are
	NeedsKey bool
	Key      string // the site's, for the browser
	Trouble  string // why none can be installed
	Said     string
	Phones   []phoneRow
}

type phoneRow struct {
	ID, Name, Added string
	Stale           bool
}

// said are the words about what was just done.
var said = map[string]string{"test": "A test message is on its way to the phone.", "remove": "The phone is called no more.",
	"installed": "This phone is called from now on. Send it a test message."}

func (p *Panel) phonesPage(w http.ResponseWriter, r *http.Request) error {
	if !p.phonesOn() {
		return problemf(http.StatusNotFound, "web push is not set up here: the contacts file has no push channel")
	}
	v, now := p.now()
	s := phonesSheet{head: p.head(v, now, "phones", "Phones"), Visitor: p.visitor(r), Said: said[r.URL.Query().Get("said")]}
	s.Refresh = 0 // nothing here changes by itself
	s.By, s.Name, s.NeedsKey = s.Visitor.By, s.Visitor.Name, s.Visitor.NeedsKey
	if who, in := p.who(r); in {
		s.By, s.Name, s.NeedsKey = who.Name, who.Shown, false
	}
	var err error
	if s.Key, err = p.opts.Phones.PublicKey(); err != nil {
		p.opts.Log.Error("no phone can be installed", "err", err)
		s.Trouble = "No phone can be installed now: the box's key for it cannot be read."
	}
	at := p.wallTime(v.At).In(siteZone(v))
	if s.By != "" {
		for _, x := range p.opts.Phones.List(s.By) {
			s.Phones = append(s.Phones, phoneRow{x.ID, x.Name, x.Added.In(at.Location()).Format("2 Jan 2006"), x.Stale})
		}
	}
	return show(w, "phones.html", s)
}
