package mqtt

import (
	"crypto/tls"
	"fmt"
	"time"
)

// showing is what a TLS connection does when the broker asks for the client's certificate: what tls.Config does by itself, and it tells
// tell, so that a refusal that follows can be explained. With TLS 1.3 that comes after the handshake, as an error of a read or a write.
func showing(config *tls.Config, tell func(*certificateAsked)) *tls.Config {
	config = config.Clone()
	config.GetClientCertificate = func(asked *tls.CertificateRequestInfo) (*tls.Certificate, error) {
		tell(&certificateAsked{none: len(config.Certificates) == 0})
		for i := range config.Certificates {
			c := &config.Certificates[i]
			if asked.SupportsCertificate(c) == nil {
				tell(&certificateAsked{shown: c})
				return c, nil
			}
		}
		return &tls.Certificate{}, nil
	}
	return config
}

// certificateAsked is the error of a connection that did not come about, where the broker had asked for a certificate.
type certificateAsked struct {
	none  bool             // there is none to show
	shown *tls.Certificate // nil: none, or none that the broker would take
	err   error
}

func (c *certificateAsked) Error() string { return c.err.Error() }
func (c *certificateAsked) Unwrap() error { return c.err }

func (c *certificateAsked) advice() string {
	switch {
	case c.none:
		return "the broker asks for a certificate and refuses the connection without; name one in broker.cert_file and broker.key_file"
	case c.shown == nil:
		return "no authority that the broker trusts signed the certificate in broker.cert_file; name one that it takes"
	case c.shown.Leaf != nil && time.Now().After(c.shown.Leaf.NotAfter):
		return fmt.Sprintf("the broker refuses the connection, and the certificate in broker.cert_file ran out on %s; renew it",
			c.shown.Leaf.NotAfter.UTC().Format(time.DateOnly))
	}
	return "the broker refuses the connection after it saw the certificate in broker.cert_file; look in its log whether it takes that"
}
