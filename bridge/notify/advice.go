package notify

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"syscall"
)

// closedIdle is what net/http says where the other side hangs up before anything was sent; it has no error of its own for that.
const closedIdle = "server closed idle connection"

// advice says what to do about an error of the way to a service. "" is nothing beyond what the error says itself.
func advice(err error) string {
	silent := errors.Is(err, errTimeout) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, os.ErrDeadlineExceeded)
	switch {
	case is[x509.UnknownAuthorityError](err):
		return "its certificate is signed by an authority that this machine does not know; add that one to this machine's authorities"
	case is[x509.HostnameError](err):
		return "its certificate is for another name; use the name that it is for in the address"
	case is[x509.CertificateInvalidError](err):
		return "its certificate is not valid; have it renewed, or set this machine's clock"
	case is[tls.RecordHeaderError](err), errors.Is(err, http.ErrSchemeMismatch):
		return "it does not speak TLS on this port; check the scheme and the port of the address"
	case is[*net.DNSError](err):
		return "its name cannot be found; check the address, and this machine's network"
	case errors.Is(err, syscall.ECONNREFUSED):
		return "nothing listens there; check the address, and whether that service runs"
	case silent && errors.Is(err, errNoGreeting):
		return "it does not begin to speak; where it waits for encryption, as on port 465, write smtps; else check the address and the network between"
	case silent:
		return "it does not answer; check the address, and the network between"
	case strings.Contains(err.Error(), closedIdle), errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, syscall.ECONNRESET), errors.Is(err, syscall.EPIPE):
		return "it closed the connection without an answer; check the scheme and the port of the address"
	}
	return ""
}

func is[E error](err error) bool {
	_, ok := errors.AsType[E](err)
	return ok
}
