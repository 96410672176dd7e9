package mqtt_test

import (
	"context"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"roundsman/collector"
	"roundsman/collector/mqtt"
)

func TestBrokerGoesAndComesBack(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		r := start(t, b, mqtt.Options{},
			mqtt.Point{ID: 1, Topic: "a", StaleAfter: 10 * time.Minute}, mqtt.Point{ID: 2, Topic: "b"}, mqtt.Point{ID: 3, Topic: "c", StaleAfter: 15 * time.Minute})
		defer r.stop()
		settle()
		b.publish("a", "1", false)
		b.publish("b", "2", false)
		settle()
		r.want(t, "at first", 0, 1, collector.NoFault)

		b.stop()
		settle()
		r.want(t, "link's own point", 0, 0, collector.NoFault)
		r.want(t, "nobody knows what it is now", 1, 0, collector.LinkLost)
		r.want(t, "nothing would tell its age", 2, 0, collector.LinkLost)
		r.want(t, "never had one", 3, 0, collector.LinkLost)
		if st := r.link.Status(); st.Up || !strings.HasPrefix(st.LastError, "the broker closed the connection") {
			t.Errorf("status %v %q, want down and why", st.Up, st.LastError)
		}

		dials, _ := b.dialled()
		time.Sleep(40 * time.Minute)
		settle()
		r.want(t, "its time ran out meanwhile", 1, 0, collector.LinkLost)
		r.wantReason(t, "its time ran out meanwhile", 1, "link down: the broker closed the connection")
		// 40 minutes at 11.25 to 15 s, after 1, 2, 4, 8.
		if now, _ := b.dialled(); now-dials < 160 || now-dials > 216 {
			t.Errorf("%d tries in 40 minutes, want 160 to 216", now-dials)
		}
		if n := len(r.of(2)); n != 2 {
			t.Errorf("%d readings of point 2, want its value and one loss", n)
		}

		b.start() // a broker that has forgotten everything
		time.Sleep(16 * time.Second)
		settle()
		r.want(t, "back", 0, 1, collector.NoFault)
		r.want(t, "too old to stand again", 1, 0, collector.LinkLost)
		b.publish("a", "3", false)
		b.publish("b", "4", false)
		settle()
		r.want(t, "subscribed again", 1, 3, collector.NoFault)
		r.want(t, "subscribed again", 2, 4, collector.NoFault)
		time.Sleep(15 * time.Minute)
		settle()
		r.wantReason(t, "nothing ever came", 3, "stale: nothing came in 15m0s")
		if n := len(r.of(0)); n != 3 {
			t.Errorf("%d readings of the link's point, want up, down, up", n)
		}
	})
}

// A value that may be so old stands again when the link comes back, as old as it is and no longer than it would have
// without the loss. What came meanwhile, or is told to be gone, does not.
func TestValueStandsAgainAfterAReconnect(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		r := start(t, b, mqtt.Options{},
			mqtt.Point{ID: 1, Topic: "slow", StaleAfter: 10 * time.Minute}, mqtt.Point{ID: 2, Topic: "newer", StaleAfter: 10 * time.Minute, OnChange: true},
			mqtt.Point{ID: 3, Topic: "unread", StaleAfter: 10 * time.Minute},
			mqtt.Point{ID: 4, Topic: "device", StaleAfter: 10 * time.Minute, Online: &mqtt.Online{Topic: "gw", Yes: "online"}})
		defer r.stop()
		settle()
		b.publish("slow", "1", false)
		b.publish("newer", "1", true)
		b.publish("unread", "1", false)
		b.publish("unread", "--", false)
		b.publish("device", "1", false)
		settle()
		measured := r.last(1).At
		time.Sleep(time.Minute)
		for range 3 { // a second loss must not make it younger
			b.setDown(true)
			settle()
			for id := collector.PointID(1); id <= 4; id++ {
				r.want(t, "lost", id, 0, collector.LinkLost)
			}
			time.Sleep(time.Minute)
			b.publish("newer", "2", true)
			b.publish("gw", "offline", true)
			b.setDown(false)
			time.Sleep(16 * time.Second)
			settle()
			r.want(t, "back in its time", 1, 1, collector.NoFault)
			if at := r.last(1).At; at != measured {
				t.Errorf("it is measured %v later, want the time of the value", at.Sub(measured))
			}
			r.want(t, "kept by the broker", 2, 2, collector.NoFault)
			r.want(t, "was unreadable", 3, 0, collector.LinkLost)
			r.want(t, "device gone", 4, 0, collector.DeviceOffline)
		}
		time.Sleep(measured.Add(10*time.Minute - time.Second).Sub(r.clock.Now()))
		r.want(t, "a second before its time is over", 1, 1, collector.NoFault)
		time.Sleep(2 * time.Second)
		settle()
		r.want(t, "its time is over", 1, 0, collector.Stale)
	})
}

