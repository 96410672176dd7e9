package rehearsal

import (
	"time"

	"roundsman/collector"
	"roundsman/exporter/review"
)

// AlarmSystem returns the figures of the alarm system that would have rung, as the record's are reviewed. The span ends
// with the second of the last reading, so that what starts with it counts. Times are UTC; where the data tell seconds,
// they are counted from 1970. Nobody acknowledges in a rehearsal. The error says why there are no figures.
func (r *Report) AlarmSystem() (review.Figures, error) {
	list := make([]review.Activation, len(r.Alarms))
	for i := range r.Alarms {
		list[i] = r.activation(&r.Alarms[i])
	}
	end := utc(r.To.At).Truncate(time.Second).Add(time.Second)
	return review.Alarms(list, review.Span{From: utc(r.From.At), To: end}, review.Options{})
}

func (r *Report) activation(a *Alarm) review.Activation {
	rule := &r.Rules[a.Rule]
	v := review.Activation{
		Rule: rule.Name, Point: r.Points[rule.Point].Name, Priority: rule.Priority, Start: utc(a.Start.At),
		AcknowledgesItself: rule.AutoAcknowledge,
	}
	switch {
	case a.Active:
	case a.Silenced:
		v.End, v.Ending = utc(a.End.At), review.Suppressed
	default:
		v.End, v.Ending = utc(a.End.At), review.Returned
	}
	return v
}

func utc(m collector.Moment) time.Time { return time.Unix(0, int64(m)).UTC() }
