package mail

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"html"
	"strings"
	"unicode/utf8"

	gomail "github.com/wneessen/go-mail"

	"roundsman/exporter/callout"
	"roundsman/rules"
)

// titleLimit is the longest subject, in characters; mail programs show fewer.
const titleLimit = 180

// letter is one mail ready for the wire.
type letter struct {
	msg      *gomail.Msg
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
	msg := gomail.NewMsg(gomail.WithNoDefaultUserAgent(), gomail.WithCharset(gomail.CharsetUTF8))
	msg.FromMailAddress(c.from)
	msg.ToMailAddress(to)
	if c.replyTo != nil {
		msg.ReplyToMailAddress(c.replyTo)
	}
	l := &letter{msg: msg, from: c.from.Address, to: to.Address, id: c.id("m", m.Key)}
	c.head(l, m)
	msg.SetBodyString(gomail.TypeTextPlain, c.plain(m))
	if m.HTML != "" {
		msg.AddAlternativeString(gomail.TypeTextHTML, rich(m))
	}
	return l, nil
}

// head sets the headers beside the addresses.
func (c *Channel) head(l *letter, m *callout.Message) {
	if title := subject(m.Title); simple(title) {
		l.msg.SetGenHeader(gomail.HeaderSubject, title) // folded by the library
	} else {
		l.msg.SetGenHeaderPreformatted(gomail.HeaderSubject, title)
	}
	l.msg.SetDateWithValue(c.opts.Now().In(m.Created.Location()))
	l.msg.SetMessageIDWithValue(strings.Trim(l.id, "<>"))
	if m.Thread != "" {
		// The head of the thread is no mail that was sent: nobody can have missed it.
		root := c.id("t", m.Thread)
		l.msg.SetGenHeader(gomail.HeaderInReplyTo, root)
		l.msg.SetGenHeader(gomail.HeaderReferences, root)
	}
	l.msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834, section 5: holiday notes do not answer
	if m.Priority == rules.HighPriority {
		l.msg.SetGenHeader(gomail.HeaderImportance, "high") // RFC 4021, section 2.1.54
	}
}

// id makes a Message-ID (RFC 5322, section 3.6.4) of a text: the same text, the same id.
func (c *Channel) id(kind, text string) string {
	sum := sha256.Sum256([]byte(text))
	return "<" + kind + "." + hex.EncodeToString(sum[:16]) + "@" + strings.ReplaceAll(c.opts.Domain, ":", ".") + ">"
}

// subject shortens a title and puts it into words that can be folded. What is not plain text in short words becomes
// encoded words (RFC 2047): also a text that only looks like one. They are made here because
// the library's first line, with the header's name, would be too long, and it breaks the line before the first word.
func subject(title string) string {
	if utf8.RuneCountInString(title) > titleLimit {
		title = string([]rune(title)[:titleLimit-3]) + "..."
	}
	if simple(title) {
		return title
	}
	var words []string
	word := ""
	for _, r := range title {
		c := encodeQ(string(r))
		if len(word)+len(c) > wordRoom {
			words = append(words, word)
			word = ""
		}
		word += c
	}
	return "=?utf-8?q?" + strings.Join(append(words, word), "?=\r\n =?utf-8?q?") + "?="
}

// wordRoom is what fits between '=?utf-8?q?' and '?=' on a line of 76 that begins with 'Subject: '.
const wordRoom = 76 - len("Subject: ") - len("=?utf-8?q??=")

// simple reports whether a title can stand as it is: a mail program folds between its words.
func simple(title string) bool {
	longest := 0
	for w := range strings.SplitSeq(title, " ") {
		longest = max(longest, len(w))
	}
	return ascii(title) && longest < wordRoom && !strings.Contains(title, "=?") && !strings.Contains(title, "\t") &&
		strings.TrimSpace(title) == title && !strings.Contains(title, "  ")
}

// encodeQ is the Q encoding (RFC 2047, section 4.2) of one character.
func encodeQ(character string) string {
	var s string
	for _, c := range []byte(character) {
		switch {
		case c == ' ':
			s += "_"
		case c >= '0' && c <= '9', c|0x20 >= 'a' && c|0x20 <= 'z', strings.IndexByte("!*+-/.,:%", c) >= 0:
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
