package brokertest

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
	"testing"
	"time"
)

// Authority signs certificates for one test.
type Authority struct {
	t    testing.TB
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

// NewAuthority makes one.
func NewAuthority(t testing.TB) *Authority {
	t.Helper()
	a := &Authority{t: t}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "an authority for tests " + rand.Text()},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	var der []byte
	a.key, der = sign(t, template, template, nil)
	a.cert = parse(t, der)
	return a
}

// PEM is the authority's own certificate, as a file would hold it.
func (a *Authority) PEM() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.cert.Raw})
}

// Client trusts this authority alone.
func (a *Authority) Client() *tls.Config {
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	return &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool, ServerName: "localhost"}
}

// Server has a certificate for the names and addresses given.
func (a *Authority) Server(names ...string) *tls.Config {
	return a.ServerUntil(time.Now().Add(24*time.Hour), names...)
}

// ServerUntil has one that runs out then.
func (a *Authority) ServerUntil(end time.Time, names ...string) *tls.Config {
	cert, key := a.issue(end, names)
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		a.t.Fatal(err)
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}}
}

// Files writes a certificate and its key for the names and addresses given.
func (a *Authority) Files(t testing.TB, dir string, names ...string) (cert, key string) {
	t.Helper()
	certPEM, keyPEM := a.issue(time.Now().Add(24*time.Hour), names)
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for path, content := range map[string][]byte{cert: certPEM, key: keyPEM} {
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}

func (a *Authority) issue(end time.Time, names []string) (certPEM, keyPEM []byte) {
	a.t.Helper()
	template := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: "a broker for tests"},
		NotBefore: end.Add(-25 * time.Hour), NotAfter: end,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	for _, n := range names {
		if ip := net.ParseIP(n); ip != nil {
			template.IPAddresses = append(template.IPAddresses, ip)
		} else {
			template.DNSNames = append(template.DNSNames, n)
		}
	}
	key, der := sign(a.t, template, a.cert, a.key)
	keyDER, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		a.t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: keyDER})
}

// sign makes a key and a certificate for it; without a signer it signs itself.
func sign(t testing.TB, template, parent *x509.Certificate, signer *ecdsa.PrivateKey) (*ecdsa.PrivateKey, []byte) {
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
	return key, der
}

func parse(t testing.TB, der []byte) *x509.Certificate {
	t.Helper()
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return c
}
