package poller

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

// An authority signs certificates for one test.
type authority struct {
	certificate *x509.Certificate
	key         *ecdsa.PrivateKey
	file        string
}

func newAuthority(t *testing.T, dir, name string) *authority {
	t.Helper()
	a := &authority{file: filepath.Join(dir, name+".pem")}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	var der []byte
	der, a.key = sign(t, template, template, nil)
	var err error
	if a.certificate, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	writePEM(t, a.file, "CERTIFICATE", der)
	return a
}

// sign makes a key and a certificate for it, signed by the parent's key, or by its own if that is nil.
func sign(t *testing.T, template, parent *x509.Certificate, signer *ecdsa.PrivateKey) ([]byte, *ecdsa.PrivateKey) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if signer == nil {
		signer = key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, signer)
	if err != nil {
		t.Fatal(err)
	}
	return der, key
}

// issue writes NAME.crt and NAME.key, good for either end on the loopback.
func (a *authority) issue(t *testing.T, name string) (certificate, key string) {
	t.Helper()
	der, own := sign(t, &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		KeyUsage:    x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}, a.certificate, a.key)
	keyDER, err := x509.MarshalECPrivateKey(own)
	if err != nil {
		t.Fatal(err)
	}
	base := filepath.Join(filepath.Dir(a.file), name)
	writePEM(t, base+".crt", "CERTIFICATE", der)
	writePEM(t, base+".key", "EC PRIVATE KEY", keyDER)
	return base + ".crt", base + ".key"
}

func writePEM(t *testing.T, file, kind string, der []byte) {
	t.Helper()
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
}

// Modbus/TCP Security wants both ends to prove who they are (R-08 and R-19 of the Modbus/TCP Security specification,
// from memory, as quoted by the library).
func TestTLS(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	ca, stranger := newAuthority(t, dir, "ca"), newAuthority(t, dir, "stranger")
	certificate, key := ca.issue(t, "device")
	pair, err := tls.LoadX509KeyPair(certificate, key)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(ca.certificate)
	server := &tls.Config{
		Certificates: []tls.Certificate{pair}, ClientCAs: pool, ClientAuth: tls.RequireAndVerifyClientCert,
		MinVersion: tls.VersionTLS12, MaxVersion: tls.VersionTLS12, // 1.3 reports a refused client only at the first read
	}
	l, m := newLedger(testTimeout), ledgerMap(t)
	s := newStation(t, l.reply, server)

	good := &fleet.TLS{CA: ca.file}
	good.Certificate, good.Key = ca.issue(t, "daemon")
	unknown := &fleet.TLS{CA: ca.file}
	unknown.Certificate, unknown.Key = stranger.issue(t, "nobody")
	distrusts := &fleet.TLS{CA: stranger.file, Certificate: good.Certificate, Key: good.Key}
	swapped := &fleet.TLS{CA: ca.file, Certificate: good.Certificate, Key: unknown.Key}
	d := Device{ID: "mill/north/alder", Host: s.addr, Unit: 1, Map: m}

	for _, c := range []struct {
		name string
		tls  *fleet.TLS
		says string
	}{
		{"plain", nil, ""},
		{"a client that the device does not know", unknown, "remote error: tls"},
		{"a device that the client does not know", distrusts, "certificate signed by unknown authority"},
		{"a key of another certificate", swapped, "private key does not match"},
	} {
		d.TLS = c.tls
		if _, err := Read(t.Context(), Config{Timeout: testTimeout}, d); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: error %v, want one that says %q", c.name, err, c.says)
		}
	}
	if len(s.seen()) != 0 {
		t.Errorf("%d requests got through", len(s.seen()))
	}

	d.TLS = good
	sink := &notebook{}
	p := New(Config{Timeout: testTimeout}, sink)
	p.Update([]Device{d}, fleet.Periods{Fast: 50 * time.Millisecond})
	stop := start(t, p)
	sink.until(t, "five readings", func(all []*fleet.Frame) bool { return outcomes(all)[fleet.Answered] >= 5 })
	s.hangUp() // and it comes back
	was := len(sink.all())
	sink.until(t, "five more readings", func(all []*fleet.Frame) bool {
		return len(all) > was && outcomes(all[was:])[fleet.Answered] >= 5
	})
	stop()
	everyInstant(t, sink.of(d.ID, fleet.Fast), 50*time.Millisecond, 0)
	l.audit(t, 1, sink.of(d.ID, fleet.Fast))
}
