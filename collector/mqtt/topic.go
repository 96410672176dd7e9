package mqtt

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// longestTopic is the most bytes of a topic name or filter: MQTT 3.1.1, section 4.7.3.
const longestTopic = 65535

// ValidFilter returns why a topic filter is not allowed by MQTT 3.1.1, section 4.7, nil if it is.
func ValidFilter(filter string) error {
	switch {
	case filter == "":
		return errors.New("topic filter is empty")
	case len(filter) > longestTopic:
		return fmt.Errorf("topic filter of %d bytes, at most %d", len(filter), longestTopic)
	case !utf8.ValidString(filter):
		return errors.New("topic filter is not UTF-8")
	case strings.ContainsRune(filter, 0):
		return errors.New("topic filter holds the character U+0000")
	}
	levels := strings.Split(filter, "/")
	for i, level := range levels {
		switch {
		case level == "#" && i < len(levels)-1:
			return fmt.Errorf("topic filter %q: '#' is not the last level", filter)
		case len(level) > 1 && strings.ContainsAny(level, "+#"):
			return fmt.Errorf("topic filter %q: '+' or '#' shares the level %q", filter, level)
		}
	}
	return nil
}

// Match reports whether a valid topic filter matches a topic name: MQTT 3.1.1,
// sections 4.7.1 and 4.7.2. '+' fills one level; '#' fills the rest and matches
// its parent too; neither, as the first level, matches a topic that begins with '$'.
func Match(filter, topic string) bool {
	if topic == "" || strings.HasPrefix(topic, "$") && isWildcard(filter[:min(1, len(filter))]) {
		return false
	}
	for {
		level, restFilter, more := strings.Cut(filter, "/")
		if level == "#" {
			return true
		}
		name, restTopic, moreTopic := strings.Cut(topic, "/")
		switch {
		case level != "+" && level != name:
			return false
		case !more:
			return !moreTopic
		case !moreTopic:
			return restFilter == "#"
		}
		filter, topic = restFilter, restTopic
	}
}

// isWildcard reports whether a filter holds a wildcard.
func isWildcard(filter string) bool { return strings.ContainsAny(filter, "+#") }
