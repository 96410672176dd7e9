package panel

import (
	"roundsman/exporter"
	"roundsman/rules"
)

// actRow is what can be done to one alarm by whoever looks at it.
type actRow struct {
	Alarm string
	visitor
	Acknowledge, Reset, Shelve, Unshelve, TakeOut, PutBack bool
	Spans                                                  []span
	Reasons                                                []string
}

// span is a ready length of a shelve.
type span struct{ For, Words string }

// The longest is one shift: what must rest longer is out of service, and is looked at every day.
var spans = []span{{"15m", "15 min"}, {"30m", "30 min"}, {"1h", "1 h"}, {"2h", "2 h"}, {"8h", "this shift, 8 h"}}

// reasons are the ready ones, so that shelving takes three touches: open, why, how long.
var reasons = []string{"being worked on", "sensor cleaned or changed", "waiting for a part", "known and watched"}

// acting returns what may be done to an alarm; nil if nothing may, or nobody said who they are.
// It offers what the state allows (rules' table of transitions); the rules have the last word.
func acting(vis visitor, r *rules.Rule, s rules.Status) *actRow {
	if vis.By == "" || r.Name == "" {
		return nil
	}
	return &actRow{Alarm: r.Name, visitor: vis, Spans: spans, Reasons: reasons,
		Acknowledge: waits(s.State),
		Reset:       s.State == rules.LatchAcknowledged,
		Shelve:      s.State <= rules.LatchAcknowledged,
		Unshelve:    s.State == rules.Shelved,
		TakeOut:     s.State < rules.OutOfService,
		PutBack:     s.State == rules.OutOfService,
	}
}

// withActs returns an alarm's row together with what may be done to it.
func (a alarmRow) withActs(vis visitor, v *exporter.View, s rules.Status) alarmRow {
	a.Acts = acting(vis, &v.Site.Rules[s.Rule], s)
	return a
}
