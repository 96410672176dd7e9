package configs

import (
	"cmp"
	"maps"
	"net"
	"net/mail"
	"net/url"
	"slices"
	"strings"
	"time"

	"roundsman/configs/strict"
	"roundsman/exporter/callout"
	mailer "roundsman/exporter/callout/mail"
	"roundsman/exporter/callout/publish"
	"roundsman/exporter/callout/push"
	"roundsman/exporter/callout/sms"
	"roundsman/exporter/callout/webhook"
)

// Channel is one way to reach people. Kind says which of the options is set; what they hold of secrets are readers of
// files, called at each use.
type Channel struct {
	Name string
	Kind string // sms, voice, mail, webhook, mqtt, push

	Modem   *Modem           // of kind sms
	Over    string           // of kind voice: the name of the channel whose modem rings
	Mail    *mailer.Options  // of kind mail
	Webhook *webhook.Options // of kind webhook
	MQTT    *publish.Options // of kind mqtt
	Push    *push.Options    // of kind push
}

// Modem is a modem on a serial port. Who runs it adds to the options what opens the port.
type Modem struct {
	sms.Options
	Device string
	Baud   int
}

// Installed is what stands as a person's address at a push channel for all phones on which they installed the panel:
// the address is Installed and the person's id then, 'installed n.quill', for the channel to find the subscriptions by.
const Installed = "installed"

// channelKind tells how a kind of channel is written and read.
type channelKind struct {
	word  string
	keys  []string // one of which begins a channel of this kind
	goes  []string // others that go with it
	read  func(*builder, *Channel, *strict.Value)
	own   bool // the channel has an address of its own, for those who name none
	check func(*builder, *strict.Value, string) string
}

func channelKinds() []channelKind {
	return []channelKind{
		{word: "sms", keys: []string{"modem"}, goes: []string{"baud", "pin-file", "country", "validity", "ring", "receipts", "parts"},
			read: (*builder).modem, check: phoneNumber},
		{word: "voice", keys: []string{"over"}, read: (*builder).voice, check: phoneNumber},
		{word: "mail", keys: []string{"mail"}, goes: []string{"security", "username", "password-file", "from", "reply-to", "domain", "ca-file", "timeout"},
			read: (*builder).mailServer, check: mailAddress},
		{word: "webhook", keys: []string{"webhook", "webhook-file"}, own: true, goes: []string{"unencrypted", "body", "content-type", "headers",
			"secret-headers", "secret-file", "signature-header", "ca-file", "proxy", "timeout"},
			read: (*builder).webhook, check: httpsAddress},
		{word: "mqtt", keys: []string{"mqtt"}, own: true, goes: []string{"client-id", "username", "password-file", "topic", "ca-file", "timeout"},
			read: (*builder).publisher, check: topicPattern},
		{word: "push", keys: []string{"push"}, goes: []string{"key-file", "keep", "ca-file", "proxy", "timeout"},
			read: (*builder).pushService, check: subscription},
	}
}

// channels reads the channels; those that are wrong are known by name all the same.
func (b *builder) channels(v *strict.Value) {
	kinds := channelKinds()
	for _, e := range v.Entries() {
		if !goodName(e) {
			continue
		}
		k := kindOfChannel(kinds, e)
		b.channelKinds[e.Key()] = k
		b.channelNames = append(b.channelNames, e.Key())
		if k == nil {
			continue
		}
		c := Channel{Name: e.Key(), Kind: k.word}
		k.read(b, &c, e)
		b.site.Callout.Channels = append(b.site.Callout.Channels, c)
		b.channelValues = append(b.channelValues, e)
	}
	b.modemsOfVoices()
}

// kindOfChannel finds the one kind that a channel's keys begin, and complains about keys of others.
func kindOfChannel(kinds []channelKind, v *strict.Value) *channelKind {
	var found []string
	var of *channelKind
	for i := range kinds {
		for _, key := range kinds[i].keys {
			if v.Has(key) {
				found = append(found, key)
				of = &kinds[i]
			}
		}
	}
	switch {
	case len(found) == 0:
		v.Missing("modem, over, mail, webhook, mqtt or push is missing: what kind of channel is it?")
		return nil
	case len(found) > 1:
		v.KeyFailf("%s and %s: a channel is one of them", found[0], found[1])
		return nil
	}
	for i := range kinds {
		for _, key := range kinds[i].goes {
			if !slices.Contains(of.goes, key) {
				misplaced(v, "does not go with "+found[0], key)
			}
		}
	}
	return of
}

