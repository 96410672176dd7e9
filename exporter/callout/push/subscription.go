package push

import (
	"crypto/ecdh"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"strings"

	webpush "github.com/SherClockHolmes/webpush-go"
)

// subscriptionLimit is the longest subscription taken, in bytes; real ones have some 400.
const subscriptionLimit = 4096

// ParseSubscription checks what a browser's PushSubscription becomes as JSON
// (W3C Push API, toJSON): an https endpoint with a public name, the phone's key
// (65 bytes, a point on P-256) and its secret (16 bytes). Errors do not quote it: whoever has it can
// write to the phone.
func ParseSubscription(text string) (*webpush.Subscription, error) {
	if len(text) > subscriptionLimit {
		return nil, fmt.Errorf("subscription: longer than %d bytes", subscriptionLimit)
	}
	var s webpush.Subscription
	if err := json.Unmarshal([]byte(text), &s); err != nil {
		return nil, errors.New("subscription: is no JSON object of a browser's subscription")
	}
	u, err := url.Parse(s.Endpoint)
	switch {
	case err != nil || u.Host == "":
		return nil, errors.New("subscription: endpoint is no URL")
	case u.Scheme != "https":
		return nil, fmt.Errorf("subscription: endpoint's scheme is %q, not https", u.Scheme)
	case u.User != nil:
		return nil, errors.New("subscription: endpoint holds a user name")
	case !public(u.Hostname()):
		return nil, fmt.Errorf("subscription: endpoint %s has no public name", u.Host)
	}
	key, err := decode(s.Keys.P256dh)
	if err != nil || len(key) != 65 {
		return nil, errors.New("subscription: key p256dh is not 65 bytes in base64url")
	}
	if _, err := ecdh.P256().NewPublicKey(key); err != nil {
		return nil, errors.New("subscription: key p256dh is no point on P-256")
	}
	secret, err := decode(s.Keys.Auth)
	if err != nil || len(secret) != 16 {
		return nil, errors.New("subscription: key auth is not 16 bytes in base64url")
	}
	// One spelling, whatever the browser's padding: the library guesses the alphabet.
	s.Keys.P256dh, s.Keys.Auth = base64.RawURLEncoding.EncodeToString(key), base64.RawURLEncoding.EncodeToString(secret)
	return &s, nil
}

// decode takes base64 in either alphabet, padded or not: browsers differ.
func decode(s string) ([]byte, error) {
	s = strings.TrimRight(strings.NewReplacer("+", "-", "/", "_").Replace(s), "=")
	return base64.RawURLEncoding.DecodeString(s)
}
