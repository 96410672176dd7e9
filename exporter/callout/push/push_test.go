package push_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"roundsman/collector/outsidetest"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/internal/calltest"
	"roundsman/exporter/callout/push"
	"roundsman/exporter/callout/push/pushtest"
	"roundsman/rules"
)

// service is a push service for push.example.net, over TLS.
type service struct {
	opts    push.Options
	headers []http.Header
	bodies  [][]byte
}

func start(t *testing.T, answer http.HandlerFunc) *service {
	t.Helper()
	s := &service{}
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, err := io.ReadAll(q.Body)
		if err != nil || q.Method != http.MethodPost || q.URL.Path != "/p/secret-of-the-phone" {
			t.Errorf("%s %s: %v", q.Method, q.URL, err)
		}
		s.headers, s.bodies = append(s.headers, q.Header), append(s.bodies, body)
		answer(w, q)
	}))
	certificate, file := calltest.Certificate(t, "push.example.net")
	server.Config.ErrorLog = log.New(io.Discard, "", 0)
	server.TLS = &tls.Config{Certificates: []tls.Certificate{certificate}}
	server.StartTLS()
	t.Cleanup(server.Close)
	s.opts = push.Options{
		KeyFile: filepath.Join(t.TempDir(), "vapid.pem"), Contact: "mailto:desk@ardenmoor.example", CAFile: file,
		Dial: func(ctx context.Context, network, address string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, network, server.Listener.Addr().String())
		},
	}
	return s
}

func created(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Location", "https://push.example.net/m/secret-of-the-message")
	w.WriteHeader(http.StatusCreated)
}