func (b *builder) modem(c *Channel, v *strict.Value) {
	m := &Modem{Device: v.Get("modem").Text(), Baud: v.Get("baud").Int(115200)}
	c.Modem = m
	if d := v.Get("modem"); d != nil && !strings.HasPrefix(d.Text(), "/") {
		d.Failf("%q is no serial port; expected one such as /dev/ttyUSB2", short(d.Text()))
	}
	m.Name = m.Device
	m.PIN = b.secrets.reader(v.Get("pin-file"))
	m.Country = b.country(v.Get("country"))
	m.Validity = b.between(v.Get("validity"), 5*time.Minute, 63*7*day, 0)
	m.Ring = b.between(v.Get("ring"), 5*time.Second, 2*time.Minute, 0)
	m.Receipts = v.Get("receipts").Bool()
	m.MaxParts = v.Get("parts").Int(0)
}

// between is a time that has bounds; otherwise if absent.
func (b *builder) between(v *strict.Value, least, most, otherwise time.Duration) time.Duration {
	d := b.duration(v, otherwise)
	if v != nil && (d < least || d > most) {
		v.Failf("%s is outside %s to %s", v.Text(), show(least), show(most))
		return otherwise
	}
	return d
}

// country reads a country code, one to three digits (ITU-T E.164, clause 6.2.1).
func (b *builder) country(v *strict.Value) string {
	code := strings.TrimPrefix(v.Text(), "+")
	if v != nil && (len(code) < 1 || len(code) > 3 || strings.Trim(code, "0123456789") != "" || code[0] == '0') {
		v.Failf("%q is no country code; expected one such as '353'", short(v.Text()))
		return ""
	}
	return code
}

func (b *builder) voice(c *Channel, v *strict.Value) { c.Over = v.Get("over").Text() }

// modemsOfVoices complains about telephones that ring over no modem.
func (b *builder) modemsOfVoices() {
	for i, c := range b.site.Callout.Channels {
		over := b.channelValues[i].Get("over")
		switch k := b.channelKinds[c.Over]; {
		case over == nil:
		case k == nil && slices.Contains(b.channelNames, c.Over): // it was complained of
		case k == nil:
			over.Failf("unknown channel %q%s", short(c.Over), over.Guess(c.Over, b.channelNames...))
		case k.word != "sms":
			over.Failf("%s has no modem to ring over", c.Over)
		}
	}
	ports := map[string]string{}
	for i, c := range b.site.Callout.Channels {
		if c.Modem == nil {
			continue
		}
		if other, ok := ports[c.Modem.Device]; ok {
			b.channelValues[i].Get("modem").Failf("%s belongs to channel %s already", c.Modem.Device, other)
		}
		ports[c.Modem.Device] = c.Name
	}
}

const serverForms = "expected HOST or HOST:PORT"

func (b *builder) mailServer(c *Channel, v *strict.Value) {
	o := &mailer.Options{Username: v.Get("username").Text(), Password: b.secrets.reader(v.Get("password-file")),
		From: v.Get("from").Text(), ReplyTo: v.Get("reply-to").Text(), Domain: v.Get("domain").Text(), Timeout: b.positive(v.Get("timeout"), 0)}
	c.Mail = o
	if s := v.Get("security"); s != nil {
		o.Security = map[string]mailer.Security{"starttls": mailer.StartTLS, "tls": mailer.TLS, "plain": mailer.Plain}[s.Text()]
	}
	if s := v.Get("mail"); s != nil {
		u, err := url.Parse("//" + s.Text())
		if err != nil || u.Hostname() == "" || u.Path != "" || u.User != nil || u.RawQuery != "" || u.Port() != "" && !goodPort(u.Port()) {
			s.Failf("%q is no server; %s", short(s.Text()), serverForms)
			return
		}
		o.Host, o.Port = u.Hostname(), portOf(u)
	}
	if !v.Has("from") {
		v.Missing("from is missing: who is the sender?")
	}
	if v.Get("mail") != nil && v.Get("from") != nil {
		b.tryChannel(v, "mail: ", func() error { _, err := mailer.New(*o); return err })
	}
	o.CAFile = b.file(v.Get("ca-file"))
}

func portOf(u *url.URL) int {
	n := 0
	for _, c := range u.Port() {
		n = n*10 + int(c-'0')
	}
	return n
}

// file is a file's path, beside the site file if it is relative.
func (b *builder) file(v *strict.Value) string {
	if v == nil {
		return ""
	}
	return b.secrets.path(v.Text())
}

// tryChannel lets the owner of a channel look at its options: what this package did not think of, it did.
func (b *builder) tryChannel(v *strict.Value, prefix string, try func() error) {
	if err := try(); err != nil && v.Whole() {
		v.KeyFailf("%s", strings.TrimPrefix(err.Error(), prefix))
	}
}

