package record

import (
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/rules"
)

// fill gives every field a random value, so that one that is not kept is found.
func fill(v reflect.Value, random *rand.Rand) {
	switch v.Kind() {
	case reflect.Bool:
		v.SetBool(random.IntN(2) == 0)
	case reflect.Int, reflect.Int32, reflect.Int64:
		v.SetInt(random.Int64N(1 << 30))
	case reflect.Uint8:
		v.SetUint(random.Uint64N(3))
	case reflect.Uint64:
		v.SetUint(random.Uint64())
	case reflect.Float64:
		v.SetFloat(random.NormFloat64())
	case reflect.String:
		v.SetString([]string{"", "Maeve", "\"\x00\u2603\\"}[random.IntN(3)])
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), random)
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1+random.IntN(3), 3))
		for i := range v.Len() {
			fill(v.Index(i), random)
		}
	default:
		panic("a kind of field that this test does not know: " + v.Kind().String())
	}
}

func roundTrip[M, D any](t *testing.T, random *rand.Rand, back func(D) M) {
	t.Helper()
	for range 200 {
		var want M
		fill(reflect.ValueOf(&want).Elem(), random)
		if c, ok := any(&want).(*compute.Count); ok {
			c.Point = 0
		}
		text, err := encode("x", "y", want)
		if err != nil {
			t.Fatal(err)
		}
		doc, err := decode[D]("x", "y", []byte(text))
		if diff := cmp.Diff(want, back(doc)); err != nil || diff != "" {
			t.Fatalf("%v (-want +got):\n%s", err, diff)
		}
	}
}

func TestDocumentsKeepEveryField(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	roundTrip(t, random, func(d alarmDoc) rules.AlarmMemory { return rules.AlarmMemory(d) })
	roundTrip(t, random, func(d conditionDoc) rules.ConditionMemory { return rules.ConditionMemory(d) })
	roundTrip(t, random, func(d dutyDoc) duty.Kept { return duty.Kept(d) })
	roundTrip(t, random, func(d countDoc) compute.Count { return compute.Count(d) })
}

// What is on the cards out there: these numbers may get company, never another meaning.
func TestKeptNumbersKeepTheirMeaning(t *testing.T) {
	for number, word := range []string{"low", "low-low", "high", "high-high", "rate", "deviation", "equals", "bad", "stale", "stuck",
		"discrepancy", "not-reached", "total-above", "running-longer-than", "idle-longer-than", "starts-above", "formula"} {
		if got := rules.Kind(number).String(); got != word {
			t.Errorf("kind %d is %q and was %q", number, got, word)
		}
	}
	for number, word := range []string{"unread", "good", "uncertain", "bad"} {
		if got := collector.Quality(number).String(); got != word {
			t.Errorf("quality %d is %q and was %q", number, got, word)
		}
	}
	for number, state := range []duty.State{duty.Unknown, duty.Still, duty.Stopping, duty.Running} {
		if int(state) != number {
			t.Errorf("duty state %d was %d", state, number)
		}
	}
	if rules.NotKnown != 0 || rules.False != 1 || rules.True != 2 {
		t.Error("the truths have other numbers")
	}
}

func TestTimeSinceLastSeen(t *testing.T) {
	day := time.Date(2026, 4, 18, 6, 0, 0, 0, time.UTC)
	built := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	s := lastSeen{boot: Boot{"b", time.Hour}, time: day}
	tests := []struct {
		name string
		last time.Time
		boot Boot
		wall time.Time
		want time.Duration
		sure bool
	}{
		{"same boot", day, Boot{"b", 90 * time.Minute}, day.Add(-time.Hour), 30 * time.Minute, true},
		{"same boot, clock not set", day, Boot{"b", 90 * time.Minute}, time.Unix(0, 0), 30 * time.Minute, true},
		{"another boot", day, Boot{"c", time.Minute}, day.Add(8 * time.Hour), 8 * time.Hour, true},
		{"boot not known", day, Boot{}, day.Add(8 * time.Hour), 8 * time.Hour, true},
		{"same id, but less running time", day, Boot{"b", time.Minute}, day.Add(8 * time.Hour), 8 * time.Hour, true},
		{"clock went back", day, Boot{"c", time.Minute}, day.Add(-time.Second), 0, false},
		{"clock is not set", day, Boot{"c", time.Minute}, built.Add(-time.Second), 0, false},
		{"clock was not set", time.Unix(3600, 0), Boot{"c", time.Minute}, day, 0, false},
	}
	for _, tt := range tests {
		s.time = tt.last
		if got, sure := s.since(tt.boot, tt.wall, built); got != tt.want || sure != tt.sure {
			t.Errorf("%s: got %v, %v, want %v, %v", tt.name, got, sure, tt.want, tt.sure)
		}
	}
}
