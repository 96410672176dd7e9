package main

import (
	"slices"
	"sync/atomic"

	"roundsman/configs"
	"roundsman/exporter"
)

// A reload exchanges the site while pages are asked for. Whoever answers them asks each time which site is in force.

// fixed is a site that nothing exchanges.
func fixed(site *configs.Site) func() *configs.Site {
	return func() *configs.Site { return site }
}

// factsNow tells how a point of the site in force is read. It may be called from any goroutine.
func factsNow(site func() *configs.Site) func(point string) exporter.PointFacts {
	type book struct {
		of    *configs.Site
		facts func(point string) exporter.PointFacts
	}
	var last atomic.Pointer[book]
	return func(point string) exporter.PointFacts {
		now := site()
		b := last.Load()
		if b == nil || b.of != now {
			b = &book{now, pointFacts(now)}
			last.Store(b)
		}
		return b.facts(point)
	}
}

// pushes reports whether a site sends to phones on which people installed the panel.
func pushes(site *configs.Site) bool {
	return slices.ContainsFunc(site.Callout.Channels, func(c configs.Channel) bool { return c.Push != nil })
}
