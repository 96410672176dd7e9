package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/desk"
	"roundsman/exporter/callout/outbox"
	"roundsman/exporter/callout/push"
	"roundsman/exporter/callout/sms"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// calling is how people are called: the desk decides, the record keeps, the sender sends. Everything but run belongs to
// the judge. Without call-outs nobody is called, and what still waits from before is told as failed.
type calling struct {
	clock     *collector.Clock
	log       *slog.Logger
	notBefore time.Time // a wall clock before it is not set
	maker     wayMaker
	sender    *callout.Sender
	links     *callout.Links // nil: none
	answers   chan callout.Answer

	site   *configs.Site
	box    *outbox.Outbox
	ways   *ways
	engine func() *rules.Engine
	latest func(collector.PointID) collector.Reading
	trend  course
	acts   []rules.Act
	status []rules.Status // of links and texts, used again
	weekly weekly

	wanted chan *ways // what run shall run; has room for one
	steps  atomic.Pointer[[]exporter.DrillStep]
}

// callParts are what calling works with.
type callParts struct {
	clock     *collector.Clock
	log       *slog.Logger
	record    string // the record's path, beside which keys lie; "": none is kept
	notBefore time.Time
	alive     func() error
	engine    func() *rules.Engine
	latest    func(collector.PointID) collector.Reading
}

// newCalling returns a calling without people: see open.
func newCalling(p callParts) *calling {
	c := &calling{
		clock: p.clock, log: p.log, notBefore: p.notBefore, engine: p.engine, latest: p.latest,
		answers: make(chan callout.Answer), wanted: make(chan *ways, 1),
		maker:  wayMaker{log: p.log, alive: p.alive},
		sender: callout.NewSender(callout.SenderOptions{Clock: p.clock, Log: p.log}),
	}
	if p.record != "" {
		c.maker.folder = filepath.Dir(p.record)
	}
	return c
}

// open makes the desk and goes on from what the record kept.
func (c *calling) open(now collector.Moment, site *configs.Site, kept *record.State) error {
	var errs []error
	used, err := outbox.UsedLinks(kept)
	errs = append(errs, err)
	if c.maker.folder != "" && site.Callout.Links.Address != "" {
		errs = append(errs, c.openLinks(site.Callout.Links.Life, used))
	}
	c.maker.phones, err = push.NewPhones(push.PhonesOptions{Clock: c.clock, Site: site.Name}, outbox.KeptPhones(kept))
	errs = append(errs, err, c.use(site))
	if c.box, err = c.newBox(site); err != nil {
		return errors.Join(append(errs, err)...)
	}
	c.weekly.restore(kept, site, c.clock.Time(now).In(site.Zone))
	errs = append(errs, c.box.Restore(now, kept, c.engine().Status(nil)))
	return errors.Join(errs...)
}

func (c *calling) openLinks(life time.Duration, used map[string]time.Time) error {
	key, err := callout.LoadKey(filepath.Join(c.maker.folder, "links.key"))
	if err != nil {
		return fmt.Errorf("messages go without links: %w", err)
	}
	c.links, err = callout.NewLinks(key, life, used)
	return err
}

// use takes the channels and people of a site.
func (c *calling) use(site *configs.Site) error {
	var before []*modem
	if c.ways != nil {
		before = c.ways.modems
	}
	w, err := c.maker.make(&site.Callout, before)
	c.ways, c.site = w, site
	c.sender.Use(w.channels, site.Callout.Plan.Contacts)
	select { // run may not have taken the one before
	case <-c.wanted:
	default:
	}
	c.wanted <- w
	return err
}

// newBox makes the desk of a site. Where nobody is to be called it knows no call-outs.
func (c *calling) newBox(site *configs.Site) (*outbox.Outbox, error) {
	list := site.Rules.Rules
	if !site.Callout.Calls() && slices.ContainsFunc(list, func(r rules.Rule) bool { return r.CallOut != "" }) {
		list = slices.Clone(list)
		for i := range list {
			list[i].CallOut = ""
		}
	}
	d, err := desk.New(desk.Options{
		Plan: site.Callout.Plan, Rules: list, Points: site.Points, Zone: site.Zone, Time: c.clock.Time, NotBefore: c.notBefore,
		Look: c.look, Link: c.link, Parse: sms.ParseAnswer, Wording: site.Callout.Wording, Answers: c.canAnswer,
	})
	if err != nil {
		return nil, err
	}
	return outbox.New(outbox.Options{Clock: c.clock, Desk: d, Sender: c.sender, Links: c.links, Phones: c.maker.phones}), nil
}

// follow goes on with another desk, by the engine that judges by its rules already.
func (c *calling) follow(now collector.Moment, site *configs.Site, box *outbox.Outbox, k *record.Change) {
	if site != c.site {
		if err := c.use(site); err != nil {
			c.log.Error("calling people", "error", err) // the rest is called through
		}
	}
	box.Follow(now, c.box, c.engine().Status(nil))
	c.box = box
	c.box.Whole(k)
}

// step lets the desk decide about the events and answers of a round. It returns the events with those that answers made.
func (c *calling) step(now collector.Moment, events []rules.Event, answers []callout.Answer, k *record.Change) []rules.Event {
	c.acts = append(c.acts[:0], c.box.Step(now, events, answers, k)...)
	for len(c.acts) > 0 {
		act := c.acts[0]
		c.acts = c.acts[1:]
		from := len(events)
		events, _ = c.engine().Act(now, act, events) // what is done already is refused
		c.acts = append(c.acts, c.box.Step(now, events[from:], nil, k)...)
	}
	return events
}

// committed lets the sender go on, now that the round is on the record, or cannot be.
func (c *calling) committed() {
	c.box.Committed()
	if n := len(c.box.Drills()); n > 0 || c.steps.Load() != nil {
		c.showDrills()
	}
}

