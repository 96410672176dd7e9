package push_test

import (
	"context"
	"crypto/tls"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/internal/calltest"
	"roundsman/exporter/callout/push"
)

// exchange is a push service for many phones: it answers by the path of the phone, 201 if nothing else is said.
type exchange struct {
	opts push.Options

	mu     sync.Mutex
	status map[string]int
	bodies map[string][][]byte
}

func newExchange(t *testing.T) *exchange {
	t.Helper()
	e := &exchange{status: map[string]int{}, bodies: map[string][][]byte{}}
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, _ := io.ReadAll(q.Body)
		name := strings.TrimPrefix(q.URL.Path, "/p/")
		e.mu.Lock()
		defer e.mu.Unlock()
		e.bodies[name] = append(e.bodies[name], body)
		if s := e.status[name]; s != 0 {
			w.WriteHeader(s)
			return
		}
		w.WriteHeader(http.StatusCreated)
	}))
	certificate, file := calltest.Certificate(t, "push.example.net")
	server.Config.ErrorLog = log.New(io.Discard, "", 0)
	server.TLS = &tls.Config{Certificates: []tls.Certificate{certificate}}
	server.StartTLS()
	t.Cleanup(server.Close)
	e.opts = push.Options{
		KeyFile: filepath.Join(t.TempDir(), "vapid.pem"), Contact: "desk@ardenmoor.example", CAFile: file,
		Dial: func(ctx context.Context, network, address string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, network, server.Listener.Addr().String())
		},
	}
	return e
}

func (e *exchange) answer(name string, status int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.status[name] = status
}

func (e *exchange) got(name string) [][]byte {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.bodies[name]
}

func at(p phone, name string) exporter.Secret { return exporter.Secret(p.Subscription(name)) }

// keeper keeps at once whatever changes, as the judge's rounds do, and remembers the last document.
type keeper struct {
	phones *push.Phones
	doc    []byte
	stop   func()
}

func keep(t *testing.T, p *push.Phones) *keeper {
	t.Helper()
	k := &keeper{phones: p}
	done, ended := make(chan struct{}), make(chan struct{})
	tick := time.NewTicker(time.Millisecond)
	go func() {
		defer close(ended)
		for {
			if doc, changed := p.Save(); changed {
				k.doc = doc
			}
			p.Kept()
			select {
			case <-done:
				return
			case <-tick.C:
			}
		}
	}()
	k.stop = sync.OnceFunc(func() { close(done); <-ended; tick.Stop() })
	t.Cleanup(k.stop)
	return k
}

func newPhones(t *testing.T, doc []byte) *push.Phones {
	t.Helper()
	p, err := push.NewPhones(push.PhonesOptions{Clock: collector.NewClock(), Site: "Ardenmoor Wash"}, doc)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// store puts a phone of that path into the list.
func store(t *testing.T, p *push.Phones, person, name string) (phone, exporter.Phone) {
	t.Helper()
	x := newPhone(t)
	kept, err := p.Store(t.Context(), person, name, at(x, name))
	if err != nil {
		t.Fatal(err)
	}
	return x, kept
}

var _ exporter.Phones = (*push.Phones)(nil)
var _ callout.Channel = (*push.Fan)(nil)

// A message for a person goes to each of their phones and to nobody else's, and each phone reads its own.
func TestEveryPhoneOfAPerson(t *testing.T) {
	e := newExchange(t)
	phones := newPhones(t, nil)
	keep(t, phones)
	fan := phones.Through(channel(t, e.opts))
	one, _ := store(t, phones, "n.quill", "one")
	two, _ := store(t, phones, "n.quill", "two")
	store(t, phones, "m.hartnell", "three")
	receipt, err := fan.Send(t.Context(), calltest.Message(push.Installed+" n.quill"))
	if err != nil || receipt != (callout.Receipt{Reference: "2 of 2 phones"}) {
		t.Fatalf("%+v, %v", receipt, err)
	}
	for name, p := range map[string]phone{"one": one, "two": two} {
		if len(e.got(name)) != 1 {
			t.Fatalf("%s got %d messages", name, len(e.got(name)))
		}
		plain, _, err := p.Open(e.got(name)[0])
		var got push.Payload
		if err := errors.Join(err, json.Unmarshal(plain, &got)); err != nil || got.Title != "Ardenmoor AIR header pressure low" {
			t.Errorf("%s reads %+v, %v", name, got, err)
		}
	}
	if len(e.got("three")) != 0 {
		t.Error("somebody else's phone rang")
	}
	if fan.Kind() != "push" {
		t.Errorf("kind %q", fan.Kind())
	}
	if _, err := fan.Send(t.Context(), calltest.Message(string(at(newPhone(t), "four")))); err != nil || len(e.got("four")) != 1 {
		t.Errorf("a subscription written out: %v, %d messages", err, len(e.got("four")))
	}
}

// What the services answer decides about the phone and about the message.
func TestPhonesThatAreGone(t *testing.T) {
	for _, tt := range []struct {
		name     string
		statuses []int // of the phones
		taken    bool
		forGood  bool
		left     int
	}{
		{"all take it", []int{201, 201}, true, false, 2},
		{"one is gone", []int{410, 201}, true, false, 1},
		{"one is out of order", []int{503, 201}, true, false, 2},
		{"all are gone", []int{404, 410}, false, true, 0},
		{"one is gone, one may take it later", []int{410, 503}, false, false, 1},
		{"refused", []int{400, 413}, false, true, 2},
		{"none", nil, false, true, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e := newExchange(t)
			phones := newPhones(t, nil)
			k := keep(t, phones)
			fan := phones.Through(channel(t, e.opts))
			for i, s := range tt.statuses {
				store(t, phones, "n.quill", fmt.Sprint("phone-", i))
				e.answer(fmt.Sprint("phone-", i), s)
			}
			_, err := fan.Send(t.Context(), calltest.Message(push.Installed+" n.quill"))
			if (err == nil) != tt.taken || errors.Is(err, callout.ErrForGood) != tt.forGood || errors.Is(err, callout.ErrGone) {
				t.Errorf("got %v", err)
			}
			if err != nil {
				calltest.Silent(t, err, "phone-0", "phone-1/", "p256dh", "/p/")
			}
			if got := phones.List("n.quill"); len(got) != tt.left {
				t.Errorf("%d phones are left, want %d", len(got), tt.left)
			}
			k.stop()
			if doc, changed := phones.Save(); changed {
				k.doc = doc
			}
			if again := newPhones(t, k.doc).List(""); len(again) != tt.left {
				t.Errorf("%d are kept, want %d", len(again), tt.left)
			}
		})
	}
}

