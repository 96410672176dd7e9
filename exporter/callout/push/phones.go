package push

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/callout"
	"roundsman/rules"
)

// Installed stands, with a space and the person's id behind it, as an address for all phones on which that person
// installed the panel: 'installed n.quill'.
const Installed = "installed"

// Limits of what is kept.
const (
	MostPhones  = 5   // of one person
	mostInAll   = 200 // of a site
	longestName = 40  // of a phone, in letters
)

// PhonesOptions are what Phones work by. Clock is needed.
type PhonesOptions struct {
	Clock *collector.Clock
	Site  string // as test messages name it
}

// Phones keeps the phones on which people installed the panel. It is safe for simultaneous use. Whoever writes the
// record takes Save with each change and calls Kept when the change was committed:
//
//	phones, err := push.NewPhones(push.PhonesOptions{Clock: clock}, doc)
//	channels["push"] = phones.Through(channel)
type Phones struct {
	o PhonesOptions

	mu      sync.Mutex
	list    []phone // in the order they came
	channel *Channel
	changed bool
	waiting []chan struct{} // of those who wait until a change is kept, to be closed
	saving  []chan struct{} // of a change that Save handed out
}

// phone is one of them, as the record keeps it.
type phone struct {
	ID           string    `json:"id"`
	Person       string    `json:"person"`
	Name         string    `json:"name"`
	Added        time.Time `json:"added"`
	Key          string    `json:"key"`          // the site's public key it was installed with
	Subscription string    `json:"subscription"` // whoever has it can write to the phone
	endpoint     string
}

// NewPhones returns the phones that Save told; nil for none.
func NewPhones(o PhonesOptions, doc []byte) (*Phones, error) {
	p := &Phones{o: o}
	if len(doc) == 0 {
		return p, nil
	}
	if err := json.Unmarshal(doc, &p.list); err != nil {
		return p, fmt.Errorf("phones: %w", err)
	}
	p.list = slices.DeleteFunc(p.list, func(x phone) bool { _, err := ParseSubscription(x.Subscription); return err != nil })
	for i := range p.list {
		s, _ := ParseSubscription(p.list[i].Subscription) // which was just tried
		p.list[i].endpoint = s.Endpoint
	}
	return p, nil
}

// JoinPhones returns two lists that Save told as one; of a phone that is in both the later counts.
func JoinPhones(kept, later []byte) ([]byte, error) {
	var first, second []phone
	if err := errors.Join(json.Unmarshal(kept, &first), json.Unmarshal(later, &second)); err != nil {
		return nil, err
	}
	both := slices.DeleteFunc(first, func(k phone) bool {
		return slices.ContainsFunc(second, func(l phone) bool { return l.ID == k.ID || l.Subscription == k.Subscription })
	})
	return json.Marshal(append(both, second...))
}

// Save returns all that is to be kept, as JSON, and whether it changed since the last call. It holds secrets.
func (p *Phones) Save() (doc []byte, changed bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.changed {
		return nil, false
	}
	list := p.list
	if list == nil {
		list = []phone{}
	}
	doc, err := json.Marshal(list)
	if err != nil { // cannot be: texts and times of this century
		return nil, false
	}
	p.changed = false
	p.saving, p.waiting = append(p.saving, p.waiting...), nil
	return doc, true
}

// Kept tells that what Save returned is on the record, or cannot be.
func (p *Phones) Kept() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.saving {
		close(c)
	}
	p.saving = nil
}

// Through returns a channel that sends to all phones of a person through c, and uses c from now on for tests and for
// the key that browsers are given. What is not for installed phones goes to c as it is.
func (p *Phones) Through(c *Channel) *Fan {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.channel = c
	return &Fan{Channel: c, phones: p}
}

// PublicKey implements exporter.Phones.
func (p *Phones) PublicKey() (string, error) {
	p.mu.Lock()
	c := p.channel
	p.mu.Unlock()
	if c == nil {
		return "", errors.New("push: no channel is set up")
	}
	return c.PublicKey()
}

// Store implements exporter.Phones.
func (p *Phones) Store(ctx context.Context, person, name string, subscription exporter.Secret) (exporter.Phone, error) {
	s, err := ParseSubscription(string(subscription))
	if err != nil {
		return exporter.Phone{}, fmt.Errorf("%w: %w", exporter.ErrPhoneRefuse, err)
	}
	key, err := p.PublicKey()
	if err != nil {
		return exporter.Phone{}, err
	}
	text, err := json.Marshal(s)
	if err != nil {
		return exporter.Phone{}, fmt.Errorf("push: %w", err)
	}
	id := make([]byte, 8)
	_, _ = rand.Read(id) // never fails
	x := phone{ID: hex.EncodeToString(id), Person: person, Name: tidyName(name), Added: p.o.Clock.Time(p.o.Clock.Now()).UTC().Truncate(time.Second),
		Key: key, Subscription: string(text), endpoint: s.Endpoint}
	kept, err := p.add(x)
	if err != nil {
		return exporter.Phone{}, err
	}
	return x.shown(key), await(ctx, kept)
}

