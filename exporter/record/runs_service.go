package record

import (
	"context"
	"time"
)

// Kinds of lines about equipment.
const (
	MeterJumped    Kind = "meter jumped"    // an hour meter or counter of starts rolled over, was reset or replaced
	MeterExplained Kind = "meter explained" // of a person, who said what had been done to it
	Serviced       Kind = "serviced"        // of a person, who did what is due by run time
)

// Service is work that somebody did on equipment.
type Service struct {
	Equipment, Service string
	Time               time.Time     // UTC, when it was done or said
	Run                time.Duration // what the run time stood at, from which the next is counted
	Who, Why           string
}

const (
	sqlService  = `INSERT INTO services (equipment, service, time, run, who, why) VALUES (?, ?, ?, ?, ?, ?)`
	sqlServices = `SELECT equipment, service, time, run, who, coalesce(why, '') FROM services ORDER BY rowid`
)

// writeServices writes what was done.
func (r *Record) writeServices() error {
	for _, s := range r.queue.services {
		if err := r.w.exec(sqlService, s.Equipment, s.Service, s.Time.UnixMilli(), int64(s.Run), s.Who, word(s.Why)); err != nil {
			return err
		}
	}
	return nil
}

// Services returns all services on the record in the order in which they were told.
func (r *Reader) Services(ctx context.Context) ([]Service, error) {
	rows, err := r.db.QueryContext(ctx, sqlServices)
	if err != nil {
		return nil, r.fail("services", reason(err))
	}
	defer rows.Close()
	var out []Service
	for rows.Next() {
		var s Service
		var ms int64
		if err := rows.Scan(&s.Equipment, &s.Service, &ms, &s.Run, &s.Who, &s.Why); err != nil {
			return nil, r.fail("services", reason(err))
		}
		s.Time = time.UnixMilli(ms).UTC()
		out = append(out, s)
	}
	if err := rows.Err(); err != nil {
		return nil, r.fail("services", reason(err))
	}
	return out, nil
}