// What was stored is on the record when Store returns, and a restart goes on with it.
func TestPhonesAreKept(t *testing.T) {
	e := newExchange(t)
	phones := newPhones(t, nil)
	k := keep(t, phones)
	c := channel(t, e.opts)
	phones.Through(c)
	one, err := phones.Store(t.Context(), "n.quill", "Niamh's \n phone\u0007 "+strings.Repeat("x", 50), at(newPhone(t), "one"))
	if err != nil {
		t.Fatal(err)
	}
	if want := "Niamh's phone " + strings.Repeat("x", 26); one.Name != want || one.Person != "n.quill" || one.Stale || one.Added.IsZero() {
		t.Errorf("got %+v", one)
	}
	two, err := phones.Store(t.Context(), "n.quill", "", at(newPhone(t), "two"))
	if err != nil || two.Name != "phone" {
		t.Errorf("%+v, %v", two, err)
	}
	if err := phones.Remove(t.Context(), "m.hartnell", one.ID); !errors.Is(err, exporter.ErrNoPhone) {
		t.Errorf("somebody else removed it: %v", err)
	}
	if err := phones.Remove(t.Context(), "n.quill", one.ID); err != nil {
		t.Error(err)
	}
	k.stop()
	again := newPhones(t, k.doc)
	if got := again.List(""); len(got) != 1 || got[0].ID != two.ID || !got[0].Stale {
		t.Errorf("after a restart, without a channel: %+v", got)
	}
	fan := again.Through(c)
	if got := again.List("n.quill"); len(got) != 1 || got[0].Stale || !got[0].Added.Equal(two.Added) {
		t.Errorf("after a restart: %+v", got)
	}
	if _, err := fan.Send(t.Context(), calltest.Message("installed n.quill")); err != nil || len(e.got("two")) != 1 {
		t.Errorf("after a restart: %v", err)
	}
	if _, err := push.NewPhones(push.PhonesOptions{Clock: collector.NewClock()}, []byte("{")); err == nil {
		t.Error("half a document is taken in silence")
	}
}

