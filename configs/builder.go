package configs

import (
	"net"
	"net/netip"
	"strconv"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/units"
	"roundsman/configs/strict"
)

// builder turns the values of the files into a Site. What is wrong goes to the
// log; the rest is built all the same, so that later complaints are found too.
type builder struct {
	log  *strict.Log
	site *Site

	points     []*point
	byName     map[string]*point
	names      []string
	links      map[string]*link
	linkNames  []string
	conditions *conditions
	leaks      []leakCondition
	ruleIndex  map[string]ruleRef
	alarms     map[string]int // by alarm name, index into the set
	entries    []*entry       // by index into the set
	path       []*point       // being settled, each for the one before

	secrets       secretFiles
	people, rotas []string
	reachable     map[string]bool // people who have channels
	channelKinds  map[string]*channelKind
	channelNames  []string
	channelValues []*strict.Value // of the site's channels
	calls         bool            // the contacts file has call-outs
	ownCallOut    string          // of Roundsman's own rules
}

// point is a point while the site is being built.
type point struct {
	collector.Point
	v        *strict.Value
	unit     units.Unit
	settled  bool // kind and unit are known
	settling bool
	circular bool // takes itself, directly or through others
	link     *link
	computed string // the key of its computation, '' for a measured point
	every    time.Duration
	tells    scope // of what the point tells whether it is there
	registers
	words map[string]float64
}

// scope is what a point of the box tells about.
type scope uint8

const (
	nothing scope = iota
	wholeLink
	oneUnit // of the link, the one of registers.Unit
)

func newBuilder(log *strict.Log, secrets secretFiles) *builder {
	return &builder{
		log:          log,
		secrets:      secrets,
		reachable:    map[string]bool{},
		channelKinds: map[string]*channelKind{},
		site: &Site{
			Zone:   time.UTC,
			Listen: Listen{Address: "127.0.0.1:9480"},
			Panel:  Panel{Passwords: "people.passwords"},
			Record: Record{Path: "roundsman.db", Readings: 30 * day, Minutes: 400 * day},
		},
		byName: map[string]*point{},
		links:  map[string]*link{},
	}
}

const day = 24 * time.Hour

func (b *builder) build(top, contacts *strict.Value, ruleFiles []*strict.Value) {
	b.head(top)
	b.contacts(top, contacts)
	b.calls = contacts.Has("call-outs")
	b.readLinks(top.Get("links"))
	b.declarePoints(top.Get("points"), contacts.Get("channels"))
	b.fillPoints()
	b.readConditions(top.Get("conditions"))
	b.leakConditions()
	b.readEquipment(top.Get("equipment"))
	b.readReview(top.Get("review"))
	b.readPlans(top.Get("review"))
	b.callOuts(contacts)
	b.readRules(ruleFiles)
	b.checkCallOuts(top, contacts)
	b.finish()
}

func (b *builder) head(top *strict.Value) {
	site := top.Get("site")
	b.site.Name = site.Get("name").Text()
	if z := site.Get("time-zone"); z != nil {
		loc, err := time.LoadLocation(z.Text())
		if _, none := time.LoadLocation("Etc/UTC"); err != nil && none != nil {
			z.Failf("time zone %q: this box has no time zones: install the package tzdata", z.Text())
		} else if err != nil || z.Text() == "Local" {
			z.Failf("unknown time zone %q; expected one such as Europe/Dublin", z.Text())
		} else {
			b.site.Zone = loc
		}
	} else if site != nil {
		site.Remarkf("no time-zone is given; times are shown in UTC")
	}
	b.listen(top.Get("listen"))
	b.panel(top.Get("panel"))
	b.record(top.Get("record"))
}

func (b *builder) listen(v *strict.Value) {
	if v == nil {
		return
	}
	l := &b.site.Listen
	address := v
	if v.IsTable() {
		address = v.Get("address")
		l.Trusted = v.Get("trusted-network").Bool()
		b.certificate(v)
	}
	if address == nil {
		return
	}
	l.Address = address.Text()
	host, port, err := net.SplitHostPort(l.Address)
	if err != nil || !goodPort(port) {
		address.Failf("%q is no address with a port; expected one such as 127.0.0.1:9480", l.Address)
		return
	}
	switch {
	case loopback(host), l.TLS():
	case l.Trusted:
		v.Remarkf("everybody who reaches %s can see the pages, unencrypted", l.Address)
	default:
		address.Failf("%s can be reached from other machines: give certificate and key, or certificate: self-made, or say trusted-network: true", l.Address)
	}
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.IsLoopback()
}

func goodPort(port string) bool {
	n := 0
	for _, c := range port {
		if c < '0' || c > '9' || n > 65535 {
			return false
		}
		n = n*10 + int(c-'0')
	}
	return port != "" && n <= 65535
}

func (b *builder) record(v *strict.Value) {
	r := &b.site.Record
	if p := v.Get("path"); p != nil {
		r.Path = p.Text()
	}
	r.Size = fileSize(v.Get("size"))
	keep := v.Get("keep")
	for name, d := range map[string]*time.Duration{"readings": &r.Readings, "minutes": &r.Minutes, "journal": &r.Journal} {
		k := keep.Get(name)
		switch {
		case k == nil:
		case k.Text() == "forever":
			*d = 0
		default:
			*d = b.duration(k, *d)
			if *d <= 0 {
				k.Failf("%s keeps nothing; expected a time such as 30d, or forever", k.Text())
			}
		}
	}
}

// leastSize holds the journal of years and an hour of readings.
const leastSize = 16e6

// fileSize reads the size of a file: '500 MB', '2 GB'. Units are those of ISO/IEC 80000-13: 1 GB is 1000 MB.
func fileSize(v *strict.Value) int64 {
	if v == nil {
		return 0
	}
	number, unit, _ := strings.Cut(v.Text(), " ")
	n, err := strconv.ParseFloat(number, 64)
	size := n * map[string]float64{"MB": 1e6, "GB": 1e9, "TB": 1e12, "MiB": 1 << 20, "GiB": 1 << 30, "TiB": 1 << 40}[strings.TrimSpace(unit)]
	switch {
	case err != nil || size == 0 && n != 0 || !(n < 1e6):
		v.Failf("%q is no size of a file; expected one such as '2 GB'", short(v.Text()))
		return 0
	case size < leastSize:
		v.Failf("%s is too small; at least 16 MB", v.Text())
		return 0
	}
	return int64(size)
}

// goodName complains about a name that other files, metrics or formulas could not carry.
func goodName(v *strict.Value) bool {
	n := v.Key()
	ok := n != "" && len(n) <= 100 && n[0] != '.' && n[0] != '-' && n[len(n)-1] != '.' && !strings.Contains(n, "..")
	for _, c := range n {
		ok = ok && (c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '.' || c == '-' || c == '_')
	}
	if !ok {
		v.KeyFailf("%q is no good name: letters, digits, dots, dashes and underscores, at most 100", short(n))
	}
	return ok
}

func short(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:57]) + "..."
	}
	return s
}
