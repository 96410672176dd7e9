package mail_test

import (
	"encoding/json"
	"errors"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	netmail "net/mail"
	"os/exec"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector/outsidetest"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/internal/calltest"
	"roundsman/exporter/callout/mail"
	"roundsman/rules"
)

var written = time.Date(2026, 11, 25, 6, 12, 4, 0, time.FixedZone("CET", 3600))

// compose returns the mail of a message as the server gets it, dots unstuffed.
func compose(t *testing.T, m *callout.Message) string {
	t.Helper()
	var text string
	synctest.Test(t, func(t *testing.T) {
		s := &script{answers: map[string]string{}}
		o := func(o *mail.Options) {
			o.From, o.ReplyTo = "Rundgänger Süd <roundsman@ardenmoor.example>", "desk@ardenmoor.example"
			o.Now = func() time.Time { return written.Add(90 * time.Minute).UTC() }
		}
		s.message = m
		if _, _, err := s.send(t, o); err != nil {
			t.Fatal(err)
		}
		text = s.mails[0]
	})
	text = strings.TrimSuffix(text, ".\r\n")
	return strings.ReplaceAll(text, "\r\n..", "\r\n.")
}

func hard() *callout.Message {
	m := calltest.Message("n.quill@wash.example")
	m.Title = "Ardenmoor HYD tank 71 °C, high 70 °C – " + strings.Repeat("größer als erlaubt ", 6) + "Ende"
	m.Person = `Niamh "Nia" Quíll`
	m.HTML = "<p>Öl 71&nbsp;°C</p>" + strings.Repeat("x", 2000)
	m.Text = "Öl 71 °C\n.\n..zwei Punkte\nFrom here\n" + strings.Repeat("lang ", 400) + "\n" + strings.Repeat("y", 1500)
	m.Created, m.Repeat, m.Late = written, true, true
	return m
}

// RFC 5322, section 2.1.1 (998, better 78), RFC 2047, section 2 (76 for a line with an encoded word).
func TestLines(t *testing.T) {
	text := compose(t, hard())
	head, body, _ := strings.Cut(text, "\r\n\r\n")
	for line := range strings.SplitSeq(head, "\r\n") {
		if len(line) > 78 || strings.Contains(line, "=?") && len(line) > 76 {
			t.Errorf("header line of %d: %s", len(line), line)
		}
	}
	for line := range strings.SplitSeq(body, "\r\n") {
		if len(line) > 78 {
			t.Errorf("body line of %d: %s", len(line), line)
		}
	}
	if strings.Contains(strings.ReplaceAll(text, "\r\n", ""), "\n") || strings.Contains(strings.ReplaceAll(text, "\r\n", ""), "\r") {
		t.Error("a line break that is not CR LF")
	}
	if !ascii(text) {
		t.Error("a byte outside ASCII is on the wire, though the server offers no 8BITMIME")
	}
	for _, unwanted := range []string{"X-Mailer", "User-Agent", "go-mail"} {
		if strings.Contains(text, unwanted) {
			t.Errorf("the mail tells of %s", unwanted)
		}
	}
}

func ascii(s string) bool { return strings.IndexFunc(s, func(r rune) bool { return r > 0x7e }) < 0 }

