// Package web serves the page, the HTTP API, the metrics and the health checks.
//
// Whoever may read may read everything; whoever acts needs the token, where one is set. It must never decide anything,
// keep a chamber's state, or let a request from a foreign page act. Start reading at [New] and [Backend]; the list of
// what it answers is routes in route.go.
package web

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"gillkeeper/bridge/firststart"
	"gillkeeper/bridge/journal"
	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy"
	"gillkeeper/policy/species"
)

// Backend is who owns the chambers. Its methods are called from many goroutines at once.
type Backend interface {
	// Snapshots gives the newest picture of every chamber, by name.
	Snapshots() []*policy.Snapshot
	// Snapshot gives the newest picture of one chamber; false when there is no such chamber.
	Snapshot(chamber string) (*policy.Snapshot, bool)
	// Act does what a person asked; it returns when the action is durable and done. What cannot be done gives a
	// [*policy.Refusal]; any other error means that it may work later.
	Act(ctx context.Context, chamber string, a policy.Action) (*policy.Snapshot, error)
	// Preview says what an action would bring, or gives the refusal that it would meet. It changes nothing.
	Preview(chamber string, a policy.Action) (policy.Preview, error)
	// Climates is the table that a chamber goes by.
	Climates(chamber string) *species.Table
	// WhyAt gives for each plug its last switch at or before a moment of the calendar, with the reasons.
	WhyAt(ctx context.Context, chamber string, at time.Time) ([]policy.Event, error)
	// Events gives what was logged from one moment of the calendar on and before another, oldest first: of some kinds, or
	// of all when none is named.
	Events(ctx context.Context, chamber string, from, to time.Time, kinds ...policy.EventKind) ([]policy.Event, error)
	// History gives aggregates of one chamber in order of time, then place and quantity. It yields at most one error, as
	// the last pair.
	History(ctx context.Context, q journal.HistoryQuery) iter.Seq2[journal.Minute, error]
	// Actions gives what people did, in order. It yields at most one error, as the last pair.
	Actions(ctx context.Context, q journal.ActionQuery) iter.Seq2[journal.Acted, error]
	// ImportAll brings in entries of the crop's record, for each chamber an action of kind import, in order of the names:
	// all of them or none. Entries that cannot be give a [*policy.Rejected].
	ImportAll(ctx context.Context, imports []journal.Acted) error
	// CheckImport says what ImportAll would, and brings nothing in.
	CheckImport(ctx context.Context, imports []journal.Acted) error
	// Ready gives nil when configuration, broker and first decision are all there, or else says what is missing.
	Ready() error
}

// The limits of the server.
const (
	maxBody      = 64 << 10         // bytes of an action; the longest real one is under 1 KiB
	maxImport    = 8 << 20          // bytes of an import; ten thousand entries are under 4 MiB
	maxDraft     = 16 << 20         // bytes of a configuration at the first start; what is heard in a house of 150 plugs makes 150 KiB
	maxHeader    = 16 << 10         // bytes of all headers
	replyTimeout = 30 * time.Second // to handle a request and take the answer
	idleTimeout  = 2 * time.Minute
	actTimeout   = 10 * time.Second // for the owner of the chamber to do an action
	stopTimeout  = 5 * time.Second  // for running requests when the server stops
	maxConns     = 1024             // open at once; more wait in the kernel's queue
)

// How long a client may take; variables, so that tests need not wait as long.
var (
	headerTimeout  = 5 * time.Second  // to send the headers: ends a client that sends a byte a minute
	requestTimeout = 15 * time.Second // to send the whole request
)

// Site is what pages and sentences need to know of the site.
type Site struct {
	Name       string
	Zone       *time.Location // nil: UTC
	Fahrenheit bool           // show degrees Fahrenheit
	TwelveHour bool           // write the time of day as 2:05 pm
}

// Access is who is let in.
type Access struct {
	Token     string // needed to act; empty: none, and actions only on loopback
	ReadToken string // needed to look; empty: whoever reaches the server may look
}

// Options are what a server needs. Only Listen and Backend must be given.
type Options struct {
	Listen  string // host and port; port 0 takes a free one
	Backend Backend
	First   *firststart.Start // instead of a Backend: lead through a first start, on loopback only
	Metrics http.Handler      // for /metrics; nil: not served
	Site    Site
	// Notifications says how each place that messages to people go to works; nil: there is none.
	Notifications func() []api.Notification
	Ahead         Ahead // nil: no outlook is given
	Access        Access
	Hosts         []string // further names under which the server is reached, without port: for a reverse proxy or a LAN name
	Base          string   // path before every other that a reverse proxy leaves there, such as /grow
	Version       string   // of the program
	Log           *slog.Logger
	Now           func() time.Time // the calendar; nil: time.Now
}

