package review

import "roundsman/rules"

// Sample is one figure as a metric without labels: a gauge, in base units.
type Sample struct {
	Name, Help string
	Unit       string // "", "ratio" or "seconds"; the name ends with it
	Value      float64
}

// Samples returns the figures as metrics. What does not exist in the span (a time to acknowledge without one
// acknowledged alarm) is absent.
func (f *Figures) Samples() []Sample {
	n := func(v int) float64 { return float64(v) }
	list := []Sample{
		{"roundsman_alarms_per_hour", "Mean number of alarms an hour over the reviewed span.", "", f.Hour.Mean},
		{"roundsman_alarms_per_hour_peak", "Most alarms in any hour of the reviewed span, sliding.", "", n(f.Hour.PeakSliding)},
		{"roundsman_alarms_per_ten_min", "Mean number of alarms in ten minutes over the reviewed span.", "", f.TenMinute.Mean},
		{"roundsman_alarms_per_ten_min_peak", "Most alarms in any ten minutes of the reviewed span, sliding.", "", n(f.TenMinute.PeakSliding)},
		{"roundsman_alarms_busy_hour_ratio", "Share of the reviewed span in hours with more than 30 alarms.", "ratio", f.BusyHours.Share},
		{"roundsman_alarms_busy_ten_min_ratio", "Share of the reviewed span in ten-minute periods with more than 10 alarms.", "ratio", f.BusyTens.Share},
		{"roundsman_alarm_floods", "Floods in the reviewed span, sliding.", "", n(len(f.Sliding.Episodes))},
		{"roundsman_alarm_flood_ratio", "Share of the reviewed span in flood, sliding.", "ratio", f.Sliding.Share},
		{"roundsman_alarm_flood_fixed_ratio", "Share of the reviewed span in flood, by fixed ten-minute periods.", "ratio", f.Fixed.Share},
		{"roundsman_alarms_most_frequent_ratio", "Share of the ten most frequent alarms in all alarms of the reviewed span.", "ratio", f.FrequentAll},
		{"roundsman_alarms_chattering", "Alarms with three starts in a minute in the reviewed span.", "", n(len(f.Chattering))},
		{"roundsman_alarms_fleeting", "Alarms that were over soon by themselves in the reviewed span.", "", n(len(f.Fleeting))},
		{"roundsman_alarms_stale", "Most alarms active for over 24 hours on a day of the reviewed span.", "", n(f.Stale.Most)},
	}
	if f.Alarms > 0 {
		list = append(list,
			Sample{"roundsman_alarms_high_priority_ratio", "Share of high priority in all alarms of the reviewed span.", "ratio", f.share(rules.HighPriority)},
			Sample{"roundsman_alarms_medium_priority_ratio", "Share of medium priority in all alarms of the reviewed span.", "ratio", f.share(rules.MediumPriority)},
			Sample{"roundsman_alarms_low_priority_ratio", "Share of low priority in all alarms of the reviewed span.", "ratio", f.share(rules.LowPriority)})
	}
	if k := &f.Acknowledge; k.Median != nil {
		list = append(list,
			Sample{"roundsman_alarm_acknowledge_median_seconds", "Median time until a person acknowledged an alarm of the reviewed span.", "seconds", *k.Median},
			Sample{"roundsman_alarm_acknowledge_p90_seconds", "Time within which 90 % of the acknowledged alarms of the reviewed span were acknowledged.", "seconds", *k.P90})
	}
	return list
}
