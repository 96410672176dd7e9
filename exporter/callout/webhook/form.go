package webhook

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/textproto"
	"strings"
	"text/template"
	"time"
	"unicode/utf8"

	"roundsman/exporter/callout"
	"roundsman/rules"
)

// DefaultBody is the body without a template of the site's own: one JSON object.
const DefaultBody = `{"key":{{json .Key}},"subject":{{json .Subject}},"site":{{json .Site}},"alarm":{{json .Alarm}},` +
	`"thread":{{json .Thread}},"priority":{{json .Priority}},"person":{{json .Person}},"title":{{json .Title}},` +
	`"text":{{json .Text}},"link":{{json .Link}},"number":{{.Number}},"created":{{json .Created}},"sent":{{json .Sent}},` +
	`"try":{{.Try}},"repeat":{{.Repeat}},"late":{{.Late}}}`

// bodyLimit is the longest body a template may make, in bytes.
const bodyLimit = 64 << 10

// Fields are what templates can name.
type Fields struct {
	Key, Subject, Site, Alarm, Thread, Priority, Person string
	Title, Short, Text, HTML, Link                      string

	Number, Try   int
	Repeat, Late  bool
	Created, Sent time.Time
}

func fields(m *callout.Message, now time.Time) Fields {
	return Fields{
		Key: m.Key, Subject: m.Subject.String(), Site: m.Site, Alarm: m.Alarm, Thread: m.Thread,
		Priority: m.Priority.String(), Person: m.Person,
		Title: m.Title, Short: m.Short, Text: m.Text, HTML: m.HTML, Link: m.Link,
		Number: m.Number, Try: m.Try, Repeat: m.Repeat, Late: m.Late,
		Created: m.Created, Sent: now.In(m.Created.Location()),
	}
}

// functions are what templates can call besides the language's own: json quotes
// a value, line makes one line of a text, cut shortens it to n characters.
func functions() template.FuncMap {
	return template.FuncMap{
		"json":  quote,
		"line":  func(s string) string { return strings.Join(strings.Fields(s), " ") },
		"cut":   cut,
		"upper": strings.ToUpper,
		"lower": strings.ToLower,
		"unix":  func(t time.Time) int64 { return t.Unix() },
	}
}

func quote(v any) (string, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	return strings.TrimSuffix(b.String(), "\n"), err
}

func cut(n int, s string) string {
	if n < 0 || utf8.RuneCountInString(s) <= n {
		return s
	}
	return string([]rune(s)[:n])
}

// forms are the parsed templates of a body and its headers.
type forms struct {
	body    *template.Template
	headers map[string]*template.Template
	json    bool
}

// awkward is a message with everything in it that breaks a body put together without care.
func awkward() Fields {
	hard := "a \"quoted\" \\ 5 < 6 & 'more'\nsecond line\t\u00e9 \u2028 71 \u00b0C"
	return Fields{
		Key: hard, Subject: callout.AboutDrill.String(), Site: hard, Alarm: hard, Thread: hard,
		Priority: rules.HighPriority.String(), Person: hard, Title: hard, Short: hard, Text: hard, HTML: hard,
		Link: "https://box.example/a?b=1&c=2", Number: 7, Try: 1, Created: time.Unix(0, 0).UTC(), Sent: time.Unix(9, 0).UTC(),
	}
}

func parse(o Options) (forms, error) {
	f := forms{headers: make(map[string]*template.Template)}
	kind, _, err := mime.ParseMediaType(o.ContentType)
	if err != nil {
		return f, fmt.Errorf("content type %q: %w", o.ContentType, err)
	}
	f.json = kind == "application/json" || strings.HasSuffix(kind, "+json")
	if f.body, err = parseOne("body", o.Body); err != nil {
		return f, err
	}
	for name, text := range o.Headers {
		if f.headers[name], err = parseOne("header "+name, text); err != nil {
			return f, err
		}
	}
	_, _, err = f.fill(awkward())
	return f, err
}

func parseOne(name, text string) (*template.Template, error) {
	return template.New(name).Option("missingkey=error").Funcs(functions()).Parse(text)
}

func (f forms) fill(v Fields) (body []byte, headers map[string]string, err error) {
	if body, err = run(f.body, v); err != nil {
		return nil, nil, err
	}
	if f.json && !json.Valid(body) {
		return nil, nil, errors.New("body: is no JSON; quote each text with {{json .Text}}")
	}
	headers = make(map[string]string, len(f.headers))
	for name, t := range f.headers {
		value, err := run(t, v)
		if err != nil {
			return nil, nil, err
		}
		// A header is one line: what a text brings must not begin another.
		headers[name] = strings.Join(strings.FieldsFunc(string(value), control), " ")
	}
	return body, headers, nil
}

func control(r rune) bool { return r < ' ' || r == 0x7f || r == '\u2028' || r == '\u2029' }

func run(t *template.Template, v Fields) ([]byte, error) {
	var b limited
	if err := t.Execute(&b, v); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// limited is a buffer that refuses to grow beyond bodyLimit, so that a template in a circle ends.
type limited struct{ bytes.Buffer }

func (l *limited) Write(p []byte) (int, error) {
	if l.Len()+len(p) > bodyLimit {
		return 0, fmt.Errorf("longer than %d bytes", bodyLimit)
	}
	return l.Buffer.Write(p)
}

// own are the headers that the channel and the protocol set themselves.
const own = " Connection Content-Length Content-Type Host Idempotency-Key Proxy-Authorization Te Trailer Transfer-Encoding Upgrade "

func checkHeaders(o Options) error {
	names := []string{o.SignatureHeader}
	for name := range o.Headers {
		names = append(names, name)
	}
	for name := range o.Secrets {
		names = append(names, name)
	}
	seen := make(map[string]bool)
	for _, name := range names {
		canonical := textproto.CanonicalMIMEHeaderKey(name)
		switch {
		case !token(name):
			return fmt.Errorf("header %q: not a header name", name)
		case strings.Contains(own, " "+canonical+" "):
			return fmt.Errorf("header %s: is set by the channel itself", name)
		case seen[canonical]:
			return fmt.Errorf("header %s: is given twice", name)
		}
		seen[canonical] = true
	}
	return nil
}

// token reports whether s is a token of RFC 9110, section 5.6.2.
func token(s string) bool {
	for _, c := range []byte(s) {
		letter := c >= '0' && c <= '9' || c|0x20 >= 'a' && c|0x20 <= 'z'
		if !letter && strings.IndexByte("!#$%&'*+-.^_`|~", c) < 0 {
			return false
		}
	}
	return s != ""
}

// fieldValue reports whether s can be a header's value (RFC 9110, section 5.5).
func fieldValue(s string) bool {
	for _, c := range []byte(s) {
		if c < ' ' && c != '\t' || c == 0x7f {
			return false
		}
	}
	return true
}