func TestWillMarksTheDevicesPoints(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		gateway := &mqtt.Online{Topic: "yard/gateway/state", Yes: "online"}
		r := start(t, b, mqtt.Options{},
			mqtt.Point{ID: 1, Topic: "yard/fresh", Online: gateway},
			mqtt.Point{ID: 2, Topic: "yard/ro", Online: gateway, StaleAfter: 5 * time.Minute},
			mqtt.Point{ID: 3, Topic: "other"},
			mqtt.Point{ID: 5, Topic: "yard/gateway/state", Words: map[string]float64{"online": 1, "offline": 0}})
		defer r.stop()
		settle()

		device := dialDevice(t, b)
		device.publish(t, "yard/gateway/state", "online", true)
		device.publish(t, "yard/fresh", "1.5", false)
		device.publish(t, "yard/ro", "0.9", false)
		b.publish("other", "7", false)
		settle()
		r.want(t, "here", 1, 1.5, collector.NoFault)
		r.want(t, "here", 5, 1, collector.NoFault)

		device.conn.Close() // without a goodbye: the broker sends the will
		settle()
		for _, id := range []collector.PointID{1, 2} {
			r.want(t, "gone", id, 0, collector.DeviceOffline)
			r.wantReason(t, "gone", id, `device offline: yard/gateway/state says "offline"`)
		}
		r.want(t, "another device", 3, 7, collector.NoFault)
		r.want(t, "the state itself", 5, 0, collector.NoFault)
		b.publish("yard/fresh", "1.6", false)
		time.Sleep(6 * time.Minute)
		settle()
		r.want(t, "a value of a device that is gone", 1, 0, collector.DeviceOffline)
		r.want(t, "gone is not stale", 2, 0, collector.DeviceOffline)

		device = dialDevice(t, b)
		defer device.client.Disconnect(1)
		device.publish(t, "yard/gateway/state", "online", true)
		settle()
		r.wantReason(t, "back", 1, "stale: the device is back, no new value yet")
		device.publish(t, "yard/fresh", "1.7", false)
		settle()
		r.want(t, "back with a value", 1, 1.7, collector.NoFault)
	})
}

// A device that was gone before we came is told by its retained status.
func TestRetainedStatusTopic(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		b.publish("gw", "offline", true)
		b.publish("a", stamped(time.Now(), 1.5), true)
		p := levelPoint(1, "a", time.Hour)
		p.Online = &mqtt.Online{Topic: "gw", Yes: "online"}
		r := start(t, b, mqtt.Options{}, p, mqtt.Point{ID: 5, Topic: "gw", Words: map[string]float64{"online": 1, "offline": 0}})
		defer r.stop()
		settle()
		r.want(t, "gone before", 1, 0, collector.DeviceOffline)
		r.want(t, "state kept by the broker", 5, 0, collector.NoFault)
	})
}

// device is a sensor gateway with a will.
type device struct {
	client paho.Client
	conn   net.Conn
}

func dialDevice(t *testing.T, b *pipeBroker) *device {
	t.Helper()
	d := &device{}
	o := paho.NewClientOptions().AddBroker("tcp://broker").SetClientID("gateway").SetAutoReconnect(false).
		SetProtocolVersion(4).SetWill("yard/gateway/state", "offline", 1, true).
		SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) {
			conn, err := b.dial(context.Background(), "", "")
			d.conn = conn
			return conn, err
		})
	d.client = paho.NewClient(o)
	if token := d.client.Connect(); token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
	return d
}

func (d *device) publish(t *testing.T, topic, payload string, retain bool) {
	t.Helper()
	if token := d.client.Publish(topic, 1, retain, payload); token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
}

func TestRefusedSubscriptionCostsOnlyItsPoints(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		b.guard.refuse = "secret/"
		r := start(t, b, mqtt.Options{}, mqtt.Point{ID: 1, Topic: "a"}, mqtt.Point{ID: 2, Topic: "secret/b"}, mqtt.Point{ID: 3, Topic: "secret/b", Value: "/x", StaleAfter: time.Minute})
		defer r.stop()
		settle()
		b.publish("a", "1", false)
		time.Sleep(5 * time.Minute)
		settle()
		r.want(t, "granted", 1, 1, collector.NoFault)
		for _, id := range []collector.PointID{2, 3} {
			r.want(t, "refused", id, 0, collector.Refused)
			r.wantReason(t, "refused", id, `refused by the device: the broker refuses the subscription to "secret/b"`)
		}
		if st := r.link.Status(); !st.Up || st.LastError != `the broker refuses the subscription to "secret/b"` {
			t.Errorf("status %v %q, want up with the refusal", st.Up, st.LastError)
		}
	})
}

