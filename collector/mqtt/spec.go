// Package mqtt reads points from the topics of an MQTT 3.1.1 broker.
//
// A Link keeps one connection, subscribes to what its points need, and turns
// each message into readings in the points' units. What it says of age is
// strict, because a pushed value looks alive long after its sensor died: a
// retained message counts only with a time stamp fresh enough, a time stamp sent
// twice does not make a value younger, a point whose time has run out
// becomes stale without any message, and none has a value while the link is down.
// When it is back, a value still in its time stands again with its old time: a sensor
// that reports each ten minutes is not without a value because the broker started anew.
//
//	link, err := mqtt.New(options, points, clock)
//	err = link.Run(ctx, batches)
package mqtt

import (
	"context"
	"net"
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

	StaleAfter time.Duration // 0: never stale, and no value after a loss of the link until a new one comes
	// OnChange says that the topic is published retained whenever its value changes: a
	// retained message is then the present value whatever its age. The topics of Online are of this kind
	// without being told.
	OnChange bool
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
	PasswordFile string                 // read at each connect
	Password     func() (string, error) // how PasswordFile is read; nil: as it stands, whoever else may read it
	CAFile       string                 // "" the system's
	KeepAlive    time.Duration          // 0: 10 s
	QoS          byte                   // of the subscriptions, 0 to 2, taken as it stands; the site file's default is 1
	Points       []Point
	MaxPayload   int // bytes; a longer payload is a bad reading; 0: 64 KiB

	Status collector.PointID // the point that tells whether the link is up; NoPoint: none

	// Dial opens the way to the broker, before any TLS; nil: the network. Tests give a pipe.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
}
