package notify

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"strconv"
	"strings"
	"time"
)

// A signing secret of the Standard Webhooks specification 1.0 has this in front of 24 to 64 bytes in base64.
const (
	secretPrefix   = "whsec_"
	secretShortest = 24
	secretLongest  = 64
)

var errSecret = errors.New("it is no signing secret: whsec_ and the base64 text of 24 to 64 bytes")

// parseSecret returns the key of a signing secret.
func parseSecret(s string) ([]byte, error) {
	text, ok := strings.CutPrefix(s, secretPrefix)
	key, err := base64.StdEncoding.DecodeString(text)
	if !ok || err != nil || len(key) < secretShortest || len(key) > secretLongest {
		return nil, errSecret
	}
	return key, nil
}

// sign returns the signature of a message, as the specification says: HMAC-SHA256 of id, time and body with dots
// between them, in base64, behind its version.
func sign(key []byte, id string, at time.Time, body []byte) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(id + "." + strconv.FormatInt(at.Unix(), 10) + "."))
	h.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(h.Sum(nil))
}
