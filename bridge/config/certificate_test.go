package config

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"io/fs"
	"maps"
	"math/big"
	"strings"
	"testing"
	"time"
)

// selfSigned makes a certificate with its key, in PEM.
func selfSigned(t *testing.T) (cert, key string) {
	t.Helper()
	priv, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), DNSNames: []string{"b"}}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &priv.PublicKey, priv)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(priv)
	if err != nil {
		t.Fatal(err)
	}
	return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})),
		string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}))
}

func TestCertificates(t *testing.T) {
	cert, key := selfSigned(t)
	_, otherKey := selfSigned(t)
	files := maps.Clone(ordinary)
	for name, text := range map[string]string{"ca": cert, "cert": cert, "key": key, "other-key": otherKey} {
		files["/farm/"+name] = struct {
			text string
			mode fs.FileMode
		}{text, 0o600}
	}
	c, warnings, err := Parse("f", []byte(everyKey), files.env())
	if err != nil || len(warnings) > 0 {
		t.Fatal(err, warnings)
	}
	first, second := c.Broker.TLS(), c.Broker.TLS()
	if len(first.Certificates) != 1 || first.RootCAs == nil || first.ServerName != "broker.lan" || first == second {
		t.Errorf("TLS settings are %+v", first)
	}
	_, _, err = Parse("f", []byte(strings.Replace(everyKey, `"key"`, `"other-key"`, 1)), files.env())
	if err == nil || !strings.Contains(err.Error(), "f:14: broker.cert_file: does not go with key_file") {
		t.Errorf("a key of another certificate gives %v", err)
	}
}

// A broker inside the daemon may be opened to the network with a password.
func TestEmbeddedWithPassword(t *testing.T) {
	text := strings.Replace(least, `url = "embedded"`, "url = \"embedded\"\nusername = \"u\"\npassword_file = \"password\"\nembedded.listen = \"0.0.0.0:1883\"", 1)
	c, warnings, err := parse(t, text)
	if err != nil || len(warnings) > 0 || c.Broker.Listen != "0.0.0.0:1883" || c.Broker.Password.Empty() {
		t.Errorf("%v %v", err, warnings)
	}
	if _, _, err := parse(t, strings.Replace(text, "username = \"u\"\n", "", 1)); err == nil || strings.Count(err.Error(), "\n") != 1 {
		t.Errorf("without a user name: %v; want two faults, the password's and the door's", err)
	}
}
