package panel

import "roundsman/exporter"

// people returns those who may act now. A reload may exchange them between two requests, never within one look.
func (p *Panel) people() []exporter.Person {
	if p.opts.PeopleNow != nil {
		return p.opts.PeopleNow()
	}
	return p.opts.People
}
