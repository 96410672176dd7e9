package rehearsal

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"roundsman/collector/units"
	"roundsman/rules"
)

// Key is what a what-if changes of a rule.
type Key uint8

// The keys.
const (
	Deadband Key = iota
	OnDelay
	OffDelay
)

var keyWords = [...]string{"deadband", "on-delay", "off-delay"}

// String returns the key as in a rule file.
func (k Key) String() string { return keyWords[k] }

// Change returns the set with one key of one rule set anew; the set itself stays as it is. The text is 'RULE=VALUE', the
// value as in a rule file: 'air-low=0.5 bar', 'air-low=20s'. The name of a rule over several points changes all of its alarms.
func Change(set rules.Set, key Key, text string, near func(string, []string) string) (rules.Set, error) {
	name, value, ok := strings.Cut(text, "=")
	name, value = strings.TrimSpace(name), strings.TrimSpace(value)
	if !ok || name == "" || value == "" {
		return set, fmt.Errorf("%s %q: expected RULE=VALUE such as air-low=%s", key, text, [...]string{"0.3 bar", "5s", "30s"}[key])
	}
	found := false
	set.Rules = slices.Clone(set.Rules)
	for i := range set.Rules {
		r := &set.Rules[i]
		if r.Name != name && !strings.HasPrefix(r.Name, name+":") {
			continue
		}
		found = true
		if err := change(r, key, value); err != nil {
			return set, fmt.Errorf("%s of %s: %w", key, r.Name, err)
		}
	}
	if !found {
		return set, fmt.Errorf("%s: %w", key, noRule(set, name, near))
	}
	return set, nil
}

func noRule(set rules.Set, name string, near func(string, []string) string) error {
	text := fmt.Sprintf("no rule %q", clip(name))
	var names []string
	for i := range set.Rules {
		names = append(names, set.Rules[i].Name)
	}
	if near != nil {
		if n := near(name, names); n != "" {
			text += " (did you mean " + n + "?)"
		}
	}
	return errors.New(text)
}

func change(r *rules.Rule, key Key, value string) error {
	if key == Deadband {
		return changeDeadband(r, value)
	}
	d, err := units.ParseDuration(value)
	if err != nil {
		return err
	}
	if key == OffDelay {
		r.OffDelay = d
		return nil
	}
	if r.TimeToRespond > 0 && d >= r.TimeToRespond {
		return fmt.Errorf("%s leaves nothing of the %s to respond", value, plainDuration(r.TimeToRespond))
	}
	r.OnDelay = d
	return nil
}

func changeDeadband(r *rules.Rule, value string) error {
	switch r.Kind {
	case rules.Low, rules.LowLow, rules.High, rules.HighHigh, rules.Rate, rules.Deviation, rules.TotalAbove, rules.StartsAbove:
	default:
		return fmt.Errorf("a rule of the kind %s has no deadband", r.Kind)
	}
	q, err := units.ParseQuantity(value)
	if err != nil {
		return err
	}
	u, err := units.Parse(r.Unit)
	if err != nil {
		u = units.None
	}
	if r.Kind == rules.Rate {
		if u, err = perSecond(u); err != nil {
			return err
		}
	}
	d, err := q.InDifference(u)
	switch {
	case err != nil:
		return err
	case d < 0:
		return fmt.Errorf("%s is below 0", value)
	}
	r.Deadband = d
	return nil
}

func perSecond(u units.Unit) (units.Unit, error) {
	s, err := units.Parse("s")
	if err != nil {
		return units.None, err
	}
	return u.Per(s)
}

// plainDuration drops the zero parts that time.Duration prints: '1m', not '1m0s'.
func plainDuration(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}