func channel(t *testing.T, o push.Options) *push.Channel {
	t.Helper()
	c, err := push.New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func newPhone(t testing.TB) phone {
	t.Helper()
	p, err := pushtest.NewPhone()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPhoneReadsTheMessage(t *testing.T) {
	for _, p := range []phone{appendixA(t), newPhone(t)} {
		s := start(t, created)
		c := channel(t, s.opts)
		m := calltest.Message(p.Subscription("secret-of-the-phone"))
		m.Repeat = true
		receipt, err := c.Send(t.Context(), m)
		if err != nil {
			t.Fatal(err)
		}
		if receipt != (callout.Receipt{Reference: "push.example.net"}) {
			t.Errorf("receipt %+v", receipt)
		}
		plain, _, err := p.Open(s.bodies[0])
		if err != nil {
			t.Fatal(err)
		}
		var got push.Payload
		if err := json.Unmarshal(plain, &got); err != nil {
			t.Fatal(err)
		}
		want := push.Payload{Key: m.Key, Subject: "alarm", Site: m.Site, Alarm: m.Alarm, Thread: m.Thread, Priority: "high",
			Title: m.Title, Body: m.Text, Link: m.Link, Number: 7, Created: m.Created, Repeat: true}
		if got != want {
			t.Errorf("got %+v\nwant %+v", got, want)
		}
		tok, err := verify(s.headers[0].Get("Authorization"))
		if err != nil {
			t.Fatal(err)
		}
		ahead := time.Until(time.Unix(int64(tok.claims["exp"].(float64)), 0))
		if tok.claims["aud"] != "https://push.example.net" || tok.claims["sub"] != "mailto:desk@ardenmoor.example" || ahead <= 0 || ahead > 24*time.Hour {
			t.Errorf("claims %v, %v ahead", tok.claims, ahead)
		}
		public, err := c.PublicKey()
		if err != nil || public != base64.RawURLEncoding.EncodeToString(tok.key) {
			t.Errorf("the page's key %s (%v) is not the one that signed", public, err)
		}
		h := s.headers[0]
		if h.Get("Ttl") != "14400" || h.Get("Urgency") != "high" || h.Get("Content-Encoding") != "aes128gcm" || len(h.Get("Topic")) != 32 {
			t.Errorf("headers %v", h)
		}
		if bytes.Equal(tok.key, s.bodies[0][21:86]) {
			t.Error("one key signs and encrypts (RFC 8292, section 2)")
		}
	}
}

// The body opens with other people's cryptography, too.
func TestForeignDecoder(t *testing.T) {
	p := newPhone(t)
	s := start(t, created)
	m := calltest.Message(p.Subscription("secret-of-the-phone"))
	if _, err := channel(t, s.opts).Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	want, _, err := p.Open(s.bodies[0])
	if err != nil {
		t.Fatal(err)
	}
	enc := base64.RawURLEncoding.EncodeToString
	decrypt := func(t *testing.T, python string, body []byte, arguments ...string) []byte {
		t.Helper()
		cmd := exec.Command(python, append([]string{"testdata/decrypt.py"}, arguments...)...)
		cmd.Stdin = bytes.NewReader(body)
		cmd.Stderr = os.Stderr
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	python := outsidetest.Python(t, "python3-cryptography", "cryptography.hazmat.primitives.kdf.hkdf")
	if got := decrypt(t, python, b64(t, appendixBody), appendixPrivate, appendixSecret); string(got) != "When I grow up, I want to be a watermelon" {
		t.Errorf("RFC 8291, Appendix A reads %q", got)
	}
	if got := decrypt(t, python, s.bodies[0], enc(p.Private.Bytes()), enc(p.Secret)); !bytes.Equal(got, want) {
		t.Errorf("reads %q, want %q", got, want)
	}
}

func TestLongTextsAreCut(t *testing.T) {
	p := newPhone(t)
	s := start(t, created)
	c := channel(t, s.opts)
	for _, tt := range []struct{ title, text string }{
		{"Low", strings.Repeat("x", 100000)}, {"Low", strings.Repeat("°", 5000)}, {"Low", strings.Repeat("\x00", 5000)},
		{"Low", strings.Repeat("🚿", 3000)}, {"Low", "a" + strings.Repeat("🚿", 3000)}, {"Low", "ab" + strings.Repeat("🚿", 3000)},
		{"Low", "a" + strings.Repeat("°", 5000)}, {strings.Repeat("T", 6000), "text"}, {"Low", strings.Repeat("x", 3600)},
		{"Low", strings.Repeat("x\"\\\n", 900)}, {"Low", "\xff\xfe" + strings.Repeat("\x80", 4000)},
	} {
		m := calltest.Message(p.Subscription("secret-of-the-phone"))
		m.Title, m.Text = tt.title, tt.text
		if _, err := c.Send(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		body := s.bodies[len(s.bodies)-1]
		plain, _, err := p.Open(body)
		if err != nil {
			t.Fatal(err)
		}
		var got push.Payload
		if err := json.Unmarshal(plain, &got); err != nil {
			t.Fatal(err)
		}
		if len(body) != 4096 || len(plain) > push.Room || len(plain) < push.Room-40 && len(tt.text) > 3700 && utf8.ValidString(tt.text) {
			t.Errorf("body %d, payload %d bytes", len(body), len(plain))
		}
		if got.Link != m.Link || got.Alarm != m.Alarm || !utf8.ValidString(got.Body) || got.Title == "" {
			t.Errorf("link %q, alarm %q, title %.20q", got.Link, got.Alarm, got.Title)
		}
		if strings.HasSuffix(got.Body, "�…") && utf8.ValidString(tt.text) {
			t.Errorf("cut within a character: %q", got.Body[len(got.Body)-20:])
		}
	}
	m := calltest.Message(p.Subscription("secret-of-the-phone"))
	m.Link, m.Title, m.Site = strings.Repeat("l", 9000), strings.Repeat("T", 9000), strings.Repeat("s", 9000)
	if _, err := c.Send(t.Context(), m); err != nil {
		t.Errorf("with nothing that fits: %v", err)
	}
}

func TestUrgencyAndTopic(t *testing.T) {
	p := newPhone(t)
	s := start(t, created)
	c := channel(t, s.opts)
	send := func(change func(*callout.Message)) http.Header {
		m := calltest.Message(p.Subscription("secret-of-the-phone"))
		change(m)
		if _, err := c.Send(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		return s.headers[len(s.headers)-1]
	}
	for priority, want := range map[rules.Priority]string{rules.HighPriority: "high", rules.MediumPriority: "normal", rules.LowPriority: "low", rules.NoPriority: "normal"} {
		if got := send(func(m *callout.Message) { m.Priority = priority }).Get("Urgency"); got != want {
			t.Errorf("%v: urgency %q, want %q", priority, got, want)
		}
	}
	if got := send(func(m *callout.Message) { m.Priority, m.Subject = rules.LowPriority, callout.AboutDrill }).Get("Urgency"); got != "high" {
		t.Errorf("a drill has urgency %q", got)
	}
	start := send(func(*callout.Message) {}).Get("Topic")
	if end := send(func(m *callout.Message) { m.Subject, m.Key = callout.AboutReturn, "2" }).Get("Topic"); end != start {
		t.Errorf("the return to normal does not replace its alarm: topics %s and %s", start, end)
	}
	if other := send(func(m *callout.Message) { m.Thread = "other" }).Get("Topic"); other == start {
		t.Error("another alarm replaces this one")
	}
	if got := send(func(m *callout.Message) { m.Thread = "" }).Get("Topic"); got != "" {
		t.Errorf("no thread, topic %q", got)
	}
}

func TestWhatAStatusMeans(t *testing.T) {
	p := newPhone(t)
	for _, tt := range []struct {
		status int
		want   error // nil: temporary
		wait   time.Duration
	}{
		{404, callout.ErrGone, 0}, {410, callout.ErrGone, 0}, {429, nil, 30 * time.Second}, {503, nil, 30 * time.Second},
		{500, nil, 30 * time.Second}, {413, callout.ErrForGood, 0}, {400, callout.ErrForGood, 0}, {403, callout.ErrForGood, 0}, {302, nil, 0},
	} {
		t.Run(strconv.Itoa(tt.status), func(t *testing.T) {
			s := start(t, func(w http.ResponseWriter, _ *http.Request) {
				w.Header().Set("Retry-After", "30")
				w.Header().Set("Location", "https://push.example.net/other")
				w.WriteHeader(tt.status)
			})
			_, err := channel(t, s.opts).Send(t.Context(), calltest.Message(p.Subscription("secret-of-the-phone")))
			calltest.Silent(t, err, "secret-of", base64.RawURLEncoding.EncodeToString(p.Secret))
			for _, class := range []error{callout.ErrGone, callout.ErrForGood, callout.ErrPerhaps} {
				if errors.Is(err, class) != (class == tt.want) {
					t.Errorf("%v: is %v: %v", err, class, !(class == tt.want))
				}
			}
			if got := callout.Wait(err); got != tt.wait {
				t.Errorf("wait %v, want %v", got, tt.wait)
			}
		})
	}
}

func TestSilence(t *testing.T) {
	file := filepath.Join(t.TempDir(), "key.pem")
	p := newPhone(t)
	synctest.Test(t, func(t *testing.T) {
		ended := make(chan struct{})
		c := channel(t, push.Options{KeyFile: file, Contact: "https://ardenmoor.example/contact",
			Dial: func(context.Context, string, string) (net.Conn, error) {
				ours, theirs := net.Pipe()
				go func() { io.Copy(io.Discard, theirs); theirs.Close(); close(ended) }()
				return ours, nil
			}})
		begin := time.Now()
		_, err := c.Send(t.Context(), calltest.Message(p.Subscription("secret-of-the-phone")))
		if took := time.Since(begin); took != 10*time.Second || !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%v after %v", err, took)
		}
		calltest.Silent(t, err, "secret-of")
		<-ended
	})
}

func TestSubscriptionsRefused(t *testing.T) {
	p := newPhone(t)
	good := p.Subscription("secret-of-the-phone")
	public := base64.RawURLEncoding.EncodeToString(p.Private.PublicKey().Bytes())
	secret := base64.RawURLEncoding.EncodeToString(p.Secret)
	if _, err := push.ParseSubscription(good); err != nil {
		t.Fatal(err)
	}
	padded := strings.NewReplacer(public, base64.StdEncoding.EncodeToString(p.Private.PublicKey().Bytes()), secret, base64.URLEncoding.EncodeToString(p.Secret)).Replace(good)
	if s, err := push.ParseSubscription(padded); err != nil || s.Keys.P256dh != public || s.Keys.Auth != secret {
		t.Errorf("the other spellings of base64: %v", err)
	}
	off := p.Private.PublicKey().Bytes()
	off[64] ^= 1
	for name, text := range map[string]string{
		"nothing":        "",
		"no JSON":        "secret-of-the-phone",
		"http":           strings.Replace(good, "https:", "http:", 1),
		"an address":     strings.Replace(good, "push.example.net", "10.0.4.10", 1),
		"v6":             strings.Replace(good, "push.example.net", "[::1]:443", 1),
		"the box itself": strings.Replace(good, "push.example.net", "localhost", 1),
		"a LAN name":     strings.Replace(good, "push.example.net", "plc.local", 1),
		"a user":         strings.Replace(good, "push.example.net", "a:b@push.example.net", 1),
		"no host":        strings.Replace(good, "push.example.net", "", 1),
		"no key":         strings.Replace(good, public, "", 1),
		"short key":      strings.Replace(good, public, public[:80], 1),
		"off the curve":  strings.Replace(good, public, base64.RawURLEncoding.EncodeToString(off), 1),
		"no secret":      strings.Replace(good, secret, "", 1),
		"long secret":    strings.Replace(good, secret, secret+"AAAA", 1),
		"endless":        good[:len(good)-1] + `,"x":"` + strings.Repeat("x", 5000) + `"}`,
	} {
		_, err := push.ParseSubscription(text)
		if err == nil {
			t.Errorf("%s is taken", name)
			continue
		}
		calltest.Silent(t, err, "secret-of", secret, public)
	}
	_, err := channel(t, start(t, created).opts).Send(t.Context(), calltest.Message("{}"))
	if !errors.Is(err, callout.ErrForGood) {
		t.Errorf("a broken subscription: %v", err)
	}
}

func TestKeyFile(t *testing.T) {
	folder := t.TempDir()
	file := filepath.Join(folder, "vapid.pem")
	o := push.Options{KeyFile: file, Contact: "desk@ardenmoor.example"}
	first, err := channel(t, o).PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v (%v)", info.Mode(), err)
	}
	if left, _ := os.ReadDir(folder); len(left) != 1 {
		t.Errorf("beside the key stand %v", left)
	}
	if again, err := channel(t, o).PublicKey(); again != first || err != nil {
		t.Errorf("a second start has the key %s (%v), the first had %s", again, err, first)
	}
	secret, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	line := strings.Split(string(secret), "\n")[1]
	for name, breakIt := range map[string]func(){
		"readable by others": func() { os.Chmod(file, 0o640) },
		"no PEM":             func() { os.WriteFile(file, []byte(line), 0o600) },
		"half a key":         func() { os.WriteFile(file, secret[:len(secret)/2], 0o600) },
		"broken inside":      func() { os.WriteFile(file, bytes.Replace(secret, []byte(line[:9]), []byte("AAAAAAAAA"), 1), 0o600) },
	} {
		breakIt()
		before, _ := os.ReadFile(file)
		_, err := push.New(o)
		calltest.Silent(t, err, line)
		if after, _ := os.ReadFile(file); !bytes.Equal(before, after) {
			t.Errorf("%s: the file was written over", name)
		}
		os.WriteFile(file, secret, 0o600)
		os.Chmod(file, 0o600)
	}
	os.Remove(file)
	c := &push.Channel{}
	if _, err := c.PublicKey(); err == nil {
		t.Error("a key without a file")
	}
	if _, err := push.New(push.Options{Contact: o.Contact}); err == nil {
		t.Error("no key file named, no error")
	}
}

// The key is an ordinary one to a foreign tool.
func TestKeyFileReadByOpenSSL(t *testing.T) {
	openssl := outsidetest.Program(t, "openssl", "openssl")
	file := filepath.Join(t.TempDir(), "vapid.pem")
	public, err := channel(t, push.Options{KeyFile: file, Contact: "desk@ardenmoor.example"}).PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(openssl, "pkey", "-in", file, "-pubout", "-outform", "DER").Output()
	if err != nil || !bytes.HasSuffix(out, b64(t, public)) {
		t.Errorf("openssl reads %x (%v), want the end %x", out, err, b64(t, public))
	}
}

func TestContacts(t *testing.T) {
	file := filepath.Join(t.TempDir(), "vapid.pem")
	for contact, ok := range map[string]bool{
		"desk@ardenmoor.example": true, "mailto:desk@ardenmoor.example": true, "https://ardenmoor.example/who": true,
		"": false, "desk": false, "mailto:mailto:desk@ardenmoor.example": false, "http://ardenmoor.example": false,
		"desk@box.local": false, "desk@localhost": false, "https://localhost/": false, "https://10.0.0.1/": false,
		"Desk <desk@ardenmoor.example>": false, "tel:+15550100": false,
	} {
		if _, err := push.New(push.Options{KeyFile: file, Contact: contact}); (err == nil) != ok {
			t.Errorf("contact %q: %v", contact, err)
		}
	}
}

func TestCutAtACharactersEdge(t *testing.T) {
	for n, want := range []string{"", "a…", "a…", "a°…", "a°…", "a°…", "a°…", "a°🚿"} {
		if got := push.Shorten("a°🚿", n); got != want {
			t.Errorf("to %d bytes: %q, want %q", n, got, want)
		}
	}
}
