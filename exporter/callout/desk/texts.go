package desk

import (
	"fmt"
	"html/template"
	"slices"
	"strings"
	text "text/template"
	"unicode/utf8"

	"roundsman/exporter/callout"
)

// Wording are the texts of messages as templates (text/template) over Facts; "" is the default, which is meant to do.
// Short goes by SMS, voice and watch; Title is a subject line; Text goes by mail and push, and its HTML is made from it.
type Wording struct {
	Alarm, Return Form
}

// Form is the wording of one kind of message.
type Form struct{ Title, Short, Text string }

// The defaults. After trade practice: site, station, quantity, value against limit with unit, trend, since when, cause,
// first response, how to acknowledge; no code numbers.
const (
	alarmTitle = `{{.Site}}: {{with .Mark}}{{.}} {{end}}{{.What}}{{with .Others}}, {{.}}{{end}}`
	alarmShort = `{{.Site}} {{with .Mark}}{{.}} {{end}}{{.What}}{{with .Trend}}, {{.}}{{end}}{{with .Severity}}, {{.}}{{end}}{{with .Since}}, {{.}}{{end}}.` +
		`{{with .Follow}} {{.}}.{{end}}{{with .Others}} {{.}}.{{end}}{{with .Cause}} {{.}}.{{end}}{{with .Response}} {{.}}.{{end}}{{with .Reply}} {{.}}{{end}}`
	alarmText = `{{with .Mark}}{{.}} {{end}}{{.What}}{{with .Trend}}, {{.}}{{end}}
{{with .Limit}}{{.}}, {{end}}{{.Date}}
Priority {{.Priority}}{{with .Severity}}, severity {{.}}{{end}}
{{with .Cause}}{{.}}.
{{end}}{{with .Consequence}}If nobody acts: {{.}}.
{{end}}{{with .Response}}First: {{.}}.
{{end}}{{with .List}}{{.}}
{{end}}
{{with .Reply}}{{.}} to say that you have it; the alarm itself goes on.{{end}}{{with .Link}}
{{.}}{{end}}

{{.Caution}}`
	returnTitle = `{{.Site}}: NORMAL {{.What}}`
	returnShort = `{{.Site}} NORMAL {{.What}} {{.Since}}{{with .Was}}, {{.}}{{end}}.{{with .Others}} {{.}}.{{end}}{{with .Acked}} {{.}}{{end}}`
	returnText  = `NORMAL: {{.What}} {{.Date}}
{{.Was}}
{{with .Acked}}{{.}}
{{end}}{{with .List}}{{.}}
{{end}}
{{.Caution}}`
)

// Check returns what is wrong with the templates, nil if nothing is.
func (w Wording) Check() error {
	_, err := newTexts(w)
	return err
}

type texts struct{ alarm, back *form }

// form is one kind's templates, ready for use.
type form struct{ title, short, long *text.Template }

func newTexts(w Wording) (*texts, error) {
	alarm, err := newForm("alarm", w.Alarm, Form{alarmTitle, alarmShort, alarmText})
	if err != nil {
		return nil, err
	}
	back, err := newForm("return", w.Return, Form{returnTitle, returnShort, returnText})
	return &texts{alarm, back}, err
}

func newForm(name string, own, standard Form) (*form, error) {
	f := &form{}
	for _, t := range []struct {
		to            **text.Template
		which         string
		own, standard string
	}{{&f.title, "title", own.Title, standard.Title}, {&f.short, "short", own.Short, standard.Short}, {&f.long, "text", own.Text, standard.Text}} {
		source := t.own
		if source == "" {
			source = t.standard
		}
		parsed, err := text.New(t.which).Option("missingkey=error").Parse(source)
		if err == nil {
			err = parsed.Execute(&strings.Builder{}, Facts{Site: "s", What: "w"})
		}
		if err != nil {
			return nil, fmt.Errorf("wording of %s: %w", name, err)
		}
		*t.to = parsed
	}
	return f, nil
}

// write fills the texts of a message.
func (f *form) write(m *callout.Message, facts Facts) {
	m.Title = oneLine(render(f.title, facts))
	m.Text = strings.TrimSpace(render(f.long, facts))
	if !strings.Contains(m.Text, callout.Caution) { // a wording of the site's own does not lose it
		m.Text += "\n\n" + callout.Caution
	}
	m.HTML = html(m.Title, m.Text, m.Link)
	m.Short = f.fit(facts)
}

