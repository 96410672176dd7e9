// Package configs reads the files people write, the site file, the contacts
// file and the rule files, into the values of the packages below. It is strict: unknown and
// repeated keys, wrong units, unknown names and limits that contradict each
// other are all said at once, each with file, line and column. After loading
// nobody sees YAML, a text with a unit or an optional value again.
//
//	site, err := configs.LoadFile("site.yaml")
//	var ps configs.Problems
//	if errors.As(err, &ps) { fmt.Println(ps) } // site.yaml:31:12: points.air.header.pressure.type: ...
package configs

import (
	"net"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/collector/modbus"
	"roundsman/collector/mqtt"
	"roundsman/configs/strict"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/water"
	"roundsman/rules"
)

// Problem is one thing said about one place of a file.
type Problem = strict.Problem

// Problems is the error of Load: all errors of all files, sorted by place.
type Problems = strict.Problems

// Site is a whole site: the site file and its rule files.
type Site struct {
	Name   string
	Zone   *time.Location
	Listen Listen
	Panel  Panel

	Points    []collector.Point // by PointID: in the order of the file, then those Roundsman makes of its links
	Modbus    []modbus.Options
	MQTT      []mqtt.Options
	Compute   []compute.Spec
	Equipment []duty.Spec
	Review    Review
	Rules     rules.Set
	Box       Box // the points that tell how the box itself is

	Record   Record
	Contacts string   // the path as written; '' if not given
	People   []Person // of the contacts file, in its order; nobody else may act on alarms
	Callout  Callout  // who is called, and through what
	// Notes are warnings and remarks: defaults that were chosen, conditions nobody uses, plain text over a network.
	Notes Problems
}

// Listen says where the pages and metrics are served.
type Listen struct {
	Address          string // host:port
	Trusted          bool   // the file says that everybody on the network may see the pages
	Certificate, Key string // PEM files as written; '' without TLS or with a self-made one
	SelfMade         bool   // the box makes its certificate
	Names            []string
}

// TLS reports whether the pages are served encrypted.
func (l *Listen) TLS() bool { return l.SelfMade || l.Certificate != "" }

// Loopback reports whether only the box itself can reach the pages.
func (l *Listen) Loopback() bool {
	host, _, err := net.SplitHostPort(l.Address)
	return err == nil && loopback(host)
}

// Panel says who may look at the pages and who signs in.
type Panel struct {
	View      View
	Passwords string // file as written
}

// View says who may look.
type View uint8

// Views. Unsaid: anyone while only the box itself can reach the pages or nobody has a password, people otherwise.
const (
	ViewUnsaid View = iota
	ViewAnyone
	ViewPeople
)

// Review is what the reviews hold run time and water against.
type Review struct {
	Open     rules.Hours       // nil: not given
	Vehicles collector.PointID // the counter; NoPoint: not given
	Air      *air.Plan         // nil: not given
	Water    *water.Plan       // nil: not given
}

// Record says where what is kept lies, and for how long. Forever is 0.
type Record struct {
	Path                       string // as written
	Readings, Minutes, Journal time.Duration
	Size                       int64 // most bytes of the file; 0: no limit
}

// Point returns the point of a name.
func (s *Site) Point(name string) (collector.Point, bool) {
	for _, p := range s.Points {
		if p.Name == name {
			return p, true
		}
	}
	return collector.Point{}, false
}