func (b *builder) webhook(c *Channel, v *strict.Value) {
	o := &webhook.Options{Plain: v.Get("unencrypted").Bool(), Body: v.Get("body").Text(), ContentType: v.Get("content-type").Text(),
		Key: b.secrets.reader(v.Get("secret-file")), SignatureHeader: v.Get("signature-header").Text(),
		Timeout: b.positive(v.Get("timeout"), 0), Proxy: b.proxy(v.Get("proxy"))}
	c.Webhook = o
	o.URL = b.address(v.Get("webhook"), v.Get("webhook-file"), o.Plain)
	for _, h := range v.Get("headers").Entries() {
		o.Headers = with(o.Headers, h.Key(), h.Text())
	}
	for _, h := range v.Get("secret-headers").Entries() {
		o.Secrets = with(o.Secrets, h.Key(), b.secrets.reader(h))
	}
	if v.Has("signature-header") && !v.Has("secret-file") {
		v.Get("signature-header").KeyFailf("goes with a secret-file")
	}
	b.tryChannel(v, "webhook: ", func() error { _, err := webhook.New(*o); return err })
	o.CAFile = b.file(v.Get("ca-file"))
}

func with[T any](m map[string]T, key string, value T) map[string]T {
	if m == nil {
		m = map[string]T{}
	}
	m[key] = value
	return m
}

// address is a URL that stands in the file, or in a file of its own; nil if neither.
func (b *builder) address(v, inFile *strict.Value, plain bool) func() (string, error) {
	if v == nil {
		return b.secrets.reader(inFile)
	}
	checkURL(v, v.Text(), plain)
	text := v.Text()
	return func() (string, error) { return text, nil }
}

func (b *builder) proxy(v *strict.Value) string {
	if v == nil {
		return ""
	}
	u, err := url.Parse(v.Text())
	if err != nil || u.Host == "" || !slices.Contains([]string{"http", "https", "socks5"}, u.Scheme) {
		v.Failf("%q is no proxy; expected http://HOST:PORT", short(v.Text()))
		return ""
	}
	return v.Text()
}

// checkURL complains about an address that messages must not go to. It is not quoted: it may be a secret.
func checkURL(v *strict.Value, text string, plain bool) {
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Hostname() == "" || u.Port() != "" && !goodPort(u.Port()):
		v.Failf("this is no address; expected https://HOST/PATH")
	case u.User != nil:
		v.Failf("a name or password inside the address is not taken; give it as a secret header")
	case u.Scheme == "http" && !plain && !loopback(u.Hostname()):
		v.Failf("http to %s is not encrypted: use https, or say unencrypted: true", u.Host)
	case u.Scheme != "https" && u.Scheme != "http":
		v.Failf("the address begins with %q; expected https", short(u.Scheme))
	}
}

func (b *builder) publisher(c *Channel, v *strict.Value) {
	o := &publish.Options{Broker: b.brokerAddress(v.Get("mqtt")), ClientID: cmp.Or(v.Get("client-id").Text(), "roundsman-callout"),
		Username: v.Get("username").Text(), Password: b.secrets.reader(v.Get("password-file")), Timeout: b.positive(v.Get("timeout"), 0)}
	c.MQTT = o
	if t := v.Get("topic"); t != nil {
		o.Topic = topicPattern(b, t, t.Text())
	}
	if o.Broker == "" {
		return
	}
	b.tryChannel(v, "mqtt: ", func() error { _, err := publish.New(*o); return err })
	o.CAFile = b.file(v.Get("ca-file"))
	for _, name := range b.linkNames {
		if l := b.links[name].mqtt; l != nil && l.Broker == o.Broker && l.ClientID == o.ClientID {
			v.KeyFailf("link %s has the same client-id at the same broker; they would throw each other out", name)
		}
	}
	b.plainSecret(v.Get("mqtt"), o.Broker, v.Has("password-file"))
}

// plainSecret remarks on a password that crosses a network in plain text.
func (b *builder) plainSecret(v *strict.Value, broker string, secret bool) {
	host, plain := strings.CutPrefix(broker, "tcp://")
	if h, _, err := net.SplitHostPort(host); plain && secret && err == nil && !loopback(h) {
		v.Remarkf("the password goes to %s unencrypted; ssl:// encrypts it", h)
	}
}