// add takes a phone in; one of the same address makes way.
func (p *Phones) add(x phone) (kept <-chan struct{}, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	rest := slices.DeleteFunc(slices.Clone(p.list), func(y phone) bool { return y.endpoint == x.endpoint })
	own := 0
	for i := range rest {
		if rest[i].Person == x.Person {
			own++
		}
	}
	switch {
	case own >= MostPhones:
		return nil, fmt.Errorf("%w: %s has %d already", exporter.ErrPhoneLimit, x.Person, own)
	case len(rest) >= mostInAll:
		return nil, fmt.Errorf("%w: the site has %d already", exporter.ErrPhoneLimit, len(rest))
	}
	p.list = append(rest, x)
	return p.touch(), nil
}

// touch notes a change and returns what is closed when it is kept. With the lock held.
func (p *Phones) touch() <-chan struct{} {
	p.changed = true
	c := make(chan struct{})
	p.waiting = append(p.waiting, c)
	return c
}

func await(ctx context.Context, kept <-chan struct{}) error {
	select {
	case <-kept:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("phones: not on the record yet: %w", ctx.Err())
	}
}

// tidyName makes one short line of a name.
func tidyName(name string) string {
	r := []rune(strings.Join(strings.FieldsFunc(strings.ToValidUTF8(name, ""), func(c rune) bool { return unicode.IsSpace(c) || !unicode.IsPrint(c) }), " "))
	return cmp.Or(string(r[:min(len(r), longestName)]), "phone")
}

func (x *phone) shown(key string) exporter.Phone {
	return exporter.Phone{ID: x.ID, Person: x.Person, Name: x.Name, Added: x.Added, Stale: x.Key != key}
}

// List implements exporter.Phones.
func (p *Phones) List(person string) []exporter.Phone {
	key, _ := p.PublicKey() // none: every phone is stale
	p.mu.Lock()
	defer p.mu.Unlock()
	var list []exporter.Phone
	for i := range p.list {
		if person == "" || p.list[i].Person == person {
			list = append(list, p.list[i].shown(key))
		}
	}
	return list
}

// Remove implements exporter.Phones.
func (p *Phones) Remove(ctx context.Context, person, id string) error {
	p.mu.Lock()
	i := slices.IndexFunc(p.list, func(x phone) bool { return x.ID == id && x.Person == person })
	if i < 0 {
		p.mu.Unlock()
		return exporter.ErrNoPhone
	}
	p.list = slices.Delete(slices.Clone(p.list), i, i+1)
	kept := p.touch()
	p.mu.Unlock()
	return await(ctx, kept)
}

// forget drops a phone whose address is dead.
func (p *Phones) forget(id string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := len(p.list)
	p.list = slices.DeleteFunc(slices.Clone(p.list), func(x phone) bool { return x.ID == id })
	p.changed = p.changed || len(p.list) < n
}

// of returns the phones of a person.
func (p *Phones) of(person string) []phone {
	p.mu.Lock()
	defer p.mu.Unlock()
	var list []phone
	for _, x := range p.list {
		if x.Person == person {
			list = append(list, x)
		}
	}
	return list
}

// Test implements exporter.Phones.
func (p *Phones) Test(ctx context.Context, person, id string) error {
	list := p.of(person)
	i := slices.IndexFunc(list, func(x phone) bool { return x.ID == id })
	if i < 0 {
		return exporter.ErrNoPhone
	}
	p.mu.Lock()
	c := p.channel
	p.mu.Unlock()
	if c == nil {
		return errors.New("push: no channel is set up")
	}
	now := p.o.Clock.Time(p.o.Clock.Now()).UTC()
	m := callout.Message{
		Key: "test-" + id + "-" + now.Format(time.RFC3339Nano), Subject: callout.AboutDrill, Thread: "test", Priority: rules.HighPriority,
		Site: p.o.Site, Person: person, Created: now, Try: 1,
		Title: strings.TrimSpace(p.o.Site + " TEST: nothing is wrong"),
		Text:  "A test message, asked for on the page of this phone. Calls reach it.\n\n" + callout.Caution,
	}
	return (&Fan{Channel: c, phones: p}).one(ctx, &m, &list[i])
}
