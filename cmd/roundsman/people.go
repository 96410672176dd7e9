package main

import (
	"sync/atomic"

	"roundsman/configs"
	"roundsman/exporter"
)

// people are those who may act now, with their keys. A reload exchanges all of them at once.
type people struct {
	path string // of the site file
	now  atomic.Pointer[[]exporter.Person]
}

// newPeople reads the keys of a site's people. The error names those who are left out: the others may act all the same.
func newPeople(site *configs.Site, path string) (*people, error) {
	p := &people{path: path}
	list, err := readPeople(site.People, path)
	p.now.Store(&list)
	return p, err
}

// list returns those who may act now. It is called from any goroutine; nobody changes the list.
func (p *people) list() []exporter.Person { return *p.now.Load() }

// read reads the keys of a site that was loaded anew. Nothing changes until take is called; the error says what is wrong,
// then there is nothing to take.
func (p *people) read(site *configs.Site) (take func(), err error) {
	if p == nil {
		return func() {}, nil
	}
	list, err := readPeople(site.People, p.path)
	if err != nil {
		return nil, err
	}
	return func() { p.now.Store(&list) }, nil
}
