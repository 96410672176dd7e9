package modbus

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Carries reports whether the line can do what is asked of it, with time to spare for a time-out.
func (rep *Report) Carries() bool { return rep.Load <= tightLoad && !rep.late() }

// late reports whether some round takes longer than the shortest interval in it.
func (rep *Report) late() bool {
	return slices.ContainsFunc(rep.Rounds, func(r RoundPlan) bool { return len(r.Every) > 0 && r.LineTime > r.Every[0] })
}

// Relief says what would let the line carry its points: a faster line, longer
// intervals, a second link. nil where nothing need be changed.
func Relief(opts Options) ([]string, error) {
	rep, err := Forecast(opts)
	if err != nil || rep.Carries() {
		return nil, err
	}
	opts = opts.complete()
	var out []string
	if s := fasterLine(opts); s != "" {
		out = append(out, s)
	}
	if s := withoutGap(opts); s != "" {
		out = append(out, s)
	}
	if s := longerInterval(opts); s != "" {
		out = append(out, s)
	}
	if n := len(unitsOf(opts)); n > 1 && opts.Transport == RTU {
		out = append(out, fmt.Sprintf("move some of its %d units to a second serial line", n))
	}
	return out, nil
}

// forecastOf is Forecast for options that were taken before.
func forecastOf(opts Options, change func(*Options)) (Report, bool) {
	change(&opts)
	rep, err := Forecast(opts)
	return rep, err == nil
}

// fasterLine finds the lowest usual baud at which the line carries its points.
func fasterLine(opts Options) string {
	if opts.Transport != RTU {
		return ""
	}
	for _, baud := range []int{9600, 19200, 38400, 57600, 115200} {
		if baud <= opts.Baud {
			continue
		}
		if rep, ok := forecastOf(opts, func(o *Options) { o.Baud = baud }); ok && rep.Carries() {
			return fmt.Sprintf("at %d baud it would be busy for %.0f %% of the time, where all its devices can do that", baud, 100*rep.Load)
		}
	}
	return ""
}

func withoutGap(opts Options) string {
	if opts.Gap <= 0 {
		return ""
	}
	if rep, ok := forecastOf(opts, func(o *Options) { o.Gap = 0 }); ok && rep.Carries() {
		return fmt.Sprintf("without the gap of %v between requests it would be busy for %.0f %% of the time, where its devices need none", opts.Gap, 100*rep.Load)
	}
	return ""
}

// longerInterval finds by how much the most frequent points must be read more seldom.
func longerInterval(opts Options) string {
	shortest, points := time.Duration(math.MaxInt64), 0
	for _, p := range opts.Points {
		shortest = min(shortest, p.Every)
	}
	for _, p := range opts.Points {
		if p.Every == shortest {
			points++
		}
	}
	for _, times := range []time.Duration{2, 3, 5, 10, 20, 60} {
		longer := func(o *Options) {
			o.Points = slices.Clone(o.Points)
			for i := range o.Points {
				o.Points[i].Every = max(o.Points[i].Every, shortest*times)
			}
		}
		if r, ok := forecastOf(opts, longer); ok && r.Carries() {
			return fmt.Sprintf("with the %s read each %v read each %v it would be busy for %.0f %% of the time",
				countPoints(points), shortest, shortest*times, 100*r.Load)
		}
	}
	return ""
}

func countPoints(n int) string {
	if n == 1 {
		return "1 point"
	}
	return fmt.Sprintf("%d points", n)
}

func unitsOf(opts Options) map[uint8]bool {
	out := map[uint8]bool{}
	for _, p := range opts.Points {
		out[p.Unit] = true
	}
	return out
}
