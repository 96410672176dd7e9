package main

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"roundsman/collector"
)

// tameLink runs until it is told to end with an error.
type tameLink struct {
	name   string
	leave  chan error
	living int
}

func (l *tameLink) Name() string                 { return l.name }
func (l *tameLink) Status() collector.LinkStatus { return collector.LinkStatus{Name: l.name} }

func (l *tameLink) Run(ctx context.Context, _ chan<- collector.Batch) error {
	l.living++
	defer func() { l.living-- }()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case err := <-l.leave:
		return err
	}
}

// Links are exchanged one by one; one that ends unasked ends the set, with all others, and is named.
func TestLinkSet(t *testing.T) {
	boom := errors.New("no such line")
	for _, tt := range []struct {
		name string
		end  error // by itself
		want error
	}{
		{"asked to stop", context.Canceled, context.Canceled},
		{"ended with an error", boom, boom},
		{"ended without one", nil, errEnded},
	} {
		synctest.Test(t, func(t *testing.T) {
			a, b, c := &tameLink{name: "a", leave: make(chan error)}, &tameLink{name: "b", leave: make(chan error)}, &tameLink{name: "c", leave: make(chan error)}
			s := newLinkSet([]collector.Link{a, b})
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			ended := make(chan error, 1)
			go func() { ended <- s.run(ctx, nil) }()
			alive := func(want string) {
				t.Helper()
				synctest.Wait()
				var got []string
				for _, p := range s.health() {
					if p.Alive {
						got = append(got, p.Name)
					}
				}
				if strings.Join(got, ", ") != want {
					t.Errorf("%s: alive are %q, want %q", tt.name, got, want)
				}
			}
			order := func(o linkOrder) {
				o.done = make(chan struct{})
				s.orders <- o
				<-o.done
			}
			alive("link a, link b")
			order(linkOrder{end: []string{"a", "nobody"}})
			if a.living != 0 || b.living != 1 {
				t.Errorf("%s: %d of a and %d of b live", tt.name, a.living, b.living)
			}
			alive("link b")
			order(linkOrder{list: []collector.Link{c, b, a}})
			alive("link c, link b, link a")
			if !slices.Equal(s.list(), []collector.Link{c, b, a}) || a.living != 1 || b.living != 1 {
				t.Errorf("%s: %v; %d of a and %d of b live", tt.name, s.list(), a.living, b.living)
			}
			if errors.Is(tt.end, context.Canceled) {
				cancel()
			} else {
				c.leave <- tt.end
			}
			err := <-ended
			if !errors.Is(err, tt.want) || tt.want != context.Canceled && !strings.HasPrefix(err.Error(), "link c: ") {
				t.Errorf("%s: %v", tt.name, err)
			}
			alive("")
		})
	}
}
