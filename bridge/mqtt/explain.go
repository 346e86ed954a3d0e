package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"syscall"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/gorilla/websocket"
)

// explain says of a connection's error what to do about it. The error itself stays in the chain.
func explain(err error) error {
	if is[*explained](err) {
		return err
	}
	if a := advice(err); a != "" {
		return &explained{advice: a, err: err}
	}
	return err
}

// explainDial is explain for a connection that never came about: there a broker does not hang up for another client. A broker that asked
// for a certificate and then refuses may say so by an alert, or, as its reset overtakes that, by hanging up.
func explainDial(err error) error {
	if e, ok := errors.AsType[*certificateAsked](err); ok && (hungUp(err) || alerted(err)) {
		return &explained{advice: e.advice(), err: e.err}
	}
	if hungUp(err) {
		return &explained{advice: "the broker closed the connection before it had begun; check the scheme and the port of broker.url, and whether the broker takes more clients", err: err}
	}
	return explain(err)
}

// explainAsking is explain for a connection that ended while it was asked for subscriptions, at most so many bytes in a packet.
func explainAsking(err error, most int) error {
	if hungUp(err) {
		return &explained{advice: fmt.Sprintf("the broker closed the connection at the subscription; it must take packets of %d bytes, so look at its limit (max_packet_size), "+
			"at its access list and in its log, and whether another client uses this broker.client_id", most), err: err}
	}
	return err
}

// alerted reports whether the other side ended a TLS connection by an alert. With TLS 1.3 that comes after the handshake. The type of an
// alert is not exported: what the package says of where it comes from is what there is to go by.
func alerted(err error) bool {
	e, ok := errors.AsType[*net.OpError](err)
	return ok && e.Op == "remote error"
}

// noPong is what the client says where its ping was not answered; it has no error of its own for that.
const noPong = "pingresp not received, disconnecting"

// hungUp reports whether the other side closed the connection, be it reading or writing that finds out.
func hungUp(err error) bool {
	return is[*websocket.CloseError](err) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE)
}

type explained struct {
	advice string
	err    error
}

func (e *explained) Error() string { return e.advice + " (" + e.err.Error() + ")" }
func (e *explained) Unwrap() error { return e.err }

// cause names an error in few words, without ports and addresses that change with each attempt.
func cause(err error) string {
	if e, ok := errors.AsType[*explained](err); ok {
		return e.advice
	}
	if e, ok := errors.AsType[*net.OpError](err); ok {
		return e.Op + ": " + e.Err.Error()
	}
	return err.Error()
}

func advice(err error) string {
	if e, ok := errors.AsType[x509.HostnameError](err); ok {
		return fmt.Sprintf("the broker's certificate is not for %q; use the name that it is for in broker.url", e.Host)
	}
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return "the broker refuses the user; check broker.username and broker.password_file"
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return "the broker refuses the client id; choose another broker.client_id"
	case errors.Is(err, packets.ErrorRefusedBadProtocolVersion), is[refusedBy](err):
		return "the broker refuses the connection, and does not say why in the terms of MQTT 3.1.1; it may speak another version only: choose another broker or listener in broker.url"
	case errors.Is(err, errNoMQTT):
		return "what answers there is no MQTT 3.1.1 broker; check the scheme and the port of broker.url"
	case errors.Is(err, packets.ErrorRefusedServerUnavailable):
		return "the broker is not ready"
	case is[x509.UnknownAuthorityError](err):
		return "the broker's certificate is signed by an unknown authority; name that authority's certificate in broker.ca_file"
	case is[x509.CertificateInvalidError](err):
		return "the broker's certificate is not valid; renew it, or set this machine's clock"
	case is[tls.RecordHeaderError](err):
		return "the broker does not speak TLS on this port; use mqtt:// or another port"
	case alerted(err):
		return "the broker refuses the TLS connection; look in its log, and check the scheme and the port of broker.url"
	case is[*net.DNSError](err):
		return "the broker's name cannot be found; check broker.url and the network's name service"
	case errors.Is(err, syscall.ECONNREFUSED):
		return "nothing listens there; start the broker or check broker.url"
	case errors.Is(err, ErrUnconfirmed), err.Error() == noPong:
		return "the broker does not answer any more; look whether it hangs, and at the network between"
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, os.ErrDeadlineExceeded):
		return "the broker does not answer; check broker.url and the network"
	case hungUp(err):
		return "the broker closed the connection; if it does so again and again, another client may use this broker.client_id"
	}
	return ""
}

func is[E error](err error) bool {
	_, ok := errors.AsType[E](err)
	return ok
}
