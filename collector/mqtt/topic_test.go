package mqtt_test

import (
	"strings"
	"testing"

	"roundsman/collector/mqtt"
)

// topicRows are the examples of MQTT 3.1.1 (OASIS, 29 October 2014), section
// 4.7 (second-hand), and a few of a yard; each row was also tried on mosquitto, which
// TestMosquittoMatchesAlike repeats.
var topicRows = []struct {
	filter     string
	yes, never []string
}{
	{filter: "sport/tennis/player1/#", yes: []string{"sport/tennis/player1", "sport/tennis/player1/ranking", "sport/tennis/player1/score/wimbledon"}, never: []string{"sport/tennis/player2", "sport/tennis/player12"}},
	{filter: "sport/#", yes: []string{"sport/tennis", "sport"}, never: []string{"sports", "/sport"}},
	{filter: "#", yes: []string{"sport", "/finance"}, never: []string{"$TEST/x"}},
	{filter: "sport/tennis/+", yes: []string{"sport/tennis/player1", "sport/tennis/"}, never: []string{"sport/tennis/player1/ranking", "sport/tennis"}},
	{filter: "sport/+", yes: []string{"sport/"}, never: []string{"sport"}},
	{filter: "+/+", yes: []string{"/finance"}, never: []string{"finance"}},
	{filter: "/+", yes: []string{"/finance"}, never: []string{"finance"}},
	{filter: "+", yes: []string{"finance"}, never: []string{"/finance", "$TEST"}},
	{filter: "+/tennis/#", yes: []string{"sport/tennis/player1", "a/tennis"}, never: []string{"a/b/tennis"}},
	{filter: "+/monitor/Clients", yes: []string{"x/monitor/Clients"}, never: []string{"$SYS2/monitor/Clients"}},
	{filter: "$TEST/#", yes: []string{"$TEST/x", "$TEST"}, never: []string{"TEST/x"}},
	{filter: "yard/+/status", yes: []string{"yard/fresh/status", "yard//status"}, never: []string{"yard/tank/7/status"}},
	{filter: "yard/drum/+/mass", yes: []string{"yard/drum/wax/mass"}, never: []string{"yard/Drum/wax/mass", "yard/drum/wax/mass/"}},
	{filter: "yard/fresh/status", yes: []string{"yard/fresh/status"}, never: []string{"yard/fresh/Status", "yard/fresh", "yard/fresh/status/x"}},
}

func TestMatch(t *testing.T) {
	for _, row := range topicRows {
		if err := mqtt.ValidFilter(row.filter); err != nil {
			t.Errorf("ValidFilter(%q) = %v, want nil", row.filter, err)
		}
		for _, topic := range row.yes {
			if !mqtt.Match(row.filter, topic) {
				t.Errorf("%q does not match %q, it must", row.filter, topic)
			}
		}
		for _, topic := range row.never {
			if mqtt.Match(row.filter, topic) {
				t.Errorf("%q matches %q, it must not", row.filter, topic)
			}
		}
	}
	if mqtt.Match("#", "") {
		t.Error("# matches the empty topic, which cannot be")
	}
}

func TestValidFilter(t *testing.T) {
	tests := []struct{ filter, want string }{
		{"", "topic filter is empty"},
		{"sport/tennis#", `topic filter "sport/tennis#": '+' or '#' shares the level "tennis#"`},
		{"sport/tennis/#/ranking", `topic filter "sport/tennis/#/ranking": '#' is not the last level`},
		{"sport+", `topic filter "sport+": '+' or '#' shares the level "sport+"`},
		{"a/+b/c", `topic filter "a/+b/c": '+' or '#' shares the level "+b"`},
		{"a/\x00", "topic filter holds the character U+0000"},
		{"a/\xff", "topic filter is not UTF-8"},
		{strings.Repeat("x", 65536), "topic filter of 65536 bytes, at most 65535"},
		{strings.Repeat("x", 65535), ""},
		{"/", ""}, {"//", ""}, {"+", ""}, {"#", ""}, {"/#", ""}, {"+/+/#", ""}, {" ", ""}, {"$SYS/#", ""},
	}
	for _, tt := range tests {
		got := ""
		if err := mqtt.ValidFilter(tt.filter); err != nil {
			got = err.Error()
		}
		if got != tt.want {
			t.Errorf("ValidFilter(%.40q) = %q, want %q", tt.filter, got, tt.want)
		}
	}
}
