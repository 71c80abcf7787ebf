package dashboard_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"os"
	"path/filepath"
	"testing"

	"ringwarden/dashboard"
)

// writePEM writes a certificate and its key as files.
func writePEM(t *testing.T, c tls.Certificate, pool *x509.CertPool) (cert, key string, _ *x509.CertPool) {
	t.Helper()
	private, err := x509.MarshalPKCS8PrivateKey(c.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	cert, key = filepath.Join(folder, "c.pem"), filepath.Join(folder, "c.key")
	for path, b := range map[string]*pem.Block{
		cert: {Type: "CERTIFICATE", Bytes: c.Certificate[0]}, key: {Type: "PRIVATE KEY", Bytes: private},
	} {
		if err := os.WriteFile(path, pem.EncodeToMemory(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key, pool
}

func (d *deeds) act(_ context.Context, a dashboard.Action) error {
	d.done = append(d.done, a)
	return nil
}
