package mqtt_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/mqtt"
)

// feet knows the units of a level point.
func feet(symbol string) (factor, offset float64, ok bool) {
	switch symbol {
	case "m":
		return 1, 0, true
	case "cm":
		return 0.01, 0, true
	case "ft":
		return 0.3048, 0, true
	}
	return 0, 0, false
}

func TestPayloadsBecomeReadings(t *testing.T) {
	tests := []struct {
		name    string
		point   mqtt.Point
		payload string
		want    float64
		fault   collector.Fault
		reason  string
	}{
		{"bare number", mqtt.Point{ID: 1}, "1.92", 1.92, collector.NoFault, ""},
		{"with the point's unit", mqtt.Point{ID: 1}, "1.92 m", 1.92, collector.NoFault, ""},
		{"with another unit", mqtt.Point{ID: 1, Units: feet}, "10 ft", 3.048, collector.NoFault, ""},
		{"with a foreign unit", mqtt.Point{ID: 1, Units: feet}, "38.4 kg", 0, collector.BadPayload,
			`unreadable payload: unit "kg" does not go with m: "38.4 kg"`},
		{"unit where none is known", mqtt.Point{ID: 5}, "1 m", 0, collector.BadPayload,
			`unreadable payload: unit "m" does not go with a plain number: "1 m"`},
		{"JSON", mqtt.Point{ID: 1, Value: "/level"}, `{"level":1.92}`, 1.92, collector.NoFault, ""},
		{"JSON deeper", mqtt.Point{ID: 1, Value: "/d/ch/0/v"}, `{"d":{"ch":[{"v":1.92,"q":"good"}]}}`, 1.92, collector.NoFault, ""},
		{"JSON array", mqtt.Point{ID: 1, Value: "/1"}, `[1764057600,1.92]`, 1.92, collector.NoFault, ""},
		{"JSON string with unit", mqtt.Point{ID: 1, Value: "/level", Units: feet}, `{"level":"192 cm"}`, 1.92, collector.NoFault, ""},
		{"decimal comma", mqtt.Point{ID: 1}, "1,92", 0, collector.BadPayload,
			`unreadable payload: decimal comma: a decimal point is needed: "1,92"`},
		{"null", mqtt.Point{ID: 1, Value: "/level"}, `{"level":null}`, 0, collector.BadPayload,
			`unreadable payload: the device sends no value: "{\"level\":null}"`},
		{"dashes", mqtt.Point{ID: 1}, "--", 0, collector.BadPayload, `unreadable payload: the device sends no value: "--"`},
		{"NaN", mqtt.Point{ID: 1}, "NaN", 0, collector.NotANumber, `not a number: not a finite number: "NaN"`},
		{"infinite", mqtt.Point{ID: 1, Value: "/level"}, `{"level":1e999}`, 0, collector.NotANumber,
			`not a number: not a finite number: "{\"level\":1e999}"`},
		{"missing", mqtt.Point{ID: 1, Value: "/level"}, `{"batt":3.6}`, 0, collector.BadPayload,
			`unreadable payload: nothing at /level: "{\"batt\":3.6}"`},
		{"no pointer into an object", mqtt.Point{ID: 1}, `{"level":1}`, 0, collector.BadPayload,
			`unreadable payload: a JSON object, not a number: "{\"level\":1}"`},
		{"half a document", mqtt.Point{ID: 1, Value: "/level"}, `{"level":1.9`, 0, collector.BadPayload,
			`unreadable payload: not JSON: it ends too early at byte 12: "{\"level\":1.9"`},
		{"terminal escape", mqtt.Point{ID: 1}, "\x1b[2J", 0, collector.BadPayload, `unreadable payload: no number: "\x1b[2J"`},
		{"a boolean is no level", mqtt.Point{ID: 1, Value: "/level"}, `{"level":false}`, 0, collector.BadPayload,
			`unreadable payload: no number: "{\"level\":false}"`},
		{"empty", mqtt.Point{ID: 1}, "", 0, collector.BadPayload, `unreadable payload: the device sends no value: ""`},
		{"too long", mqtt.Point{ID: 1}, strings.Repeat("1", 70000), 0, collector.BadPayload,
			`unreadable payload: payload of 70000 bytes, at most 65536 are taken: "` + strings.Repeat("1", 64) + `"... (70000 bytes)`},
		{"word", mqtt.Point{ID: 5, Words: map[string]float64{"online": 1, "offline": 0}}, "online", 1, collector.NoFault, ""},
		{"word in JSON", mqtt.Point{ID: 5, Value: "/s", Words: map[string]float64{"open": 1, "shut": 0}}, `{"s":"open"}`, 1, collector.NoFault, ""},
		{"word in another case", mqtt.Point{ID: 5, Words: map[string]float64{"online": 1}}, "Online", 0, collector.BadPayload,
			`unreadable payload: no number: "Online"`},
		{"boolean state", mqtt.Point{ID: 5, Value: "/run"}, `{"run":true}`, 1, collector.NoFault, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			bubble(t, func(t *testing.T, b *pipeBroker) {
				tt.point.Topic = "yard/level"
				r := start(t, b, mqtt.Options{}, tt.point)
				defer r.stop()
				settle()
				b.publish("yard/level", tt.payload, false)
				settle()
				r.want(t, tt.payload[:min(len(tt.payload), 40)], tt.point.ID, tt.want, tt.fault)
				r.wantReason(t, "", tt.point.ID, tt.reason)
			})
		})
	}
}

