package mail

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"html"
	"io"
	"mime/multipart"
	"mime/quotedprintable"
	netmail "net/mail"
	"net/textproto"
	"strings"
	"time"
	"unicode/utf8"

	"roundsman/exporter/callout"
	"roundsman/rules"
)

// titleLimit is the longest subject, in characters; mail programs show fewer.
const titleLimit = 180

// letter is one mail ready for the wire.
type letter struct {
	text     []byte // headers and body, lines ended by CR LF
	from, to string // of the envelope
	id       string // the Message-ID, with its angle brackets
}

// compose makes the mail of a message.
func (c *Channel) compose(m *callout.Message) (*letter, error) {
	to, err := address(m.To)
	if err != nil {
		return nil, err
	}
	if to.Name == "" {
		to.Name = m.Person
	}
	for what, s := range map[string]string{"title": m.Title, "person": to.Name} {
		if !oneLine(s) {
			return nil, fmt.Errorf("%s %q: holds a line break or control character", what, s)
		}
	}
	if m.Title == "" {
		return nil, errors.New("message has no title")
	}
	l := &letter{from: c.from.Address, to: to.Address, id: c.id("m", m.Key)}
	var b bytes.Buffer
	c.head(&b, l.id, to, m)
	if err := c.body(&b, m); err != nil {
		return nil, err
	}
	l.text = b.Bytes()
	return l, nil
}

// head writes the headers of the mail itself.
func (c *Channel) head(b *bytes.Buffer, id string, to *netmail.Address, m *callout.Message) {
	field := func(name, value string) { b.WriteString(folded(name, value)) }
	field("Date", c.opts.Now().In(m.Created.Location()).Format(time.RFC1123Z)) // as RFC 5322, section 3.3, has it
	field("From", mailbox(c.from))
	field("To", mailbox(to))
	if c.replyTo != nil {
		field("Reply-To", mailbox(c.replyTo))
	}
	field("Subject", subject(m.Title))
	field("Message-ID", id)
	if m.Thread != "" {
		// The head of the thread is no mail that was sent: nobody can have missed it.
		root := c.id("t", m.Thread)
		field("In-Reply-To", root)
		field("References", root)
	}
	field("Auto-Submitted", "auto-generated") // RFC 3834, section 5: holiday notes do not answer
	if m.Priority == rules.HighPriority {
		field("Importance", "high") // RFC 4021, section 2.1.54
	}
	field("MIME-Version", "1.0")
}

// body writes what the mail says, with the headers of its kind (RFC 2046): the plain text, and the HTML where there is one.
func (c *Channel) body(b *bytes.Buffer, m *callout.Message) error {
	if m.HTML == "" {
		h := partHeader("text/plain")
		for _, name := range []string{typeField, codingField} {
			b.WriteString(folded(name, h.Get(name)))
		}
		b.WriteString("\r\n")
		return encode(b, c.plain(m))
	}
	parts := multipart.NewWriter(b)
	b.WriteString(folded(typeField, "multipart/alternative; boundary="+parts.Boundary()) + "\r\n")
	for _, part := range []struct{ kind, text string }{{"text/plain", c.plain(m)}, {"text/html", rich(m)}} {
		w, err := parts.CreatePart(partHeader(part.kind))
		if err == nil {
			err = encode(w, part.text)
		}
		if err != nil {
			return err
		}
	}
	return parts.Close()
}

const typeField, codingField = "Content-Type", "Content-Transfer-Encoding"

func partHeader(kind string) textproto.MIMEHeader {
	return textproto.MIMEHeader{typeField: {kind + "; charset=UTF-8"}, codingField: {"quoted-printable"}}
}

// encode writes text in lines of at most 76 characters of ASCII (RFC 2045, section 6.7).
func encode(w io.Writer, text string) error {
	q := quotedprintable.NewWriter(w)
	if _, err := io.WriteString(q, text); err != nil {
		return err
	}
	return q.Close()
}

// lineRoom is the longest line that may hold an encoded word (RFC 2047, section 2).
const lineRoom = 76

// folded writes a header field, its lines broken at spaces (RFC 5322, section 2.2.3), never before the first word.
func folded(name, value string) string {
	text, line := "", name+":"
	for i, word := range strings.Split(value, " ") {
		if i > 0 && len(line)+1+len(word) > lineRoom {
			text += line + "\r\n"
			line = ""
		}
		line += " " + word
	}
	return text + line + "\r\n"
}

