// Package report writes the reviews of a span, mostly a month, as one HTML page for paper: what to decide first, then duty,
// air, water, alarms and what was not watched. The page needs nothing from outside and no script, prints on A4 and Letter,
// and means nothing by colour alone.
//
//	r := report.Report{Site: "Corner Wash", Zone: zone, From: from, To: to, Made: now, Duty: &duties, ...}
//	err := r.Write(file)
//
// It is pure: values in, page out. The numbers are those of the reviews, rounded as people read them; times are the site's.
package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"time"

	"roundsman/exporter/panel/draw"
	"roundsman/exporter/rehearsal"
	"roundsman/exporter/review"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/duty"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/water"
)

// Report is what a page is made from. A review that is nil is left out, and what lacks is said.
type Report struct {
	Site     string
	Box      string         // the program and its version
	Zone     *time.Location // nil: UTC
	From, To time.Time
	Made     time.Time

	Duty *duty.Figures
	Runs map[string]Runs // by equipment
	Air  *air.Figures
	// Header is the course of the header pressure, in steps of HeaderStep.
	Header     []draw.Step
	HeaderStep time.Duration
	Water      *water.Figures
	Alarms     *review.Figures
	Worst      rehearsal.Worst
	Serviced   []Service
	Blind      []Blind  // in order of time, without overlap
	Missing    []string // what could not be reviewed, and why
	// Closed is when the wash was closed by its opening hours.
	Closed []draw.Span
}

// Runs is when a machine ran.
type Runs struct {
	Ran, Unseen []draw.Span // in order of time
	Starts      []Start     // in order of time
}

// Start is a start of a machine, or what a counter told of several.
type Start struct {
	At   time.Time
	Hour int // starts in the hour that ended with it
}

// Service is work that was done on equipment.
type Service struct {
	At             time.Time
	What, Who, Why string
}

// Blind is time in which nothing was watched.
type Blind struct {
	From, To time.Time
	Why      string
	Before   bool // the record begins only at its end
	Since    bool // the record ends at its begin
}

// Length writes how long it was.
func (b Blind) Length() string { return length(minutes.Known(b.To.Sub(b.From).Seconds())) }

//go:embed report.html
var layout string

//go:embed report.css
var style string

// Write writes the page.
func (r *Report) Write(w io.Writer) error {
	if r.Zone == nil {
		r.Zone = time.UTC
	}
	t, err := template.New("report").Funcs(template.FuncMap{"time": r.stamp, "day": r.day, "amount": func(d review.Finding) string { return amount(&d) }, "inc": func(i int) int { return i + 1 }}).Parse(layout)
	if err != nil {
		return err
	}
	if err := t.Execute(w, r.page()); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}

// page is what the layout shows.
type page struct {
	*Report
	Style    template.CSS
	Span     string
	Length   string
	ZoneName string
	Decide   []Item
	Quiet    string
	Key      []figure
	Machines []machine
	Services []service
	AirRows  []row
	Leaks    template.HTML
	Pressure template.HTML
	WaterOf  *waterView
	AlarmOf  *alarmView
	Unseen   string
}

func (r *Report) page() *page {
	p := &page{
		Report: r, Style: template.CSS(style + draw.Style()), // both are ours
		Span: r.span(), Length: days(r.To.Sub(r.From)), ZoneName: r.zoneName(),
		Decide: r.decide(), Quiet: r.quiet(), Key: r.key(), Machines: r.machines(), Services: r.services(),
		AirRows: r.airRows(), Leaks: r.leaks(), Pressure: r.pressure(), WaterOf: r.water(), AlarmOf: r.alarms(), Unseen: r.unseenWords(),
	}
	return p
}

// row is a line of a table of figures.
type row struct{ Figure, Found, And string }

// figure is one of the few on the first page.
type figure struct{ Name, Value, And string }

// stamp writes a time of the site's day.
func (r *Report) stamp(t time.Time) string {
	if t.IsZero() {
		return "not over"
	}
	return t.In(r.Zone).Format("Mon 2 Jan 15:04")
}

func (r *Report) day(t time.Time) string { return t.In(r.Zone).Format("Mon 2 Jan 2006") }

// span names the span: a whole month by its name.
func (r *Report) span() string {
	from, to := r.From.In(r.Zone), r.To.In(r.Zone)
	if from.Day() == 1 && midnight(from) && midnight(to) && from.AddDate(0, 1, 0).Equal(to) {
		return from.Format("January 2006")
	}
	if midnight(from) && midnight(to) {
		return from.Format("2 January 2006") + " to " + to.Add(-12*time.Hour).Format("2 January 2006")
	}
	return from.Format("2 January 2006 15:04") + " to " + to.Format("2 January 2006 15:04")
}

func midnight(t time.Time) bool { return t.Hour() == 0 && t.Minute() == 0 && t.Second() == 0 }

// zoneName tells the zone and how it was shifted at both ends.
func (r *Report) zoneName() string {
	a, b := r.From.In(r.Zone).Format("MST -07:00"), r.To.In(r.Zone).Format("MST -07:00")
	if a == b {
		return r.Zone.String() + " (" + a + ")"
	}
	return r.Zone.String() + " (" + a + ", at the end " + b + ")"
}