func TestText(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		r := start(t, b, mqtt.Options{}, mqtt.Point{ID: 6, Topic: "version", Value: "/v", Words: map[string]float64{"2.0": 2}})
		defer r.stop()
		settle()
		for _, tt := range []struct {
			payload, want string
			value         float64
		}{
			{`{"v":"1.4-rc"}`, "1.4-rc", 0},
			{`{"v":"2.0"}`, "2.0", 2},
			{`{"v":"a\u001b[2J"}`, `"a\x1b[2J"`, 0},
			{`{"v":"` + strings.Repeat("é", 300) + `"}`, strings.Repeat("é", 128), 0},
		} {
			b.publish("version", tt.payload, false)
			settle()
			if got := r.last(6); got.Text != tt.want || got.Value != tt.value || got.Quality != collector.Good {
				t.Errorf("%.40s reads %q %v %v, want %q %v good", tt.payload, got.Text, got.Value, got.Quality, tt.want, tt.value)
			}
		}
		b.publish("version", `{"v":null}`, false)
		settle()
		r.want(t, "null", 6, 0, collector.BadPayload)
	})
}

func TestHugePayloadHarmsNothing(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		r := start(t, b, mqtt.Options{}, mqtt.Point{ID: 1, Topic: "a"}, mqtt.Point{ID: 2, Topic: "b"})
		defer r.stop()
		settle()
		b.publish("a", `{"x":"`+strings.Repeat("\x00", 10<<20)+`"}`, false)
		b.publish("b", "2", false)
		settle()
		r.wantReason(t, "10 MB", 1, `unreadable payload: payload of 10485768 bytes, at most 65536 are taken: `+
			`"{\"x\":\"`+strings.Repeat(`\x00`, 58)+`"... (10485768 bytes)`)
		r.want(t, "the other point", 2, 2, collector.NoFault)
		b.publish("a", "1.5", false)
		settle()
		r.want(t, "afterwards", 1, 1.5, collector.NoFault)
		if st := r.link.Status(); !st.Up || st.Requests[collector.Malformed] != 1 || st.Requests[collector.Answered] != 2 {
			t.Errorf("status %+v, want up, 1 malformed, 2 answered", st)
		}
	})
}

func stamped(at time.Time, level float64) string {
	return fmt.Sprintf(`{"level":%v,"ts":%q}`, level, at.Format(time.RFC3339))
}

func levelPoint(id collector.PointID, topic string, stale time.Duration) mqtt.Point {
	return mqtt.Point{ID: id, Topic: topic, Value: "/level", Time: "/ts", StaleAfter: stale}
}

