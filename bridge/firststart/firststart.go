// Package firststart leads somebody who has no configuration yet from a broker's address to a file that passes the check:
// it listens on the broker, keeps what a person says of the plugs, and writes the file once it was shown.
//
// It must never overwrite a file, hold a password (that stays in a file of its own), or switch a plug that nobody asked it
// to try. Start reading at [Start].
package firststart

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"gillkeeper/bridge/config"
	"gillkeeper/bridge/survey"
	"gillkeeper/bridge/survey/listen"
	"gillkeeper/policy/chamber"
)

// Start is a first start. Its methods may be called from several goroutines.
type Start struct {
	path string
	done chan struct{} // closed when the file is written

	mu     sync.Mutex
	broker survey.Broker
	survey *survey.Survey
	ear    *listen.Ear
	since  time.Time
	said   map[string]said // by [Key]: what a person said of a plug
}

// said is what a person said of a plug.
type said struct {
	named bool
	role  chamber.Role // once it is named; 0: leave it alone
	tried bool         // it was tried and obeyed
}

// State is how far it has come.
type State struct {
	Path      string
	Listening bool
	Up        bool // the connection stands
	Since     time.Time
	Broker    survey.Broker
	Counts    survey.Counts
	Found     *survey.Findings // nil before it listens
}

// New begins a first start that ends in a file at path.
func New(path string) *Start {
	return &Start{path: path, done: make(chan struct{}), said: map[string]said{}}
}

// Done is closed when the file is written.
func (s *Start) Done() <-chan struct{} { return s.done }

// Close ends the listening.
func (s *Start) Close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ear != nil {
		s.ear.Close()
		s.ear = nil
	}
}

// Begin listens on a broker, instead of on the one before. Its files are as the configuration will name them.
func (s *Start) Begin(ctx context.Context, b survey.Broker) error {
	c, _, err := config.Parse(s.path, []byte(survey.New().Find().Config(&b)), config.EnvOf(s.path))
	if err != nil {
		return asked(firstFault(err))
	}
	if c.Broker.Embedded {
		return errors.New("embedded starts a broker to which no sensor speaks yet; give the address of the one that they speak to")
	}
	heard := survey.New()
	ear, err := listen.Open(ctx, &c.Broker, heard)
	if err != nil {
		return asked(err)
	}
	s.Close()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.broker, s.survey, s.ear, s.since, s.said = b, heard, ear, time.Now(), map[string]said{}
	return nil
}

// asked says an error in the words in which the first start asks: nobody has seen a configuration with its keys yet.
func asked(err error) error { return errors.New(inWords.Replace(err.Error())) }

var inWords = strings.NewReplacer(`, or "embedded"`, "", "broker.url", "the address", "use username and password_file", "give the user and the file with the password below",
	"broker.username", "the user", "broker.password_file", "the file with the password", "broker.ca_file", "the file with the authority", "set username", "give the user",
	"name one in broker.cert_file and broker.key_file", "name the files with one and with its key below", "with key_file", "with the file with its key",
	"broker.cert_file", "the file with the certificate", "broker.key_file", "the file with the certificate's key", "cert_file", "file with the certificate",
	"key_file", "file with its key", "names a file that ", "", "names a file with", "is one with")

// firstFault is the first fault of a configuration, without its line.
func firstFault(err error) error {
	faults, ok := errors.AsType[config.Faults](err)
	if !ok {
		return err
	}
	for _, f := range faults {
		if !f.Warning {
			text := f.Where + " " + f.What + "; " + f.Allowed
			if f.Nearest != "" {
				text += "; did you mean " + f.Nearest
			}
			return errors.New(text)
		}
	}
	return err
}

// State gives what was heard and said so far.
func (s *Start) State() State {
	s.mu.Lock()
	defer s.mu.Unlock()
	x := State{Path: s.path, Broker: s.broker, Since: s.since, Listening: s.ear != nil}
	if s.survey != nil {
		x.Counts, x.Found, x.Up = s.survey.Counts(), s.found(), s.ear != nil && s.ear.Up()
	}
	return x
}

// Key tells a plug from the others.
func Key(p *survey.Plug) string { return p.State.Topic + " " + p.State.Pointer + " " + p.Homie }

// found is what was heard with what a person said of it. The lock is held.
func (s *Start) found() *survey.Findings {
	f := s.survey.Find()
	for _, p := range f.Plugs {
		x, ok := s.said[Key(p)]
		if !ok {
			continue
		}
		if x.tried {
			p.Confirm(0)
		}
		if x.named {
			p.Role, p.Sure = x.role, 1
			p.Because = append(p.Because, "you said so")
		}
	}
	return f
}

// Say takes a person's word for what hangs on a plug. A role of 0 leaves it alone, whatever was guessed.
func (s *Start) Say(key string, role chamber.Role) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.said[key] = said{named: true, role: role, tried: s.said[key].tried}
}

// Try switches a plug over and back, and reports the topic of its state and whether it said there that it obeyed.
func (s *Start) Try(ctx context.Context, key string) (topic string, obeyed bool, err error) {
	s.mu.Lock()
	ear := s.ear
	var plug *survey.Plug
	if s.survey != nil {
		for _, p := range s.found().Plugs {
			if Key(p) == key {
				plug = p
			}
		}
	}
	s.mu.Unlock()
	if ear == nil || plug == nil {
		return "", false, errors.New("there is no such plug any more; listen again")
	}
	topic = plug.State.Topic
	if obeyed, err = ear.Try(ctx, plug); err != nil || !obeyed {
		return topic, obeyed, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	x := s.said[key]
	x.tried = true
	s.said[key] = x
	return topic, true, nil
}

// Draft writes the configuration as it would be.
func (s *Start) Draft() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.survey == nil {
		return ""
	}
	return s.found().Config(&s.broker)
}

// Check lists the faults of a configuration, and whether it would be refused for them.
func (s *Start) Check(text string) (faults []string, refused bool) {
	_, warnings, err := config.Parse(filepath.Base(s.path), []byte(text), config.EnvOf(s.path))
	all := warnings
	if err != nil {
		refused = true
		wrong, ok := errors.AsType[config.Faults](err)
		if !ok {
			return []string{err.Error()}, true
		}
		all = wrong
	}
	for _, f := range all {
		faults = append(faults, f.Error())
	}
	return faults, refused
}

// Page is where the daemon of a configuration shows its page to this machine, or "" where the configuration is refused.
func (s *Start) Page(text string) string {
	c, _, err := config.Parse(filepath.Base(s.path), []byte(text), config.EnvOf(s.path))
	if err != nil {
		return ""
	}
	host, port, err := net.SplitHostPort(c.HTTP.Listen)
	if err != nil {
		return ""
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return "http://" + net.JoinHostPort(host, port)
}

// Write writes the file and ends the first start. A file that is there already stays as it is.
func (s *Start) Write(text string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	f, err := os.OpenFile(s.path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already and is not overwritten", s.path)
	}
	if err != nil {
		return fmt.Errorf("%s cannot be written: %w", s.path, err)
	}
	_, err = f.WriteString(text)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return errors.Join(fmt.Errorf("%s cannot be written: %w", s.path, err), os.Remove(s.path))
	}
	close(s.done)
	return nil
}
