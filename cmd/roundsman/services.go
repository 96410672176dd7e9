package main

import (
	"time"

	"roundsman/collector/duty"
	"roundsman/exporter"
	"roundsman/exporter/record"
)

// services knows at which run time each service of the equipment was done last. It belongs to the judge.
type services struct {
	last map[serviceName]record.Service
}

type serviceName struct{ equipment, service string }

func newServices() *services { return &services{last: map[serviceName]record.Service{}} }

// take notes a service; later ones replace it.
func (s *services) take(done record.Service) {
	s.last[serviceName{done.Equipment, done.Service}] = done
}

// due returns for each service of a machine how much run time is left until it; below 0 it is overdue.
func (s *services) due(spec *duty.Spec, run time.Duration) []exporter.ServiceDue {
	var out []exporter.ServiceDue
	for _, w := range spec.Service {
		d := exporter.ServiceDue{Service: w.Name, EverySeconds: w.Every.Seconds()}
		last, ok := s.last[serviceName{spec.Name, w.Name}]
		d.DueSeconds = (w.Every - (run - last.Run)).Seconds()
		if ok {
			d.LastTime, d.LastWho = last.Time, last.Who
		}
		out = append(out, d)
	}
	return out
}
