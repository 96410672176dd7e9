package practice

import (
	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// openDoor lets everybody in. The library's own hook for that comes with a second YAML parser, a third of a mebibyte of
// the binary.
type openDoor struct{ mqtt.HookBase }

// ID names the hook in the broker's log.
func (openDoor) ID() string { return "open door" }

// Provides reports whether the hook answers a question of the broker.
func (openDoor) Provides(question byte) bool {
	return question == mqtt.OnConnectAuthenticate || question == mqtt.OnACLCheck
}

// OnConnectAuthenticate lets a client connect.
func (openDoor) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }

// OnACLCheck lets a client read and write a topic.
func (openDoor) OnACLCheck(*mqtt.Client, string, bool) bool { return true }