func TestRetainedMessages(t *testing.T) {
	week := 7 * 24 * time.Hour
	tests := []struct {
		name    string
		point   mqtt.Point
		payload func(now time.Time) string
		fault   collector.Fault
		reason  string
	}{
		{"without a time stamp", mqtt.Point{ID: 1}, func(time.Time) string { return "1.5" }, collector.Retained,
			"retained from before: kept by the broker, and nothing says how old it is"},
		{"without a time stamp, but published on change", mqtt.Point{ID: 1, OnChange: true}, func(time.Time) string { return "1.5" }, collector.NoFault, ""},
		{"stamp of last week", levelPoint(1, "", 2*time.Minute), func(now time.Time) string { return stamped(now.Add(-week), 1.5) }, collector.Retained,
			"retained from before: kept by the broker, 168h0m0s old, at most 2m0s"},
		{"fresh stamp", levelPoint(1, "", 2*time.Minute), func(now time.Time) string { return stamped(now.Add(-time.Minute), 1.5) }, collector.NoFault, ""},
		{"fresh stamp, never stale", levelPoint(1, "", 0), func(now time.Time) string { return stamped(now.Add(-9*time.Minute), 1.5) }, collector.NoFault, ""},
		{"old stamp, never stale", levelPoint(1, "", 0), func(now time.Time) string { return stamped(now.Add(-11*time.Minute), 1.5) }, collector.Retained,
			"retained from before: kept by the broker, 11m0s old, at most 10m0s"},
		{"stamp of an unset clock", levelPoint(1, "", 2*time.Minute), func(time.Time) string { return `{"level":1.5,"ts":12345}` }, collector.Retained,
			"retained from before: kept by the broker, and nothing says how old it is"},
		{"local time", levelPoint(1, "", 2*time.Minute), func(time.Time) string { return `{"level":1.5,"ts":"2000-01-01T00:00:00"}` }, collector.Retained,
			"retained from before: kept by the broker, and nothing says how old it is"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			bubble(t, func(t *testing.T, b *pipeBroker) {
				now := time.Now()
				b.publish("yard/level", tt.payload(now), true)
				tt.point.Topic = "yard/level"
				r := start(t, b, mqtt.Options{}, tt.point)
				defer r.stop()
				settle()
				r.want(t, "retained", 1, 1.5, tt.fault)
				r.wantReason(t, "retained", 1, tt.reason)
				if tt.fault == collector.NoFault && tt.point.Time != "" {
					if age := r.clock.Now().Sub(r.last(1).At); age < time.Minute-time.Second {
						t.Errorf("the reading is %v old, want the age of its time stamp", age)
					}
				}
				b.publish("yard/level", stamped(time.Now(), 1.7), false)
				settle()
				if tt.point.Time != "" {
					r.want(t, "live", 1, 1.7, collector.NoFault)
				}
			})
		})
	}
}

func TestStaleWithoutAnyMessage(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		r := start(t, b, mqtt.Options{}, mqtt.Point{ID: 1, Topic: "a", StaleAfter: 2 * time.Minute}, mqtt.Point{ID: 2, Topic: "b", StaleAfter: time.Hour})
		defer r.stop()
		settle()
		time.Sleep(2*time.Minute - time.Second)
		if got := r.of(1); len(got) != 0 {
			t.Fatalf("before its time: %v, want nothing", got)
		}
		time.Sleep(2 * time.Second)
		settle()
		r.want(t, "nothing came", 1, 0, collector.Stale)
		r.wantReason(t, "nothing came", 1, "stale: nothing came in 2m0s")
		b.publish("a", "1.5", false)
		settle()
		r.want(t, "a value", 1, 1.5, collector.NoFault)
		time.Sleep(time.Minute)
		b.publish("a", "1.6", false)
		settle()
		time.Sleep(2*time.Minute - time.Second)
		r.want(t, "renewed", 1, 1.6, collector.NoFault)
		time.Sleep(2 * time.Second)
		settle()
		r.want(t, "too old", 1, 0, collector.Stale)
		if got := r.last(1); got.Raw != 1.6 || got.Detail != "nothing new since 2000-01-01T00:03:01Z, 2m0s is the most" {
			t.Errorf("stale reading %v %q, want the last raw value and its time", got.Raw, got.Detail)
		}
		n := len(r.of(1))
		time.Sleep(30 * time.Minute)
		settle()
		if again := len(r.of(1)) - n; again != 0 {
			t.Errorf("%d more readings of a stale point, want 0", again)
		}
	})
}