// mailbox writes an address with its name, which becomes encoded words where it is not plain text in short words.
func mailbox(a *netmail.Address) string {
	if a.Name == "" || simple(a.Name) && !strings.ContainsAny(a.Name, "\"\\") {
		return a.String()
	}
	return encodedWords(a.Name, inPhrase) + " <" + a.Address + ">"
}

// id makes a Message-ID (RFC 5322, section 3.6.4) of a text: the same text, the same id.
func (c *Channel) id(kind, text string) string {
	sum := sha256.Sum256([]byte(text))
	return "<" + kind + "." + hex.EncodeToString(sum[:16]) + "@" + strings.ReplaceAll(c.opts.Domain, ":", ".") + ">"
}

// subject shortens a title and puts it into words that can be folded. What is not plain text in short words becomes
// encoded words (RFC 2047): also a text that only looks like one.
func subject(title string) string {
	if utf8.RuneCountInString(title) > titleLimit {
		title = string([]rune(title)[:titleLimit-3]) + "..."
	}
	if simple(title) {
		return title
	}
	return encodedWords(title, inText)
}

// encodedWords makes encoded words of a text, each with whole characters and short enough to stand on the first line of
// its header: Go's own are longer than that. plain stands for itself.
func encodedWords(text, plain string) string {
	var words []string
	word := ""
	for _, r := range text {
		c := encodeQ(string(r), plain)
		if len(word)+len(c) > wordRoom {
			words = append(words, word)
			word = ""
		}
		word += c
	}
	return "=?utf-8?q?" + strings.Join(append(words, word), "?= =?utf-8?q?") + "?="
}

// wordRoom is what fits between the marks on a line that begins with the longest name of a header with encoded words.
const wordRoom = lineRoom - len("Reply-To: ") - len("=?utf-8?q??=")

// simple reports whether a title can stand as it is: a mail program folds between its words.
func simple(title string) bool {
	longest := 0
	for w := range strings.SplitSeq(title, " ") {
		longest = max(longest, len(w))
	}
	return ascii(title) && longest < wordRoom && !strings.Contains(title, "=?") && !strings.Contains(title, "\t") &&
		strings.TrimSpace(title) == title && !strings.Contains(title, "  ")
}

// What beside letters and digits stands for itself in an encoded word, in a text and in a name (RFC 2047, section 5).
const (
	inText   = "!*+-/.,:%"
	inPhrase = "!*+-/"
)

// encodeQ is the Q encoding (RFC 2047, section 4.2) of one character, unless it is plain.
func encodeQ(character, plain string) string {
	var s string
	for _, c := range []byte(character) {
		switch {
		case c == ' ':
			s += "_"
		case c >= '0' && c <= '9', c|0x20 >= 'a' && c|0x20 <= 'z', strings.IndexByte(plain, c) >= 0:
			s += string(rune(c))
		default:
			s += fmt.Sprintf("=%02X", c)
		}
	}
	return s
}

// remarks are what the reader must know about the mail itself.
func (c *Channel) remarks(m *callout.Message) string {
	var s string
	if m.Repeat {
		s += "Sent again: an earlier copy of this mail may have reached you.\n"
	}
	if m.Late {
		s += "Late: written " + m.Created.Format("2006-01-02 15:04 MST") + ", sent " +
			c.opts.Now().In(m.Created.Location()).Format("2006-01-02 15:04 MST") + ".\n"
	}
	return s
}

// plain is the text, with what it must say of repeats and the link if it is not in it.
func (c *Channel) plain(m *callout.Message) string {
	text := m.Text
	if r := c.remarks(m); r != "" {
		text = r + "\n" + text
	}
	if m.Link != "" && !strings.Contains(text, m.Link) {
		text = strings.TrimRight(text, "\n") + "\n\nAcknowledge: " + m.Link + "\n"
	}
	return strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\n", "\r\n")
}

// rich is the HTML, with the link if it is not in it.
func rich(m *callout.Message) string {
	link := html.EscapeString(m.Link)
	if m.Link == "" || strings.Contains(m.HTML, link) || strings.Contains(m.HTML, m.Link) {
		return m.HTML
	}
	button := `<p><a href="` + link + `">Acknowledge</a></p>`
	if i := strings.LastIndex(strings.ToLower(m.HTML), "</body>"); i >= 0 {
		return m.HTML[:i] + button + m.HTML[i:]
	}
	return m.HTML + button
}