// Server serves one listener.
type Server struct {
	backend  Backend
	metrics  http.Handler
	version  string
	hosts    []string
	base     string
	loopback bool
	log      *slog.Logger
	now      func() time.Time
	posts    func() []api.Notification // nil: none
	ahead    Ahead                     // nil: none
	settings atomic.Pointer[settings]
	wrong    *wrongTokens
	revoked  revoked
	dones    dones
	first    *firststart.Start // nil but for a first start
	live     hub
	season   sync.Mutex // one season is put together at a time
	listener net.Listener
	http     *http.Server
	mux      *http.ServeMux
	openapi  []byte
}

// settings may change while the server runs.
type settings struct {
	site    Site
	words   words.Words
	secrets secrets
}

// New checks the options and binds the listener. It serves nothing until [Server.Run]; a server that is not to be run
// is closed by running it with a context that is done.
func New(o Options) (*Server, error) {
	if o.Backend == nil && o.First == nil {
		return nil, errors.New("web: no backend was given")
	}
	s := &Server{
		backend: o.Backend, metrics: o.Metrics, version: o.Version, hosts: o.Hosts, base: o.Base, log: o.Log, now: o.Now, posts: o.Notifications, ahead: o.Ahead,
		wrong: newWrongTokens(), first: o.First,
	}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.now == nil {
		s.now = time.Now
	}
	s.live = hub{s: s, feeds: map[string]*feed{}}
	s.Adopt(o.Site, o.Access)
	var err error
	if s.openapi, err = describe(o.Version); err != nil {
		return nil, fmt.Errorf("web: %w", err)
	}
	s.listener, err = net.Listen("tcp", o.Listen)
	if err != nil {
		return nil, fmt.Errorf("cannot serve page and API on %s: %w; free the port or set another one under [http] listen", o.Listen, err)
	}
	s.loopback = isLoopback(s.listener.Addr())
	views() // parsed before the first visit
	s.mux = s.newMux()
	if o.First != nil {
		s.mux = s.newStartMux()
		if !s.loopback {
			s.listener.Close()
			return nil, fmt.Errorf("a first start is led through on this machine only; %s can be reached from others", o.Listen)
		}
	}
	s.http = &http.Server{
		Handler:           s.outer(s.mux),
		ReadHeaderTimeout: headerTimeout,
		ReadTimeout:       requestTimeout,
		WriteTimeout:      replyTimeout,
		IdleTimeout:       idleTimeout,
		MaxHeaderBytes:    maxHeader,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	s.http.RegisterOnShutdown(func() { s.live.close(true) })
	return s, nil
}

// Adopt takes a new site and new tokens into use, for a configuration that changed. Sessions that rest on a token that
// changed are over.
func (s *Server) Adopt(site Site, a Access) {
	s.settings.Store(&settings{
		site:    site,
		words:   words.Words{Zone: site.Zone, Fahrenheit: site.Fahrenheit, TwelveHour: site.TwelveHour},
		secrets: newSecrets(a.Token, a.ReadToken),
	})
	s.live.close(false) // who listens may not be let in any more
}

// Addr is where the server listens.
func (s *Server) Addr() net.Addr { return s.listener.Addr() }

// Acts reports whether actions are taken at all: on loopback, or with a token.
func (s *Server) Acts() bool { return s.loopback || s.settings.Load().secrets.hasAct }

// Run serves until the context is done, then lets running requests end for a few seconds. It returns nil when it was
// stopped by the context. A server runs once.
func (s *Server) Run(ctx context.Context) error {
	defer s.live.close(true)
	failed := make(chan error, 1)
	go func() { failed <- s.http.Serve(limited(s.listener, maxConns)) }()
	select {
	case err := <-failed:
		return fmt.Errorf("page and API on %s stopped: %w", s.Addr(), err)
	case <-ctx.Done():
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
	defer cancel()
	if err := s.http.Shutdown(stop); err != nil {
		s.log.Warn("requests were cut off at stop", "error", err)
		s.http.Close()
	}
	s.listener.Close()
	<-failed
	return nil
}

func isLoopback(a net.Addr) bool {
	t, ok := a.(*net.TCPAddr)
	return ok && t.IP.IsLoopback()
}