// A gateway that repeats the last value of a dead sensor sends its old time stamp.
func TestRepeatedTimeStampMakesNothingYounger(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		r := start(t, b, mqtt.Options{}, levelPoint(1, "a", 2*time.Minute))
		defer r.stop()
		settle()
		measured := time.Now().Truncate(time.Second)
		for range 20 {
			b.publish("a", stamped(measured, 1.5), false)
			time.Sleep(10 * time.Second)
		}
		settle()
		got := r.of(1)
		if len(got) != 2 || got[0].Fault != collector.NoFault || got[1].Fault != collector.Stale {
			t.Fatalf("readings %+v, want one good, then one stale", got)
		}
		if age := got[1].At.Sub(got[0].At); age < 2*time.Minute || age > 2*time.Minute+time.Second {
			t.Errorf("stale after %v, want 2m0s", age)
		}
		r.wantReason(t, "repeated", 1, "stale: no time stamp after "+measured.UTC().Format(time.RFC3339)+", 2m0s is the most")
		b.publish("a", stamped(time.Now(), 1.6), false)
		settle()
		r.want(t, "alive again", 1, 1.6, collector.NoFault)
	})
}

func TestTimeStampsInAndOutOfOrder(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		r := start(t, b, mqtt.Options{}, levelPoint(1, "a", 5*time.Minute))
		defer r.stop()
		settle()
		time.Sleep(time.Hour)
		now := time.Now().Truncate(time.Second)
		send := func(payload string) int {
			before := len(r.of(1))
			b.publish("a", payload, false)
			settle()
			return len(r.of(1)) - before
		}
		steps := []struct {
			name, payload string
			readings      int
			value         float64
			fault         collector.Fault
		}{
			{"first", stamped(now, 1), 1, 1, collector.NoFault},
			{"sent twice", stamped(now, 1), 0, 1, collector.NoFault},
			{"another value in the same second", stamped(now, 1.1), 1, 1.1, collector.NoFault},
			{"sent late", stamped(now.Add(-time.Minute), 7), 0, 1.1, collector.NoFault},
			{"unreadable", `{"level":`, 1, 0, collector.BadPayload},
			{"the same again after it", stamped(now, 1.1), 1, 1.1, collector.NoFault},
			{"half a minute ahead", stamped(now.Add(30*time.Second), 1.2), 1, 1.2, collector.NoFault},
		}
		for _, s := range steps {
			if n := send(s.payload); n != s.readings {
				t.Errorf("%s: %d readings, want %d", s.name, n, s.readings)
			}
			r.want(t, s.name, 1, s.value, s.fault)
			if at := r.last(1).At; at > r.clock.Now() {
				t.Errorf("%s: read %v in the future", s.name, at.Sub(r.clock.Now()))
			}
		}
		send(stamped(now.Add(-10*time.Minute), 3)) // older than the last: nothing
		r.want(t, "history", 1, 1.2, collector.NoFault)
	})
}

func TestOldTimeStampIsStaleAtOnce(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		r := start(t, b, mqtt.Options{}, levelPoint(1, "a", 2*time.Minute))
		defer r.stop()
		settle()
		time.Sleep(time.Minute)
		b.publish("a", stamped(time.Now().Add(-3*time.Hour), 1.5), false)
		settle()
		r.want(t, "live but old", 1, 0, collector.Stale)
		if got := r.last(1); got.Raw != 1.5 || !strings.Contains(got.Detail, "is 3h0m0s old, at most 2m0s") {
			t.Errorf("%v %q, want the raw value and the age", got.Raw, got.Detail)
		}
	})
}

