package web

import (
	"net/http"
	"strings"
	"time"

	"gillkeeper/bridge/firststart"
	"gillkeeper/bridge/survey"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
)

// startPage is what was found on the broker so far.
type startPage struct {
	State   firststart.State
	Asked   survey.Broker // as the form shows it: what was just typed, or the broker that is listened to
	Refused bool          // it is the form that has the problem
	For     string        // how long it has listened
	Problem string
	Sensors []foundSensor
	Plugs   []foundPlug
}

type foundSensor struct {
	Measures, Topic, Value, Sure, Because string
	Room                                  bool
}

type foundPlug struct {
	Key, Topic, Command, Sure, Because string
	Guess                              bool // nobody was heard to command it
	Roles                              []choice
}

// startFile is the configuration before it is written.
type startFile struct {
	Path, Text string
	Faults     []string
	Refused    bool
	Problem    string
	Written    bool
	Next       string // where the daemon's page will be
	Here       bool   // and that is where this page is
}

// newStartMux answers while there is no configuration: nothing but the first start.
func (s *Server) newStartMux() *http.ServeMux {
	mux := http.NewServeMux()
	s.addAssets(mux)
	mux.HandleFunc("GET /{$}", s.show(actor, func(v *visit) error { v.redirect("start"); return nil }))
	mux.HandleFunc("GET /start", s.show(actor, func(v *visit) error { return v.startPage(http.StatusOK, startPage{}) }))
	mux.HandleFunc("POST /start/listen", s.show(actor, (*visit).startListen))
	mux.HandleFunc("POST /start/say", s.show(actor, (*visit).startSay))
	mux.HandleFunc("POST /start/try", s.show(actor, (*visit).startTry))
	mux.HandleFunc("GET /start/file", s.show(actor, func(v *visit) error { return v.startFile(http.StatusOK, startFile{Text: v.s.first.Draft()}) }))
	mux.HandleFunc("POST /start/file", s.show(actor, (*visit).startWrite))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = w.Write([]byte("alive\n")) // who does not take it does not need it
	})
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) { s.notFound(mux, w, r) })
	return mux
}

// heard writes the last value of what looks like a sensor, in the unit that it seems to speak in.
func heard(x *survey.Sensor) string {
	unit, ok := map[string]string{"percent": "%", "celsius": "°C", "fahrenheit": "°F", "kelvin": "K", "ratio": ""}[x.UnitWord]
	if !ok {
		unit = x.UnitWord
	}
	digits := 1
	switch x.UnitWord {
	case "ppm", "lux":
		digits = 0
	case "ratio":
		digits = 3
	}
	return strings.TrimSpace(words.Number(x.Last, digits) + " " + unit)
}

// hearAgain is after how many seconds the page looks again for what was heard.
const hearAgain = 3

func (v *visit) startPage(status int, p startPage) error {
	v.needForm()
	p.State = v.s.first.State()
	if !p.Refused {
		p.Asked = p.State.Broker
	}
	if p.State.Listening {
		p.For = words.Duration(time.Since(p.State.Since).Truncate(time.Second))
	}
	if f := p.State.Found; f != nil {
		for _, x := range f.Sensors {
			p.Sensors = append(p.Sensors, foundSensor{x.Measures, x.Topic + " " + x.Pointer, heard(x),
				words.Percent(x.Sure, 0), strings.Join(x.Because, ", "), x.Room})
		}
		for _, x := range f.Plugs {
			p.Plugs = append(p.Plugs, foundPlug{Key: firststart.Key(x), Topic: x.State.Topic, Command: x.Command.Topic, Sure: words.Percent(x.Sure, 0),
				Because: strings.Join(x.Because, ", "), Guess: !x.Command.Heard && x.Homie == "", Roles: roleChoices(x)})
		}
	}
	f := frame{Title: "First start", View: "start", Body: &p}
	if p.State.Listening {
		f.Again = hearAgain
	}
	return v.render(status, f)
}

func roleChoices(p *survey.Plug) []choice {
	out := []choice{{"", "leave it alone", p.Role == 0}}
	for _, r := range chamber.Roles() {
		out = append(out, choice{r.String(), strings.ReplaceAll(r.String(), "_", " "), p.Role == r})
	}
	return out
}

func (v *visit) startListen() error {
	if err := v.checkForm(); err != nil {
		return err
	}
	field := func(name string) string { return strings.TrimSpace(v.r.PostFormValue(name)) }
	b := survey.Broker{URL: field("url"), Username: field("username"), PasswordFile: field("password_file"), CAFile: field("ca_file"),
		CertFile: field("cert_file"), KeyFile: field("key_file")}
	if err := v.s.first.Begin(v.r.Context(), b); err != nil {
		return v.startPage(http.StatusUnprocessableEntity, startPage{Problem: sentence(oneLine(err.Error())), Asked: b, Refused: true})
	}
	v.redirect("start")
	return nil
}

func (v *visit) startSay() error {
	if err := v.checkForm(); err != nil {
		return err
	}
	var role chamber.Role
	if text := v.r.PostFormValue("role"); text != "" {
		if err := role.UnmarshalText([]byte(text)); err != nil {
			return badRequest("%v", err)
		}
	}
	v.s.first.Say(v.r.PostFormValue("plug"), role)
	v.redirect("start")
	return nil
}

func (v *visit) startTry() error {
	if err := v.checkForm(); err != nil {
		return err
	}
	_ = http.NewResponseController(v.w).SetWriteDeadline(time.Now().Add(time.Minute)) // a plug is waited for; else the server's own holds
	plug, obeyed, err := v.s.first.Try(v.r.Context(), v.r.PostFormValue("plug"))
	switch {
	case err != nil:
		return v.startPage(http.StatusUnprocessableEntity, startPage{Problem: sentence(oneLine(err.Error()))})
	case !obeyed:
		return v.startPage(http.StatusOK, startPage{Problem: "The plug " + plug + " did not say that it obeyed. Look at it: did it switch over and back?"})
	}
	v.redirect("start")
	return nil
}

func (v *visit) startFile(status int, p startFile) error {
	v.needForm()
	p.Path = v.s.first.State().Path
	if !p.Written {
		p.Faults, p.Refused = v.s.first.Check(p.Text)
	}
	return v.render(status, frame{Title: "The configuration", View: "startfile", Body: &p})
}

func (v *visit) startWrite() error {
	if err := v.checkForm(); err != nil {
		return err
	}
	p := startFile{Text: strings.ReplaceAll(v.r.PostFormValue("text"), "\r\n", "\n")}
	_, refused := v.s.first.Check(p.Text)
	if v.r.PostFormValue("write") == "" || refused {
		return v.startFile(http.StatusOK, p)
	}
	if err := v.s.first.Write(p.Text); err != nil {
		p.Problem = sentence(oneLine(err.Error()))
		return v.startFile(http.StatusUnprocessableEntity, p)
	}
	p.Written, p.Next = true, v.s.first.Page(p.Text)
	p.Here = p.Next == "http://"+v.s.Addr().String()
	if p.Here {
		p.Next = v.root + "./"
	}
	return v.startFile(http.StatusOK, p)
}