// Store waits for the record, and says so when it does not come.
func TestStoreWaitsForTheRecord(t *testing.T) {
	file := filepath.Join(t.TempDir(), "vapid.pem")
	x := newPhone(t)
	synctest.Test(t, func(t *testing.T) {
		phones := newPhones(t, nil)
		phones.Through(channel(t, push.Options{KeyFile: file, Contact: "desk@ardenmoor.example"}))
		if _, changed := phones.Save(); changed {
			t.Error("a change before there is one")
		}
		stored := make(chan error, 1)
		go func() {
			_, err := phones.Store(t.Context(), "n.quill", "one", at(x, "one"))
			stored <- err
		}()
		synctest.Wait()
		phones.Kept() // of a change that did not hold it
		synctest.Wait()
		select {
		case err := <-stored:
			t.Fatalf("stored before it was kept: %v", err)
		default:
		}
		if _, changed := phones.Save(); !changed {
			t.Error("no change")
		}
		phones.Kept()
		if err := <-stored; err != nil {
			t.Error(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := phones.Remove(ctx, "n.quill", phones.List("")[0].ID); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("without a record: %v", err)
		}
	})
}

func TestPhonesRefused(t *testing.T) {
	e := newExchange(t)
	phones := newPhones(t, nil)
	keep(t, phones)
	if _, err := phones.PublicKey(); err == nil {
		t.Error("a key without a channel")
	}
	if _, err := phones.Store(t.Context(), "n.quill", "x", at(newPhone(t), "x")); err == nil {
		t.Error("stored without a channel")
	}
	c := channel(t, e.opts)
	phones.Through(c)
	want, err := c.PublicKey()
	if got, err2 := phones.PublicKey(); err != nil || err2 != nil || got != want {
		t.Errorf("key %s, want %s", got, want)
	}
	_, err = phones.Store(t.Context(), "n.quill", "x", "secret-of-the-phone")
	if !errors.Is(err, exporter.ErrPhoneRefuse) {
		t.Errorf("no subscription: %v", err)
	}
	calltest.Silent(t, err, "secret-of-the-phone")
	for i := range push.MostPhones {
		store(t, phones, "n.quill", fmt.Sprint("phone-", i))
	}
	if _, err := phones.Store(t.Context(), "n.quill", "x", at(newPhone(t), "x")); !errors.Is(err, exporter.ErrPhoneLimit) {
		t.Errorf("one too many: %v", err)
	}
	before := phones.List("n.quill")
	if _, err := phones.Store(t.Context(), "n.quill", "again", at(newPhone(t), "phone-2")); err != nil {
		t.Errorf("the same phone again: %v", err)
	}
	if after := phones.List("n.quill"); len(after) != len(before) || after[4].Name != "again" {
		t.Errorf("the same phone again: %+v", after)
	}
	if _, err := phones.Store(t.Context(), "m.hartnell", "hers", at(newPhone(t), "phone-0")); err != nil || len(phones.List("n.quill")) != push.MostPhones-1 {
		t.Errorf("handed on: %v, %d left", err, len(phones.List("n.quill")))
	}
}

// A phone that was installed with a key that is lost cannot be reached: it is told, and not tried.
func TestAnotherKeyOfTheSite(t *testing.T) {
	e := newExchange(t)
	phones := newPhones(t, nil)
	keep(t, phones)
	phones.Through(channel(t, e.opts))
	_, one := store(t, phones, "n.quill", "one")
	e.opts.KeyFile = filepath.Join(t.TempDir(), "another.pem")
	fan := phones.Through(channel(t, e.opts))
	if got := phones.List("n.quill"); !got[0].Stale {
		t.Errorf("got %+v", got)
	}
	_, err := fan.Send(t.Context(), calltest.Message("installed n.quill"))
	if !errors.Is(err, callout.ErrForGood) || !strings.Contains(err.Error(), "install it anew") || len(e.got("one")) != 0 {
		t.Errorf("%v, %d sent", err, len(e.got("one")))
	}
	if err := phones.Test(t.Context(), "n.quill", one.ID); err == nil {
		t.Error("a test went")
	}
}

func TestTestMessage(t *testing.T) {
	e := newExchange(t)
	phones := newPhones(t, nil)
	keep(t, phones)
	phones.Through(channel(t, e.opts))
	p, one := store(t, phones, "n.quill", "one")
	store(t, phones, "n.quill", "two")
	if err := phones.Test(t.Context(), "n.quill", one.ID); err != nil {
		t.Fatal(err)
	}
	plain, _, err := p.Open(e.got("one")[0])
	var got push.Payload
	if err := errors.Join(err, json.Unmarshal(plain, &got)); err != nil || got.Subject != "drill" || got.Title != "Ardenmoor Wash TEST: nothing is wrong" ||
		!strings.HasSuffix(got.Body, callout.Caution) || got.Alarm != "" {
		t.Errorf("%+v, %v", got, err)
	}
	if len(e.got("two")) != 0 {
		t.Error("the other phone rang too")
	}
	for _, who := range [][2]string{{"m.hartnell", one.ID}, {"n.quill", "x"}} {
		if err := phones.Test(t.Context(), who[0], who[1]); !errors.Is(err, exporter.ErrNoPhone) {
			t.Errorf("%v: %v", who, err)
		}
	}
	e.answer("one", http.StatusGone)
	if err := phones.Test(t.Context(), "n.quill", one.ID); !errors.Is(err, callout.ErrGone) || len(phones.List("n.quill")) != 1 {
		t.Errorf("%v, %d left", err, len(phones.List("n.quill")))
	}
}

// What pages and logs can get of a phone tells nothing by which somebody could write to it.
func TestPhonesTellNoSecret(t *testing.T) {
	e := newExchange(t)
	phones := newPhones(t, nil)
	keep(t, phones)
	phones.Through(channel(t, e.opts))
	x, kept := store(t, phones, "n.quill", "one")
	said := fmt.Sprintf("%+v %+v %v", kept, phones.List(""), at(x, "one"))
	for _, secret := range []string{"push.example.net", base64.RawURLEncoding.EncodeToString(x.Secret), base64.RawURLEncoding.EncodeToString(x.Private.PublicKey().Bytes())} {
		if strings.Contains(said, secret) {
			t.Errorf("%s stands in %s", secret, said)
		}
	}
}
