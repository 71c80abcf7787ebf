package notify

import (
	"encoding/base64"
	"strings"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
)

// The vector of the Standard Webhooks reference library for Go, v0.0.1, webhook_test.go; known from memory as well,
// and the same as Python's hmac gives.
func TestSignaturePublished(t *testing.T) {
	key, err := parseSecret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	got := sign(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test": 2432232314}`))
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("signature is %s, want %s", got, want)
	}
}

// A receiver that checks with the specification's own library takes ours, and no other body, id or time.
func TestSignatureIsTakenByThePeer(t *testing.T) {
	text := "whsec_" + base64.StdEncoding.EncodeToString([]byte("thirty-two bytes of a bad secret"))
	key, err := parseSecret(text)
	if err != nil {
		t.Fatal(err)
	}
	peer, err := standardwebhooks.NewWebhook(text)
	if err != nil {
		t.Fatal(err)
	}
	at, body := time.Now(), []byte(`{"type":"alarm.raised"}`)
	for _, c := range []struct {
		id   string
		at   time.Time
		body string
		good bool
	}{
		{"rw_1", at, string(body), true},
		{"rw_2", at, string(body), false},
		{"rw_1", at.Add(time.Second), string(body), false},
		{"rw_1", at, string(body) + " ", false},
	} {
		header := signed("rw_1", c.at, sign(key, "rw_1", at, body))
		header.Set("webhook-id", c.id)
		if err := peer.Verify([]byte(c.body), header); (err == nil) != c.good {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

// Whoever sets this up with a wrong secret hears so at once, and never sees it repeated.
func TestSecretsThatAreNone(t *testing.T) {
	long := base64.StdEncoding.EncodeToString(make([]byte, 65))
	for _, s := range []string{"", "whsec_", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_c2hvcnQ=", "whsec_" + long, "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaS!"} {
		if _, err := parseSecret(s); err == nil || s != "" && strings.Contains(err.Error(), s[min(len(s)-1, 6):]) && len(s) > 7 {
			t.Errorf("parseSecret(%q) = %v", s, err)
		}
	}
}