func (b *builder) pushService(c *Channel, v *strict.Value) {
	o := &push.Options{KeyFile: b.secrets.path(cmp.Or(v.Get("key-file").Text(), "push.key")), TTL: b.between(v.Get("keep"), time.Second, 28*day, 0),
		Timeout: b.positive(v.Get("timeout"), 0), Proxy: b.proxy(v.Get("proxy")), CAFile: b.file(v.Get("ca-file"))}
	c.Push = o
	// package push looks closer when it starts: its New makes the key file
	if p := v.Get("push"); p != nil {
		o.Contact = p.Text()
		address := strings.TrimPrefix(o.Contact, "mailto:")
		if u, err := url.Parse(o.Contact); err == nil && u.Scheme == "https" && u.Hostname() != "" {
			return
		}
		if a, err := mail.ParseAddress(address); err != nil || a.Address != address {
			p.Failf("%q is neither a mail address nor an https address; push services want to know whom to ask", short(o.Contact))
		}
	}
}

// phoneNumber returns the number as it is dialled.
func phoneNumber(_ *builder, v *strict.Value, text string) string {
	n, err := sms.Number(text)
	if err != nil {
		v.Failf("%s; expected one such as '+12025550100'", strings.TrimPrefix(err.Error(), "telephone number: "))
	}
	return n
}

// mailAddress holds an address to RFC 5321, section 4.5.3.1, and to ASCII: not every server on the way takes more.
func mailAddress(_ *builder, v *strict.Value, text string) string {
	a, err := mail.ParseAddress(text)
	if err != nil || a.Address != text || strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' || strings.ContainsRune(`<>"\`, r) }) {
		v.Failf("%q is no mail address; expected one such as n.quill@wash.example", short(text))
		return ""
	}
	local, domain, _ := strings.Cut(text, "@")
	if len(local) > 64 || len(domain) > 255 {
		v.Failf("the mail address is longer than 64 before or 255 after the @")
	}
	return text
}

func httpsAddress(_ *builder, v *strict.Value, text string) string {
	checkURL(v, text, false)
	return text
}

func topicPattern(_ *builder, v *strict.Value, text string) string {
	if err := publish.CheckTopic(text); err != nil {
		v.Failf("%v", err)
		return ""
	}
	return text
}

// subscription reads what a browser's subscription becomes as JSON, or the word for all of a person's.
func subscription(b *builder, v *strict.Value, text string) string {
	if text == Installed {
		return text
	}
	if _, err := push.ParseSubscription(text); err != nil {
		v.Failf("%s; expected installed, or the JSON of one", strings.TrimPrefix(err.Error(), "subscription: "))
	}
	return text
}

// addresses reads how to reach a person, in the order tried.
func (b *builder) addresses(id string, v *strict.Value) []callout.Address {
	var out []callout.Address
	for _, e := range v.Entries() {
		if !e.IsTable() {
			if a, ok := b.ownAddress(e); ok {
				out = append(out, a)
			}
			continue
		}
		entries := e.Entries()
		if len(entries) != 1 {
			e.Failf("expected one channel with its address: {sms: '+12025550100'}; further ones are entries of their own")
			continue
		}
		k, ok := b.channelOf(entries[0], entries[0].Key(), entries[0].KeyFailf)
		if !ok {
			continue
		}
		to := k.check(b, entries[0], strings.TrimSpace(entries[0].Text()))
		if to == Installed && k.word == "push" {
			to += " " + id
		}
		a := callout.Address{Channel: entries[0].Key(), To: to}
		if slices.Contains(out, a) {
			e.Failf("%s stands twice", a.Channel)
			continue
		}
		out = append(out, a)
	}
	return out
}

// wake reads the telephones that ring besides.
func (b *builder) wake(v *strict.Value) []callout.Address {
	var out []callout.Address
	for _, e := range v.Entries() {
		k, ok := b.channelOf(e, e.Key(), e.KeyFailf)
		if !ok {
			continue
		}
		if k.word != "voice" {
			e.KeyFailf("%s does not ring; expected a channel with over, that rings over a modem", e.Key())
			continue
		}
		out = append(out, callout.Address{Channel: e.Key(), To: k.check(b, e, strings.TrimSpace(e.Text()))})
	}
	return out
}

// ownAddress reads a channel's name alone.
func (b *builder) ownAddress(v *strict.Value) (callout.Address, bool) {
	k, ok := b.channelOf(v, v.Text(), v.Failf)
	switch {
	case !ok:
		return callout.Address{}, false
	case !k.own:
		v.Failf("%s needs an address: {%s: ...}", v.Text(), v.Text())
		return callout.Address{}, false
	}
	return callout.Address{Channel: v.Text()}, true
}

func (b *builder) channelOf(v *strict.Value, name string, say func(string, ...any)) (*channelKind, bool) {
	k, known := b.channelKinds[name]
	if !known {
		say("unknown channel %q%s", short(name), v.Guess(name, slices.Sorted(maps.Keys(b.channelKinds))...))
	}
	return k, k != nil
}
