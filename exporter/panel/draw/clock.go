package draw

import (
	"strconv"
	"time"
)

// timeTick is one mark of a time axis.
type timeTick struct {
	at   time.Time
	word string
}

// mostYears is the longest span a time axis is made for.
const mostYears = 400

// timeTicks returns the marks of a span, at most so many: whole minutes, hours, days, months or years of the zone's own
// clock, however its hours are shifted in between. An hour that comes twice is marked once, unless each hour is.
func timeTicks(from, to time.Time, zone *time.Location, most int) []timeTick {
	if zone == nil {
		zone = time.UTC
	}
	from, to = from.In(zone), to.In(zone)
	span := to.Sub(from)
	if span <= 0 || from.Year() < 1 || to.Year()-from.Year() > mostYears {
		return nil
	}
	limit := span / time.Duration(max(most, 1))
	for _, minutes := range []int{1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720} {
		if time.Duration(minutes)*time.Minute >= limit {
			return clockTicks(from, to, minutes)
		}
	}
	const day = 24 * time.Hour
	for _, days := range []int{1, 2, 7, 14} {
		if time.Duration(days)*day >= limit {
			return dayTicks(from, to, days)
		}
	}
	for _, months := range []int{1, 2, 3, 6} {
		if time.Duration(months)*30*day >= limit {
			return monthTicks(from, to, months)
		}
	}
	for _, years := range []int{1, 2, 5, 10, 20, 50} {
		if time.Duration(years)*365*day >= limit {
			return monthTicks(from, to, 12*years)
		}
	}
	return monthTicks(from, to, 1200)
}

// clockTicks marks where the wall clock shows a multiple of so many minutes. It walks in true minutes (quarters of an
// hour where that is enough, as all zones are shifted by quarters), so no shift of the clock can lead it astray.
func clockTicks(from, to time.Time, minutes int) (list []timeTick) {
	stride := time.Minute
	if minutes >= 60 {
		stride = 15 * time.Minute
	}
	last := ""
	for t := from.Truncate(stride); !t.After(to); t = t.Add(stride) {
		of := 60*t.Hour() + t.Minute()
		if t.Before(from) || of%minutes != 0 || t.Second() != 0 {
			continue
		}
		word := t.Format("15:04")
		if of == 0 {
			word = t.Format("Mon 2")
		}
		if word == last && minutes > 60 {
			continue
		}
		last = word
		list = append(list, timeTick{t, word})
	}
	return list
}

// startOfDay returns the first moment of a day; where midnight itself is skipped, the first after it.
func startOfDay(year int, month time.Month, day int, zone *time.Location) time.Time {
	t := time.Date(year, month, day, 0, 0, 0, 0, zone)
	if want := time.Date(year, month, day, 12, 0, 0, 0, time.UTC); t.Day() != want.Day() {
		t = t.Add(time.Hour)
	}
	return t
}

// dayTicks marks every so many days; weeks begin on Monday.
func dayTicks(from, to time.Time, days int) (list []timeTick) {
	form := "Mon 2"
	if to.Sub(from) > 10*24*time.Hour {
		form = "2 Jan"
	}
	y, m, d := from.Date()
	for i := 0; ; i++ {
		t := startOfDay(y, m, d+i, from.Location())
		if t.After(to) {
			return list
		}
		noon := time.Date(y, m, d+i, 12, 0, 0, 0, time.UTC)
		if n := noon.Unix()/86400 + 3; n%int64(days) == 0 && !t.Before(from) { // 1970 began on a Thursday
			list = append(list, timeTick{t, noon.Format(form)})
		}
	}
}

// monthTicks marks the first of every so many months.
func monthTicks(from, to time.Time, months int) (list []timeTick) {
	for n := 12*from.Year() + int(from.Month()) - 1; ; n++ {
		t := startOfDay(n/12, time.Month(n%12+1), 1, from.Location())
		if t.After(to) {
			return list
		}
		if n%months != 0 || t.Before(from) {
			continue
		}
		word := time.Month(n%12 + 1).String()[:3]
		if n%12 == 0 {
			word = strconv.Itoa(n / 12)
		}
		list = append(list, timeTick{t, word})
	}
}