// render fills a template that was tried when it was parsed; what still goes wrong is shown.
func render(t *text.Template, f Facts) string {
	var b strings.Builder
	if err := t.Execute(&b, f); err != nil {
		return f.Site + " " + f.What + " (" + err.Error() + ")"
	}
	return b.String()
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// fit shortens the facts, the least needed first, until the short text has room in one message.
func (f *form) fit(facts Facts) string {
	facts.List = ""
	for step := 0; ; step++ {
		text := oneLine(callout.Plain(render(f.short, facts)))
		over := excess(text)
		if over <= 0 {
			return text
		}
		if !shorten(&facts, step, over) {
			reply := facts.Reply
			if reply != "" && strings.HasSuffix(text, reply) {
				return clip(strings.TrimSpace(strings.TrimSuffix(text, reply)), room(text)-len(reply)-1) + " " + reply
			}
			return clip(text, room(text))
		}
	}
}

func excess(text string) int {
	n, _ := callout.Septets(text)
	return n - room(text)
}

// room returns how many characters one message holds: far fewer in the other alphabet.
func room(text string) int {
	if _, gsm := callout.Septets(text); !gsm {
		return callout.RoomOther
	}
	return callout.Room
}

// shorten takes something off; it reports false when there is nothing left to take.
func shorten(f *Facts, step, over int) bool {
	switch step {
	case 0:
		f.Response = firstSentence(f.Response)
	case 1:
		f.Site = strings.Fields(f.Site + " -")[0]
	case 2:
		f.Cause = lastClause(f.Cause)
	case 3:
		f.Follow, f.Others = beforeComma(f.Follow), beforeComma(f.Others)
	case 4:
		f.Severity = ""
	case 5:
		f.Cause = withoutAside(f.Cause)
	case 6:
		f.Response = words(f.Response, max(24, len(f.Response)-over))
	case 7:
		f.Cause = words(f.Cause, max(16, len(f.Cause)-over))
	case 8:
		f.Trend = ""
	case 9:
		f.Acked = ""
	case 10:
		f.Response, f.Cause = words(f.Response, 24), ""
	default:
		return false
	}
	return true
}

func firstSentence(s string) string {
	if i := strings.Index(s, ". "); i > 0 {
		return s[:i]
	}
	return s
}

// lastClause takes the general word before a colon off: 'signal too low: 3.4 mA is below 3.6 mA'.
func lastClause(s string) string {
	if i := strings.Index(s, ": "); i > 0 {
		return s[i+2:]
	}
	return s
}

// withoutAside takes out what stands between a comma and the next clause: ', wire or sensor broken; last good 7.6 bar'.
func withoutAside(s string) string {
	comma, clause := strings.Index(s, ", "), strings.Index(s, "; ")
	if comma < 0 || clause < comma {
		return s
	}
	return s[:comma] + s[clause:]
}

func beforeComma(s string) string {
	before, _, _ := strings.Cut(s, ",")
	return before
}

// words cuts after the last word that has room in n bytes.
func words(s string, n int) string {
	if len(s) <= n {
		return s
	}
	cut := strings.LastIndexByte(s[:n+1], ' ')
	if cut <= 0 {
		return ""
	}
	s = strings.TrimRight(s[:cut], " ,;:.")
	if i := strings.LastIndexByte(s, ' '); i > 0 && slices.Contains(dangling(), s[i+1:]) {
		return words(s, i)
	}
	return s
}

// dangling are words that a cut text does not end with.
func dangling() []string {
	return []string{"a", "an", "and", "at", "before", "for", "from", "in", "is", "not", "of", "on", "or", "the", "then", "to", "with"}
}

// clip cuts a text to n characters and shows that it did.
func clip(s string, n int) string {
	if k, _ := callout.Septets(s); k <= n {
		return s
	}
	for s != "" {
		if k, _ := callout.Septets(s); k <= n-3 {
			break
		}
		_, size := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-size]
	}
	return s + "..."
}

// html makes the part of a mail that shows one big link, if there is one.
func html(title, body, link string) string {
	var b strings.Builder
	b.WriteString(`<!DOCTYPE html><html><body style="font-family:sans-serif;max-width:40em"><h1 style="font-size:1.2em">` + template.HTMLEscapeString(title) + "</h1>")
	for part := range strings.SplitSeq(strings.TrimSpace(body), "\n\n") {
		if lines := strings.TrimSpace(strings.ReplaceAll(part, link, linkText(link))); lines != "" {
			b.WriteString("<p>" + strings.ReplaceAll(template.HTMLEscapeString(lines), "\n", "<br>") + "</p>")
		}
	}
	if link != "" {
		b.WriteString(`<p><a style="display:inline-block;padding:0.8em 1.2em;border:2px solid" href="` + template.HTMLEscapeString(link) + `">I have it</a></p>`)
	}
	b.WriteString("</body></html>")
	return b.String()
}

// linkText stands for the address in the text, where a button follows; without a link nothing is replaced.
func linkText(link string) string {
	if link == "" {
		return ""
	}
	return "Or use the button below."
}
