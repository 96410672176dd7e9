// Package mqtt reads points from the topics of an MQTT 3.1.1 broker.
package mqtt

import (
	"time"

	"roundsman/collector"
	"roundsman/collector/scaling"
)

// Point is one point read from a topic. Several points may share one topic.
type Point struct {
	ID    collector.PointID
	Topic string // a topic filter; wildcards as in MQTT
	// Value is an RFC 6901 pointer into a JSON payload; "" takes the whole payload as a number,
	// a JSON number, or a number with a unit.
	Value string
	// Time is a pointer to the device's own time stamp (RFC 3339, Unix seconds or milliseconds); "" none.
	Time string
	// Where selects the messages of one device on a shared topic: the pointer's value must equal the text.
	Where map[string]string

	// Units gives factor and offset into the point's unit for every unit symbol a payload may carry.
	// A payload without a symbol is in the point's unit.
	Units func(symbol string) (factor, offset float64, ok bool)
	// Words gives numbers to words: 'online' 1, 'offline' 0. The keys are compared exactly.
	Words map[string]float64

	StaleAfter time.Duration // 0: never stale
	// Online names the topic whose payload tells whether the device is there, and the payload that says so.
	Online *Online
	Scale  scaling.Spec
}

// Online is a will or status topic.
type Online struct {
	Topic string
	Yes   string // the payload that means 'here'; everything else means gone
}

// Options describe one broker.
type Options struct {
	Name         string
	Broker       string // tcp://host:1883, ssl://host:8883
	ClientID     string
	Username     string
	PasswordFile string // read at each connect
	CAFile       string // "" the system's
	KeepAlive    time.Duration
	QoS          byte // of the subscriptions; 1 unless said
	Points       []Point
	MaxPayload   int // bytes; a longer payload is a bad reading; 0: 64 KiB

	Status collector.PointID // the point that tells whether the link is up; NoPoint: none
}