func TestClocksThatAreWrong(t *testing.T) {
	tests := []struct{ name, ts, reason string }{
		{"never set", `12345`, "maintenance required: time stamp 1970-01-01T03:25:45Z is far off, set the device's clock, time of arrival used"},
		{"years ahead", `"2031-01-01T00:00:00Z"`, "maintenance required: time stamp 2031-01-01T00:00:00Z is far off, set the device's clock, time of arrival used"},
		{"years behind", `"1970-01-01T03:25:45Z"`, "maintenance required: time stamp 1970-01-01T03:25:45Z is far off, set the device's clock, time of arrival used"},
		{"two minutes ahead", `"2000-01-01T00:02:01Z"`, "maintenance required: time stamp 2000-01-01T00:02:01Z is far off, set the device's clock, time of arrival used"},
		{"local time", `"2000-01-01T00:00:00"`, `maintenance required: time stamp "\"2000-01-01T00:00:00\"": time without zone, time of arrival used`},
		{"no time", `null`, `maintenance required: time stamp "null": the device sends no value, time of arrival used`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			bubble(t, func(t *testing.T, b *pipeBroker) {
				r := start(t, b, mqtt.Options{}, levelPoint(1, "a", 2*time.Minute))
				defer r.stop()
				settle()
				b.publish("a", `{"level":1.5,"ts":`+tt.ts+`}`, false)
				settle()
				r.want(t, tt.name, 1, 1.5, collector.Hinted)
				r.wantReason(t, tt.name, 1, tt.reason)
				if age := r.clock.Now().Sub(r.last(1).At); age > time.Second || age < 0 {
					t.Errorf("read %v ago, want the time of arrival", age)
				}
				time.Sleep(3 * time.Minute)
				settle()
				r.want(t, "later", 1, 0, collector.Stale)
			})
		})
	}
	t.Run("missing", func(t *testing.T) {
		bubble(t, func(t *testing.T, b *pipeBroker) {
			r := start(t, b, mqtt.Options{}, levelPoint(1, "a", 2*time.Minute))
			defer r.stop()
			settle()
			b.publish("a", `{"level":1.5}`, false)
			settle()
			r.wantReason(t, "missing", 1, "maintenance required: no time stamp at /ts, time of arrival used")
		})
	})
}

func TestSharedTopicIsToldApart(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		tank := func(id collector.PointID, name string) mqtt.Point {
			return mqtt.Point{ID: id, Topic: "yard/all", Value: "/level", Where: map[string]string{"/id": name}}
		}
		r := start(t, b, mqtt.Options{}, tank(1, "7"), tank(2, "wax"), mqtt.Point{ID: 3, Topic: "yard/+", Value: "/battery"})
		defer r.stop()
		settle()
		b.publish("yard/all", `{"id":7,"level":1.5}`, false)
		b.publish("yard/all", `{"id":"wax","level":2.5,"battery":3.6}`, false)
		b.publish("yard/all", `{"id":"other","level":9}`, false)
		settle()
		r.want(t, "number as id", 1, 1.5, collector.NoFault)
		r.want(t, "word as id", 2, 2.5, collector.NoFault)
		if n := len(r.of(1)) + len(r.of(2)); n != 2 {
			t.Errorf("%d readings of two devices, want 2", n)
		}
		b.publish("yard/all", `{"id":7,`, false)
		settle()
		r.want(t, "nobody's broken message", 1, 1.5, collector.NoFault)
		r.want(t, "the whole topic's", 3, 0, collector.BadPayload)
	})
}

func TestManyPointsOnOneTopic(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		var points []mqtt.Point
		for i := range 100 { // more than one walk looks for
			points = append(points, mqtt.Point{ID: collector.PointID(1 + i%4), Topic: "all", Value: fmt.Sprintf("/v/%d", i)})
		}
		r := start(t, b, mqtt.Options{}, points...)
		defer r.stop()
		settle()
		var list []string
		for i := range 100 {
			list = append(list, fmt.Sprint(i))
		}
		b.publish("all", `{"v":[`+strings.Join(list, ",")+`]}`, false)
		settle()
		sum := 0.0
		for id := collector.PointID(1); id <= 4; id++ {
			for _, reading := range r.of(id) {
				sum += reading.Value
			}
		}
		if sum != 99*100/2 {
			t.Errorf("the values add up to %v, want 4950", sum)
		}
	})
}