// Titles that make folding hard keep their text and their lines short.
func TestSubjects(t *testing.T) {
	for _, title := range []string{
		"Low", strings.Repeat("z", 170), strings.Repeat("°", 170), strings.Repeat("plain words ", 14) + "end",
		" leading and  double  spaces ", "Ardenmoor =?utf-8?q?=41?= low", "a_b=c?d", "\ttab", strings.Repeat("🚿", 60),
		strings.Repeat("w", 62) + " b", strings.Repeat("w", 54) + " b",
	} {
		m := calltest.Message("n.quill@wash.example")
		m.Title = title
		text := compose(t, m)
		for line := range strings.SplitSeq(text, "\r\n") {
			if len(line) > 78 {
				t.Errorf("%q: line of %d", title, len(line))
			}
		}
		msg, err := netmail.ReadMessage(strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		if got, err := new(mime.WordDecoder).DecodeHeader(msg.Header.Get("Subject")); got != title {
			t.Errorf("subject %q (%v), want %q", got, err, title)
		}
	}
	m := calltest.Message("n.quill@wash.example")
	m.Title = strings.Repeat("z", 5000)
	if text := compose(t, m); len(text) > 5000 || !strings.Contains(text, "...?=\r\n") {
		t.Errorf("an endless title makes %d bytes", len(text))
	}
}

// The headers, read back with Go's own package.
func TestHeadersReadBack(t *testing.T) {
	m := hard()
	msg, err := netmail.ReadMessage(strings.NewReader(compose(t, m)))
	if err != nil {
		t.Fatal(err)
	}
	title, err := new(mime.WordDecoder).DecodeHeader(msg.Header.Get("Subject"))
	if err != nil || title != m.Title {
		t.Errorf("subject %q (%v), want %q", title, err, m.Title)
	}
	date, err := msg.Header.Date()
	if err != nil || !date.Equal(written.Add(90*time.Minute)) || !strings.HasSuffix(msg.Header.Get("Date"), "+0100") {
		t.Errorf("date %q (%v), want the time of sending in the site's zone", msg.Header.Get("Date"), err)
	}
	to, err := msg.Header.AddressList("To")
	if err != nil || len(to) != 1 || *to[0] != (netmail.Address{Name: m.Person, Address: m.To}) {
		t.Errorf("to %v (%v)", to, err)
	}
	from, err := msg.Header.AddressList("From")
	if err != nil || *from[0] != (netmail.Address{Name: "Rundgänger Süd", Address: "roundsman@ardenmoor.example"}) {
		t.Errorf("from %v (%v)", from, err)
	}
	for name, want := range map[string]string{
		"Auto-Submitted": "auto-generated", "Importance": "high", "Mime-Version": "1.0", "Reply-To": "<desk@ardenmoor.example>",
		"In-Reply-To": msg.Header.Get("References"),
	} {
		if got := msg.Header.Get(name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	kind, parameters, err := mime.ParseMediaType(msg.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/alternative" {
		t.Fatalf("%s (%v)", kind, err)
	}
	parts := multipart.NewReader(msg.Body, parameters["boundary"])
	plain, rich := readPart(t, parts, "text/plain"), readPart(t, parts, "text/html")
	if !strings.HasSuffix(rich, `<p><a href="https://wash.example/a/Zk3?x=1&amp;y=2">Acknowledge</a></p>`) || !strings.HasPrefix(rich, m.HTML) {
		t.Errorf("HTML %q", rich)
	}
	want := "Sent again: an earlier copy of this mail may have reached you.\n" +
		"Late: written 2026-11-25 06:12 CET, sent 2026-11-25 07:42 CET.\n\n" + m.Text + "\n\nAcknowledge: " + m.Link + "\n"
	if strings.ReplaceAll(plain, "\r\n", "\n") != want {
		t.Errorf("plain %q\nwant %q", plain, want)
	}
}

func readPart(t *testing.T, parts *multipart.Reader, kind string) string {
	t.Helper()
	p, err := parts.NextRawPart()
	if err != nil {
		t.Fatal(err)
	}
	if got := p.Header.Get("Content-Type"); got != kind+"; charset=UTF-8" {
		t.Errorf("part %q, want %s", got, kind)
	}
	b, err := io.ReadAll(quotedprintable.NewReader(p))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// The same, read with Python's email package, which reports defects of its own.
func TestHeadersReadBackByPython(t *testing.T) {
	python := outsidetest.Python(t, "python3", "email.policy")
	m := hard()
	cmd := exec.Command(python, "testdata/read.py")
	cmd.Stdin = strings.NewReader(compose(t, m))
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Headers     map[string]string
		From, To    [][]string
		Date        string
		Defects     []string
		Plain, HTML string
	}
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Defects) > 0 {
		t.Errorf("defects: %q", got.Defects)
	}
	if got.Headers["Subject"] != m.Title || got.To[0][0] != m.Person || got.To[0][1] != m.To || got.From[0][0] != "Rundgänger Süd" {
		t.Errorf("subject %q, from %q, to %q", got.Headers["Subject"], got.From, got.To)
	}
	if got.Date != "2026-11-25T07:42:04+01:00" || got.Headers["Auto-Submitted"] != "auto-generated" {
		t.Errorf("date %s, headers %q", got.Date, got.Headers)
	}
	if !strings.Contains(got.Plain, "\n.\n..zwei Punkte\nFrom here\n") || !strings.HasPrefix(got.HTML, m.HTML) {
		t.Errorf("plain %q\nHTML %q", got.Plain, got.HTML)
	}
}

// 'Temp 71 °C' in a subject, as Python's email package writes it and RFC 2047, section 4.2 defines it.
func TestEncodedWord(t *testing.T) {
	m := calltest.Message("n.quill@wash.example")
	m.Title = "Temp 71 °C"
	if text := compose(t, m); !strings.Contains(strings.ToLower(text), strings.ToLower("\r\nSubject: =?utf-8?q?Temp_71_=C2=B0C?=\r\n")) {
		t.Errorf("no such subject in %s", text)
	}
}

// Mails of one alarm hang together; each message has an id of its own, the same at every try and for nobody else.
func TestThreads(t *testing.T) {
	header := func(m *callout.Message, name string) string {
		msg, err := netmail.ReadMessage(strings.NewReader(compose(t, m)))
		if err != nil {
			t.Fatal(err)
		}
		return msg.Header.Get(name)
	}
	start := calltest.Message("n.quill@wash.example")
	end := calltest.Message("n.quill@wash.example")
	end.Key, end.Subject, end.Priority = "another", callout.AboutReturn, rules.LowPriority
	other := calltest.Message("n.quill@wash.example")
	other.Thread = "oil-hot-1812"
	if a, b := header(start, "References"), header(end, "References"); a != b || !strings.HasSuffix(a, "@ardenmoor.example>") {
		t.Errorf("start refers to %q, end to %q", a, b)
	}
	if a, b := header(start, "References"), header(other, "References"); a == b {
		t.Errorf("two alarms share the thread %s", a)
	}
	if a, b := header(start, "Message-ID"), header(end, "Message-ID"); a == b || a == header(start, "References") {
		t.Errorf("ids %q and %q", a, b)
	}
	if got := header(end, "Importance"); got != "" {
		t.Errorf("a low priority is of importance %q", got)
	}
	start.Thread = ""
	if got := header(start, "References"); got != "" {
		t.Errorf("a message without thread refers to %q", got)
	}
}

func TestInjectionIsRefused(t *testing.T) {
	for name, change := range map[string]func(*callout.Message){
		"title":       func(m *callout.Message) { m.Title = "Low\r\nBcc: all@world.example" },
		"bare LF":     func(m *callout.Message) { m.Title = "Low\nBcc: all@world.example" },
		"bare CR":     func(m *callout.Message) { m.Title = "Low\rBcc: all@world.example" },
		"NUL":         func(m *callout.Message) { m.Title = "Low\x00" },
		"next line":   func(m *callout.Message) { m.Title = "Low\u0085Bcc: x" },
		"no title":    func(m *callout.Message) { m.Title = "" },
		"person":      func(m *callout.Message) { m.Person = "N\r\nBcc: all@world.example" },
		"address":     func(m *callout.Message) { m.To = "n@wash.example\r\nRCPT TO:<all@world.example>" },
		"two":         func(m *callout.Message) { m.To = "n@wash.example, all@world.example" },
		"quoted":      func(m *callout.Message) { m.To = `"a\" x"@wash.example` },
		"name in it":  func(m *callout.Message) { m.To = "=?utf-8?q?a=0D=0ABcc:_x?= <n@wash.example>" },
		"empty":       func(m *callout.Message) { m.To = "" },
		"long":        func(m *callout.Message) { m.To = strings.Repeat("a", 65) + "@wash.example" },
		"long domain": func(m *callout.Message) { m.To = "a@" + strings.Repeat("a.", 130) + "example" },
		"not ASCII":   func(m *callout.Message) { m.To = "jörg@wash.example" },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := &script{answers: map[string]string{}, message: calltest.Message("n.quill@wash.example")}
				change(s.message)
				_, _, err := s.send(t, nil)
				if !errors.Is(err, callout.ErrForGood) || len(s.said) > 0 {
					t.Errorf("got %v after %q, want a refusal before a word is said", err, s.said)
				}
			})
		})
	}
}