func TestPasswordIsReadAtEachConnect(t *testing.T) {
	file := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(file, []byte("old\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	bubble(t, func(t *testing.T, b *pipeBroker) {
		b.guard.password = "new"
		r := start(t, b, mqtt.Options{Username: "box", PasswordFile: file}, mqtt.Point{ID: 1, Topic: "a"})
		defer r.stop()
		settle()
		r.wantReason(t, "wrong password", 1, `link down: the broker refuses user "box": wrong name or password, or not allowed`)
		if b.guard.tries != 1 {
			t.Errorf("%d tries, want 1: a second one as MQTT 3.1 doubles lock-out counters", b.guard.tries)
		}
		if err := os.WriteFile(file, []byte("new\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		time.Sleep(16 * time.Second)
		settle()
		r.want(t, "right password", 0, 1, collector.NoFault)
		if err := os.Remove(file); err != nil {
			t.Fatal(err)
		}
		b.setDown(true)
		time.Sleep(16 * time.Second)
		settle()
		if why := r.link.Status().LastError; !strings.HasPrefix(why, "password: open ") {
			t.Errorf("without the file: %q, want the reason", why)
		}
	})
}

// A dead line is noticed by the missing answer to a ping, also while nobody takes our bytes.
func TestDeadLineIsNoticed(t *testing.T) {
	for name, state := range map[string]lineState{"swallowed": swallowed, "blocked": blocked} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T, b *pipeBroker) {
				r := start(t, b, mqtt.Options{}, mqtt.Point{ID: 1, Topic: "a"})
				defer r.stop()
				time.Sleep(time.Minute)
				settle()
				r.want(t, "alive", 0, 1, collector.NoFault)
				b.setLine(state)
				// Keep-alive 10 s, 5 s for the answer, 5 s for a write; the client looks at its ping every 2.5 s or so.
				time.Sleep(30 * time.Second)
				settle()
				r.want(t, "dead", 0, 0, collector.NoFault)
				r.want(t, "dead", 1, 0, collector.LinkLost)
				b.setLine(passing)
				time.Sleep(time.Minute)
				settle()
				r.want(t, "alive again", 0, 1, collector.NoFault)
			})
		})
	}
}

// A broker that takes the connection and says nothing must not hold up the stop.
func TestStopWhileTheBrokerIsSilent(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		b.setLine(swallowed)
		r := start(t, b, mqtt.Options{}, mqtt.Point{ID: 1, Topic: "a"})
		synctest.Wait()
		before := time.Now()
		r.stop()
		if took := time.Since(before); took > time.Second {
			t.Errorf("stopping took %v, want at once", took)
		}
	})
}

func TestSilentBrokerIsGivenUp(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		b.setLine(swallowed)
		r := start(t, b, mqtt.Options{}, mqtt.Point{ID: 1, Topic: "a"})
		defer r.stop()
		time.Sleep(11 * time.Second)
		settle()
		r.want(t, "no greeting", 1, 0, collector.LinkLost)
		b.setLine(passing)
		time.Sleep(20 * time.Second)
		settle()
		r.want(t, "greeted", 0, 1, collector.NoFault)
	})
}

// What the broker kept of unknown age does not stand against a value that came live and is still fresh.
func TestRetainedAfterAReconnect(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		r := start(t, b, mqtt.Options{}, mqtt.Point{ID: 1, Topic: "a", StaleAfter: 5 * time.Minute}, mqtt.Point{ID: 2, Topic: "a"})
		defer r.stop()
		settle()
		b.publish("a", "1.5", true)
		settle()
		b.setDown(true)
		settle()
		b.setDown(false)
		time.Sleep(5 * time.Second)
		settle()
		r.want(t, "fresh for five minutes", 1, 1.5, collector.NoFault)
		r.want(t, "nothing would tell its age", 2, 0, collector.Retained)
		time.Sleep(5 * time.Minute)
		settle()
		r.want(t, "in the end", 1, 0, collector.Stale)
	})
}

// A device that was gone when the line broke is taken as there until the broker says otherwise again.
func TestStatusIsAskedAgainAfterAReconnect(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		r := start(t, b, mqtt.Options{}, mqtt.Point{ID: 1, Topic: "a", Online: &mqtt.Online{Topic: "gw", Yes: "online"}})
		defer r.stop()
		settle()
		b.publish("gw", "offline", false)
		settle()
		r.want(t, "gone", 1, 0, collector.DeviceOffline)
		b.stop()
		settle()
		b.start()
		time.Sleep(5 * time.Second)
		b.publish("a", "1.5", false)
		settle()
		r.want(t, "a broker that knows nothing of it", 1, 1.5, collector.NoFault)
	})
}

// A message that came before the line broke must not be read after it.
func TestNothingOutlivesTheLine(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		r := start(t, b, mqtt.Options{}, mqtt.Point{ID: 1, Topic: "a"})
		defer r.stop()
		for n := range 15 {
			b.setDown(false)
			time.Sleep(16 * time.Second)
			settle()
			b.publish("a", "1", false)
			synctest.Wait() // read; the link now looks away for a few milliseconds
			b.publish("a", "2", false)
			synctest.Wait() // waiting in the queue
			b.setDown(true)
			settle()
			if got := r.last(1); got.Fault != collector.LinkLost || got.Raw != 2 {
				t.Fatalf("round %d: the last reading is %v %q, want the second value lost", n, got.Raw, got.Reason())
			}
		}
	})
}
