package main

import (
	"context"
	"fmt"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/record"
)

// serviceRequest is a service that somebody did on its way to the judge.
type serviceRequest struct {
	equipment, service, who, why string
	done                         chan error // has room for one
}

// Serviced notes that a service was done; see exporter.Services.
func (j *judge) Serviced(ctx context.Context, equipment, service, who, why string) error {
	r := serviceRequest{equipment, service, who, why, make(chan error, 1)}
	return askJudge(ctx, j.services, r, r.done)
}

// serviced keeps a service, counts the next from now, and shows it.
func (j *judge) serviced(r serviceRequest) error {
	now := j.clock.Now()
	done, err := j.duty.serviced(r.equipment, r.service, now)
	if err != nil {
		return err
	}
	done.Time, done.Who, done.Why = j.clock.Time(now), r.who, r.why
	j.duty.services.take(done)
	j.keep.service(done)
	j.events = j.events[:0]
	j.keep.round(j, now)
	j.publish(now)
	if j.keep.failing {
		return errNotKept
	}
	return nil
}

// serviced returns a service as done at the run time of now.
func (d *duties) serviced(equipment, service string, now collector.Moment) (record.Service, error) {
	for i := range d.machines {
		if d.specs[i].Name != equipment {
			continue
		}
		for _, w := range d.specs[i].Service {
			if w.Name == service {
				return record.Service{Equipment: equipment, Service: service, Run: d.meters[i].Figures(now).Run}, nil
			}
		}
		names := make([]string, 0, len(d.specs[i].Service))
		for _, w := range d.specs[i].Service {
			names = append(names, w.Name)
		}
		return record.Service{}, fmt.Errorf("%w as %q of %s; there are %q", exporter.ErrNoService, service, equipment, names)
	}
	return record.Service{}, fmt.Errorf("%w as %q", exporter.ErrNoEquipment, equipment)
}

// service keeps a service with its line of the journal.
func (k *keeper) service(s record.Service) {
	if k.record == nil {
		return
	}
	why := s.Service + " of " + s.Equipment + fmt.Sprintf(", after %.1f h of running in all", s.Run.Hours())
	k.change.Services = append(k.change.Services, s)
	k.change.Lines = append(k.change.Lines, record.Line{Kind: record.Serviced, Who: s.Who, Why: joinWords(why, s.Why)})
}