// look tells a text how an alarm is now.
func (c *calling) look(rule int) desk.Look {
	c.status = c.engine().Status(c.status[:0])
	st, r := &c.status[rule], &c.site.Rules.Rules[rule]
	out := desk.Look{Value: st.Value, Peak: st.Peak, Lost: st.ReadingLost}
	if now := c.latest(r.Point); r.Kind <= rules.HighHigh && now.Quality.Usable() {
		out.Trend = c.trend.of(r.Point, now.Value, r.Deadband/2)
	}
	return out
}

// link makes a link by which a person acknowledges an alarm.
func (c *calling) link(rule int, person string, now time.Time) string {
	if c.links == nil {
		return ""
	}
	c.status = c.engine().Status(c.status[:0])
	token := c.links.Mint(c.site.Rules.Rules[rule].Name, c.status[rule].Activations, person, now)
	return c.site.Callout.Links.Address + exporter.LinkPath + token
}

// canAnswer reports whether a person has a telephone that answers can come from.
func (c *calling) canAnswer(contact *callout.Contact) bool {
	return slices.ContainsFunc(contact.Addresses, func(a callout.Address) bool {
		ch, ok := c.site.Callout.Channel(a.Channel)
		return ok && (ch.Kind == "sms" || ch.Kind == "voice")
	})
}

// run sends, and runs the modems and the heartbeat that the files ask for, until ctx ends.
func (c *calling) run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var parts sync.WaitGroup
	defer parts.Wait()
	var failed error
	var once sync.Once
	end := func(err error) {
		once.Do(func() { failed = err })
		cancel()
	}
	parts.Go(func() { end(c.sender.Run(ctx)) })
	running := map[any]func(){}
	for {
		select {
		case <-ctx.Done():
			parts.Wait()
			return errors.Join(failed, c.closeWays())
		case w := <-c.wanted:
			c.runWays(ctx, w, running, &parts, end)
		}
	}
}

// closeWays is called when the judge's parts have ended, so the channels are nobody's.
func (c *calling) closeWays() error { return c.ways.close() }

// runWays ends what is not wanted any more, and starts what is new. A port is free before it is opened again.
func (c *calling) runWays(ctx context.Context, w *ways, running map[any]func(), parts *sync.WaitGroup, end func(error)) {
	wanted := map[any]func(context.Context) error{}
	for _, m := range w.modems {
		wanted[m] = func(ctx context.Context) error { return c.runModem(ctx, m) }
	}
	if w.beat != nil {
		wanted[w.beat] = w.beat.Run
	}
	for key, stop := range running {
		if wanted[key] == nil {
			stop()
			delete(running, key)
		}
	}
	for key, run := range wanted {
		if running[key] != nil {
			continue
		}
		own, cancel := context.WithCancel(ctx)
		ended := make(chan struct{})
		running[key] = func() { cancel(); <-ended }
		parts.Go(func() {
			defer close(ended)
			if err := run(own); own.Err() == nil {
				end(errors.Join(err, errEnded))
			}
		})
	}
}

// runModem runs a modem, and hands on the answers and reports that come by it.
func (c *calling) runModem(ctx context.Context, m *modem) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var parts sync.WaitGroup
	defer parts.Wait()
	parts.Go(func() {
		for {
			select {
			case <-ctx.Done():
				return
			case d := <-m.Deliveries():
				if d.Delivered && d.Key != "" {
					c.sender.Delivered(d.Key)
				}
			case a := <-m.Answers():
				select {
				case c.answers <- a:
				case <-ctx.Done():
					return
				}
			}
		}
	})
	err := m.Run(ctx)
	cancel()
	return err
}

// readings tell how calling is doing, as points of the box.
func (c *calling) readings(box *configs.Box, now collector.Moment, out []collector.Reading) []collector.Reading {
	if box.CalloutOldest == collector.NoPoint {
		return out
	}
	st := c.sender.Status()
	out = append(out,
		collector.Reading{Point: box.CalloutOldest, Quality: collector.Good, At: now, Value: st.Oldest.Seconds()},
		state(box.CalloutReachable, now, st.Reason))
	for _, p := range box.Modems {
		i := slices.IndexFunc(c.ways.modems, func(m *modem) bool { return m.channel == p.Channel })
		if i < 0 {
			continue
		}
		out = append(out, modemReadings(p, c.ways.modems[i].Status(), now)...)
	}
	return out
}

func modemReadings(p configs.ModemPoints, st sms.Status, now collector.Moment) []collector.Reading {
	signal := collector.Fail(p.Signal, collector.NotRead, 0, now, "")
	if st.Open && st.SignalKnown {
		signal = collector.Reading{Point: p.Signal, Quality: collector.Good, At: now, Value: st.Signal}
	}
	wrong := ""
	if !st.Ready || !st.Registered() {
		if wrong = st.Problem; wrong == "" {
			wrong = st.Registration.String()
		}
	}
	return []collector.Reading{state(p.Registered, now, wrong), signal}
}

// figures returns how calling is doing, for a view; nil where nobody is called.
func (c *calling) figures() *exporter.CallFigures {
	if !c.site.Callout.Calls() {
		return nil
	}
	st := c.sender.Status()
	out := &exporter.CallFigures{Waiting: st.Waiting, Oldest: st.Oldest}
	for _, n := range st.Counts {
		out.Counts = append(out.Counts, exporter.CallCount{Channel: n.Channel, Outcome: n.Outcome, N: n.N})
	}
	return out
}

// errNoDesk: the parts contradict each other, which the loading of files should have found.
var errNoDesk = errors.New("nobody can be called: the desk cannot be made")
