package main

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/mqtt"
	"roundsman/configs"
	"roundsman/exporter/panel"
)

// linkMaker makes a site's link of that name. It opens nothing.
type linkMaker func(site *configs.Site, name string) (collector.Link, error)

// makeLink is the linkMaker of a daemon.
func makeLink(log *slog.Logger, clock *collector.Clock) linkMaker {
	return func(site *configs.Site, name string) (collector.Link, error) {
		for _, o := range site.Modbus {
			if o.Name == name {
				o.Log = log // it names the link itself
				return modbus.New(o, site.Points, clock)
			}
		}
		for _, o := range site.MQTT {
			if o.Name == name {
				return mqtt.New(o, site.Points, clock)
			}
		}
		return nil, fmt.Errorf("no such link")
	}
}

// linkNames returns the names of a site's links, in the order in which they are shown.
func linkNames(site *configs.Site) (names []string) {
	for i := range site.Modbus {
		names = append(names, site.Modbus[i].Name)
	}
	for i := range site.MQTT {
		names = append(names, site.MQTT[i].Name)
	}
	return names
}

// all makes the links of these names.
func (m linkMaker) all(site *configs.Site, names []string) ([]collector.Link, error) {
	var links []collector.Link
	for _, name := range names {
		l, err := m(site, name)
		if err != nil {
			return nil, fmt.Errorf("link %s: %w", name, err)
		}
		links = append(links, l)
	}
	return links, nil
}

// linkSet owns the links and their goroutines. Which they are is changed by orders of the judge; who reads them may be anybody.
type linkSet struct {
	now    atomic.Pointer[[]heldLink] // in force, in the order of the file
	orders chan linkOrder
}

// heldLink is a link in force.
type heldLink struct {
	collector.Link
	alive *atomic.Bool // it runs
}

// linkOrder makes the links of some names end, or lets the links in list be those in force: what does not run yet begins.
type linkOrder struct {
	end  []string
	list []collector.Link // nil: those that are left
	done chan struct{}    // closed when it is carried out: what had to end is gone
}

func newLinkSet(links []collector.Link) *linkSet {
	s := &linkSet{orders: make(chan linkOrder)}
	s.hold(links)
	return s
}

// hold makes the links those in force; one that is already goes on.
func (s *linkSet) hold(links []collector.Link) {
	var before []heldLink
	if b := s.now.Load(); b != nil {
		before = *b
	}
	list := make([]heldLink, len(links))
	for i, l := range links {
		list[i] = heldLink{l, new(atomic.Bool)}
		if k := slices.IndexFunc(before, func(h heldLink) bool { return h.Link == l }); k >= 0 {
			list[i] = before[k]
		}
	}
	s.now.Store(&list)
}

// list returns the links in force. It may be called from any goroutine.
func (s *linkSet) list() []collector.Link {
	now := *s.now.Load()
	links := make([]collector.Link, len(now))
	for i, h := range now {
		links[i] = h.Link
	}
	return links
}

// health tells of each link whether it runs.
func (s *linkSet) health() (parts []panel.Part) {
	for _, h := range *s.now.Load() {
		parts = append(parts, panel.Part{Name: "link " + h.Name(), Alive: h.alive.Load()})
	}
	return parts
}

// run runs the links, which send to out, and carries out orders, until ctx ends or a link ends by itself. All links are
// gone when it returns.
func (s *linkSet) run(ctx context.Context, out chan<- collector.Batch) error {
	ctx, cancel := context.WithCancel(ctx)
	r := &runningLinks{out: out, failed: make(chan error, 1), stop: map[string]func(){}}
	defer r.parts.Wait()
	defer cancel()
	r.begin(ctx, *s.now.Load())
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-r.failed:
			return err
		case o := <-s.orders:
			if o.list != nil {
				s.hold(o.list)
				r.begin(ctx, *s.now.Load())
			} else {
				r.end(o.end)
				s.hold(slices.DeleteFunc(s.list(), func(l collector.Link) bool { return slices.Contains(o.end, l.Name()) }))
			}
			close(o.done)
		}
	}
}

// runningLinks are the goroutines of a linkSet.
type runningLinks struct {
	out    chan<- collector.Batch
	parts  sync.WaitGroup
	failed chan error        // has room for the first
	stop   map[string]func() // by name: ends one and waits until it is gone
}

// begin lets those run that do not yet.
func (r *runningLinks) begin(ctx context.Context, links []heldLink) {
	for _, l := range links {
		if r.stop[l.Name()] != nil {
			continue
		}
		own, cancel := context.WithCancel(ctx)
		gone := make(chan struct{})
		r.stop[l.Name()] = func() { cancel(); <-gone }
		work := part{"link " + l.Name(), func(ctx context.Context) error { return l.Run(ctx, r.out) }, l.alive}
		r.parts.Go(func() {
			defer close(gone)
			defer cancel()
			if err := work.work(own); err != nil {
				select {
				case r.failed <- err:
				default: // one is enough
				}
			}
		})
	}
}

// end ends those of these names, all at once, and waits until they are gone.
func (r *runningLinks) end(names []string) {
	var ending sync.WaitGroup
	for _, name := range names {
		if stop := r.stop[name]; stop != nil {
			ending.Go(stop)
			delete(r.stop, name)
		}
	}
	ending.Wait()
}
