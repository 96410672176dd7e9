package push_test

import (
	"crypto/ecdh"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"math/big"
	"strings"
	"testing"
	"time"

	"roundsman/exporter/callout/push/pushtest"
)

// The tests' own reading of RFC 8188, 8291 and 8292, which shares nothing with the library under test.

func b64(t testing.TB, s string) []byte {
	t.Helper()
	b, err := base64.RawURLEncoding.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// phone is who receives: RFC 8291's user agent.
type phone = pushtest.Phone

// token is what a VAPID header claims.
type token struct {
	header, claims map[string]any
	key            []byte
}

// verify checks an Authorization header (RFC 8292, sections 2 and 3).
func verify(authorization string) (tok token, err error) {
	rest, ok := strings.CutPrefix(authorization, "vapid ")
	if !ok {
		return tok, errors.New("scheme is not vapid")
	}
	parameters := make(map[string]string)
	for part := range strings.SplitSeq(rest, ",") {
		name, value, _ := strings.Cut(strings.TrimSpace(part), "=")
		parameters[name] = value
	}
	parts := strings.Split(parameters["t"], ".")
	if len(parts) != 3 {
		return tok, errors.New("token has not three parts")
	}
	raw := base64.RawURLEncoding
	head, err1 := raw.DecodeString(parts[0])
	claims, err2 := raw.DecodeString(parts[1])
	signature, err3 := raw.DecodeString(parts[2])
	key, err4 := raw.DecodeString(parameters["k"])
	if err := errors.Join(err1, err2, err3, err4, json.Unmarshal(head, &tok.header), json.Unmarshal(claims, &tok.claims)); err != nil {
		return tok, err
	}
	tok.key = key
	public, err := ecdsa.ParseUncompressedPublicKey(elliptic.P256(), key)
	if err != nil {
		return tok, err
	}
	sum := sha256.Sum256([]byte(parts[0] + "." + parts[1]))
	if len(signature) != 64 || !ecdsa.Verify(public, sum[:], new(big.Int).SetBytes(signature[:32]), new(big.Int).SetBytes(signature[32:])) {
		return tok, errors.New("the signature does not fit")
	}
	return tok, nil
}

// RFC 8291, Appendix A: the published body opens with every published step on the way.
func TestOwnDecoderOnAppendixA(t *testing.T) {
	p := appendixA(t)
	plain, s, err := p.Open(b64(t, appendixBody))
	if err != nil {
		t.Fatal(err)
	}
	if string(plain) != "When I grow up, I want to be a watermelon" {
		t.Errorf("plain text %q", plain)
	}
	for _, row := range []struct {
		name string
		got  []byte
		want string
	}{
		{"ecdh_secret", s.Shared, "kyrL1jIIOHEzg3sM2ZWRHDRB62YACZhhSlknJ672kSs"},
		{"PRK_key", s.PRKKey, "Snr3JMxaHVDXHWJn5wdC52WjpCtd2EIEGBykDcZW32k"},
		{"IKM", s.IKM, "S4lYMb_L0FxCeq0WhDx813KgSYqU26kOyzWUdsXYyrg"},
		{"PRK", s.PRK, "09_eUZGrsvxChDCGRCdkLiDXrReGOEVeSCdCcPBSJSc"},
		{"CEK", s.CEK, "oIhVW04MRdy2XN9CiKLxTg"},
		{"nonce", s.Nonce, "4h_95klXJ5E_qnoN"},
	} {
		if got := base64.RawURLEncoding.EncodeToString(row.got); got != row.want {
			t.Errorf("%s %s, want %s", row.name, got, row.want)
		}
	}
	if body := b64(t, appendixBody); len(body) != 86+41+1+16 {
		t.Errorf("body of %d bytes", len(body))
	}
}

const (
	appendixPrivate = "q1dXpw3UpT5VOmu_cf_v6ih07Aems3njxI-JWgLcM94"
	appendixPublic  = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
	appendixSecret  = "BTBZMqHH6r4Tts7J_aSIgg"
	appendixBody    = "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8w" +
		"EqKK6PBru3jl7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
)

func appendixA(t testing.TB) phone {
	t.Helper()
	private, err := ecdh.P256().NewPrivateKey(b64(t, appendixPrivate))
	if err != nil {
		t.Fatal(err)
	}
	if got := base64.RawURLEncoding.EncodeToString(private.PublicKey().Bytes()); got != appendixPublic {
		t.Fatalf("ua_public %s", got)
	}
	return phone{Private: private, Secret: b64(t, appendixSecret)}
}

// RFC 8292, section 2.4: the published token verifies, and not with one letter changed.
func TestOwnVerifierOnRFC8292(t *testing.T) {
	const k = "BA1Hxzyi1RUM1b5wjxsn7nGxAszw2u61m164i3MrAIxHF6YK5h4SDYic-dRuU_RCPCfA5aq9ojSwk5Y2EmClBPs"
	const header = "vapid t=eyJ0eXAiOiJKV1QiLCJhbGciOiJFUzI1NiJ9.eyJhdWQiOiJodHRwczovL3B1c2guZXhhbXBsZS5uZXQiLCJleHAiOjE0NTM1MjM3NjgsInN1YiI6Im1haWx0bzpwdXNoQGV4YW1wbGUuY29tIn0" +
		".i3CYb7t4xfxCDquptFOepC9GAu_HLGkMlMuCGSK2rpiUfnK9ojFwDXb1JrErtmysazNjjvW2L9OkSSHzvoD1oA, k=" + k
	tok, err := verify(header)
	if err != nil {
		t.Fatal(err)
	}
	if tok.header["alg"] != "ES256" || tok.claims["aud"] != "https://push.example.net" || tok.claims["sub"] != "mailto:push@example.com" ||
		time.Unix(int64(tok.claims["exp"].(float64)), 0).UTC() != time.Date(2016, 1, 23, 4, 36, 8, 0, time.UTC) {
		t.Errorf("%v %v", tok.header, tok.claims)
	}
	if _, err := verify(strings.Replace(header, "i3CY", "i3CZ", 1)); err == nil {
		t.Error("a changed signature verifies")
	}
}
