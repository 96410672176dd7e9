package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"roundsman/configs"
	"roundsman/exporter/callout"
)

// drillPoll is how often the daemon is asked how the test calls are going.
const drillPoll = 250 * time.Millisecond

type drillFlags struct {
	contacts []string
	by       string
	within   time.Duration
	asJSON   bool
	keyFlag
}

func drillCommand() *cobra.Command {
	var f drillFlags
	cmd := &cobra.Command{
		Use:   "drill SITE.yaml",
		Short: "Call people for a test, and wait for their answers",
		Long: `Drill lets the running daemon call people for a test, by the same way as an alarm would: through the outbox, the
channels and their order. Its messages say that nothing is wrong. It prints each step with the time since the message
was written, and ends when everybody answered; whose channels bring no answers is done when one took the message.

Exit 0: all done; 1: somebody was not reached or did not answer in time, or no daemon answers; 2: wrong usage.`,
		Example: "  roundsman drill site.yaml --contact n.quill --by a.lark",
		Args:    exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error {
			site, err := loadSite(args[0], cmd.OutOrStdout())
			if err != nil {
				return err
			}
			if err := f.vet(cmd, site, args[0]); err != nil {
				return usageError{err}
			}
			return f.run(cmd)
		},
	}
	flags := cmd.Flags()
	flags.StringArrayVar(&f.contacts, "contact", nil, "`NAME` of the person to call; may be repeated; everybody who can be called if not given")
	flags.StringVar(&f.by, "by", "", "`PERSON` who asks for it; the one who is called if not given")
	flags.DurationVar(&f.within, "within", 10*time.Minute, "the `time` to answer")
	flags.BoolVar(&f.asJSON, "json", false, "print the result as JSON, at the end")
	f.keyFlag.add(cmd)
	return cmd
}

// vet says what is missing before anybody is called.
func (f *drillFlags) vet(cmd *cobra.Command, site *configs.Site, path string) error {
	people := site.Callout.Plan.Contacts
	if len(people) == 0 {
		return errors.New("nobody can be called: nobody in the contacts file has channels")
	}
	for _, id := range f.contacts {
		if !slices.ContainsFunc(people, isContact(id)) {
			return fmt.Errorf("--contact %s: no such person with channels; there are %s", id, contactNames(people))
		}
	}
	switch {
	case f.by != "":
	case len(f.contacts) > 0:
		f.by = f.contacts[0]
	default:
		f.by = people[0].ID
	}
	if f.within <= 0 {
		return fmt.Errorf("--within: %s is no time to answer in", f.within)
	}
	if !cmd.Flags().Changed("at") {
		f.daemon.at = daemonOf(site, madeAt(site, path))
	}
	return f.daemon.vet()
}

func contactNames(people []callout.Contact) string {
	var ids []string
	for _, c := range people {
		ids = append(ids, c.ID)
	}
	return named(ids)
}

// drilledPerson is what the daemon tells of one person's test call.
type drilledPerson struct {
	Contact  string   `json:"contact"`
	Number   int      `json:"number,omitzero"`
	Channel  string   `json:"channel,omitzero"`
	Taken    *float64 `json:"takenSeconds,omitempty"`
	Answered *float64 `json:"answeredSeconds,omitempty"`
	Done     bool     `json:"done"`
	Failed   bool     `json:"failed"`
}

func (f *drillFlags) run(cmd *cobra.Command) error {
	c, err := f.client()
	if err != nil {
		return err
	}
	var steps []drilledPerson
	path := "/api/v1/drill?" + url.Values{"contact": f.contacts}.Encode()
	if err := c.ask(cmd.Context(), http.MethodPost, path, map[string]string{"by": f.by, "for": f.within.String()}, &steps); err != nil {
		return err
	}
	show := drillShow{out: cmd.OutOrStdout(), of: f.contacts}
	if f.asJSON {
		show.out = io.Discard
	}
	steps, err = f.follow(cmd.Context(), &c, &show, steps)
	if err != nil {
		return err
	}
	if f.asJSON {
		if err := writeJSON(cmd.OutOrStdout(), steps); err != nil {
			return err
		}
	}
	return show.result(steps)
}

// follow asks until all is over.
func (f *drillFlags) follow(ctx context.Context, c *daemonClient, show *drillShow, steps []drilledPerson) ([]drilledPerson, error) {
	tick := time.NewTicker(drillPoll)
	defer tick.Stop()
	for {
		steps = show.step(steps)
		if !slices.ContainsFunc(steps, func(s drilledPerson) bool { return !s.Done }) {
			return steps, nil
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-tick.C:
		}
		steps = nil
		if err := c.ask(ctx, http.MethodGet, "/api/v1/drill", nil, &steps); err != nil {
			return nil, err
		}
	}
}

// drillShow prints what is new of each person.
type drillShow struct {
	out  io.Writer
	of   []string // whose drills are shown; nil: everybody's
	seen []drilledPerson
}

// step prints what is new, and returns the people's steps. One whose time is over is not told of any more.
func (s *drillShow) step(now []drilledPerson) []drilledPerson {
	if s.of != nil {
		now = slices.DeleteFunc(now, func(p drilledPerson) bool { return !slices.Contains(s.of, p.Contact) })
	}
	for _, p := range now {
		i := slices.IndexFunc(s.seen, func(o drilledPerson) bool { return o.Contact == p.Contact })
		if i < 0 {
			i = len(s.seen)
			s.seen = append(s.seen, drilledPerson{})
			words := "message written, to be answered with OK " + fmt.Sprint(p.Number)
			if p.Number == 0 {
				words = "message written; no answer can come from this person's channels"
			}
			s.say(p.Contact, 0, words)
		}
		was := s.seen[i]
		if p.Taken != nil && was.Taken == nil {
			s.say(p.Contact, *p.Taken, "taken by "+p.Channel)
		}
		if p.Taken == nil && p.Channel != "" && p.Channel != was.Channel {
			fmt.Fprintf(s.out, "%10s  %-16s  %s\n", "", p.Contact, "not taken: "+p.Channel)
		}
		if p.Answered != nil && was.Answered == nil {
			s.say(p.Contact, *p.Answered, "answered")
		}
		s.seen[i] = p
	}
	for i := range s.seen {
		if p := &s.seen[i]; !p.Done && !slices.ContainsFunc(now, func(o drilledPerson) bool { return o.Contact == p.Contact }) {
			p.Done, p.Failed = true, true
		}
	}
	return s.seen
}

func (s *drillShow) say(who string, seconds float64, words string) {
	fmt.Fprintf(s.out, "%8.1f s  %-16s  %s\n", seconds, who, words)
}

// result says how it went.
func (s *drillShow) result(steps []drilledPerson) error {
	failed := 0
	for _, p := range steps {
		switch {
		case p.Failed && p.Taken == nil:
			fmt.Fprintf(s.out, "%10s  %-16s  NOT REACHED: no channel took it\n", "", p.Contact)
			failed++
		case p.Failed:
			fmt.Fprintf(s.out, "%10s  %-16s  NO ANSWER in time\n", "", p.Contact)
			failed++
		}
	}
	if failed > 0 {
		fmt.Fprintf(s.out, "drill failed for %d of %d\n", failed, len(steps))
		return errSaid
	}
	fmt.Fprintf(s.out, "drill done: %d of %d reached\n", len(steps), len(steps))
	return nil
}
