package web

import (
	"fmt"
	"net/http"
	"strings"

	"gillkeeper/bridge/web/api"
	"gillkeeper/policy/nearest"
)

// route is one thing that the API answers. The description at /api/v1/openapi.json is made from the same list.
type route struct {
	method  string
	path    string // below [api.Base], with names in braces
	summary string
	query   []parameter
	body    any // a value of the action's type; nil for what only reads
	reply   any // a value of the answer's type
	handle  func(s *Server, r *http.Request) (any, error)
}

// acts reports whether a route changes something, and so may need the token.
func (rt *route) acts() bool { return rt.method != http.MethodGet }

type parameter struct{ name, doc string }

// routes lists the API.
func routes() []route {
	at := "a moment: RFC 3339, or in site time 2006-01-02 15:04 or 15:04 (the last such), or how long ago, such as -2h"
	return []route{
		{method: "GET", path: "/site", summary: "The daemon as a whole", reply: api.Site{}, handle: (*Server).getSite},
		{method: "GET", path: "/chambers", summary: "Every chamber as it is now", reply: api.Chambers{}, handle: (*Server).getChambers},
		{method: "GET", path: "/chambers/{chamber}", summary: "One chamber as it is now", reply: api.Chamber{}, handle: (*Server).getChamber},
		{method: "GET", path: "/chambers/{chamber}/why", summary: "The reasons behind each plug, now or at a past moment",
			query: []parameter{{"at", at}}, reply: api.Why{}, handle: (*Server).getWhy},
		{method: "GET", path: "/chambers/{chamber}/diagnosis", summary: "What may have caused what a grower sees, by the record",
			query: []parameter{{"sign", "what is seen, such as long-stems; several with commas"}, {"batch", "on which batch; needed where several grow"}, {"at", at}},
			reply: api.Diagnosis{}, handle: (*Server).getDiagnosis},
		{method: "GET", path: "/chambers/{chamber}/outlook", summary: "How the chamber will fare while nobody is there; with Accept: application/x-ndjson in lines that tell how far it is",
			query: []parameter{{"days", "0.25 to 14; absent: 4"}, {"thorough", "true: every hour is simulated, which takes minutes"}},
			reply: api.Outlook{}, handle: (*Server).getOutlook},
		{method: "GET", path: "/chambers/{chamber}/events", summary: "What was logged of a chamber, oldest first",
			query: []parameter{{"from", at + "; absent: a day ago"}, {"to", at + "; absent: now"}}, reply: api.Events{}, handle: (*Server).getEvents},
		{method: "POST", path: "/chambers/{chamber}/refill", summary: "The reservoir is full again, or holds so many liters",
			body: api.Refill{}, reply: api.Done{}, handle: (*Server).postRefill},
		{method: "POST", path: "/chambers/{chamber}/hand", summary: "Put a plug under a person's hand, or give it back",
			body: api.HandSet{}, reply: api.Done{}, handle: (*Server).postHand},
		{method: "GET", path: "/chambers/{chamber}/sensors", summary: "Every sensor of a chamber: value, raw reading, correction",
			reply: api.Sensors{}, handle: (*Server).getSensors},
		{method: "POST", path: "/chambers/{chamber}/sensors/{sensor}/calibration", summary: "Correct a sensor by salts or fresh air",
			body: api.Calibrate{}, reply: api.Done{}, handle: (*Server).postCalibration},
		{method: "DELETE", path: "/chambers/{chamber}/sensors/{sensor}/calibration", summary: "Leave a sensor as it is made",
			reply: api.Done{}, handle: (*Server).deleteCalibration},
		{method: "POST", path: "/chambers/{chamber}/sensors/{sensor}/aside", summary: "Watch a sensor without using it, or take it back",
			body: api.SetAside{}, reply: api.Done{}, handle: (*Server).postAside},
		{method: "POST", path: "/chambers/{chamber}/batches", summary: "Put a batch into the chamber",
			body: api.BatchAdd{}, reply: api.Done{}, handle: (*Server).postBatch},
		{method: "GET", path: "/batches", summary: "Every batch", query: []parameter{{"retired", "true: retired ones too"}},
			reply: api.Batches{}, handle: (*Server).getBatches},
		{method: "POST", path: "/batches/{batch}/stage", summary: "Move a batch to a stage",
			body: api.StageSet{}, reply: api.Done{}, handle: (*Server).postStage},
		{method: "POST", path: "/batches/{batch}/harvest", summary: "Record a harvest of the current flush",
			body: api.Harvest{}, reply: api.Done{}, handle: (*Server).postHarvest},
		{method: "POST", path: "/batches/{batch}/retire", summary: "Take a batch out of its chamber",
			body: api.Retire{}, reply: api.Done{}, handle: (*Server).postRetire},
		{method: "POST", path: "/batches/{batch}/loss", summary: "Record what did not become crop",
			body: api.LossAdd{}, reply: api.Done{}, handle: (*Server).postLoss},
		{method: "POST", path: "/batches/{batch}/note", summary: "Write something beside a batch",
			body: api.NoteAdd{}, reply: api.Done{}, handle: (*Server).postNote},
		{method: "GET", path: "/batches/{batch}/record", summary: "The whole life of a batch", reply: api.BatchRecord{}, handle: (*Server).getRecord},
		{method: "GET", path: "/records", summary: "The whole life of every batch, also of those that went",
			query: []parameter{{"chamber", "only of this one"}}, reply: api.Records{}, handle: (*Server).getRecords},
		{method: "GET", path: "/entries", summary: "What was written into the crop's record, in order of writing",
			query: []parameter{{"chamber", "only of this one"}, {"batch", "only of this one"}, {"standing", "true: only what holds, as corrected, in order of its moments"}},
			reply: api.Entries{}, handle: (*Server).getEntries},
		{method: "POST", path: "/entries/{entry}/undo", summary: "Take an entry of the crop's record back",
			body: api.EntryUndo{}, reply: api.Done{}, handle: (*Server).postUndo},
		{method: "POST", path: "/entries/{entry}/correct", summary: "Say what an entry of the crop's record should have been",
			body: api.EntryCorrect{}, reply: api.Done{}, handle: (*Server).postCorrect},
		{method: "POST", path: "/import", summary: "Bring entries of the crop's record in: all of them or none",
			body: api.Import{}, reply: api.Imported{}, handle: (*Server).postImport},
		{method: "GET", path: "/season", summary: "What a report of flushes and conditions is made of, as CSV files",
			query: []parameter{{"chamber", "only this one; absent: all"}, {"from", at + "; absent: a year before to"}, {"to", at + "; absent: now"}},
			reply: api.Season{}, handle: (*Server).getSeason},
		{method: "GET", path: "/alarms", summary: "Every alarm that is not at rest, the worst first", reply: api.Alarms{}, handle: (*Server).getAlarms},
		{method: "POST", path: "/alarms/{chamber}/{alarm}/ack", summary: "Acknowledge an alarm",
			body: api.Ack{}, reply: api.Done{}, handle: (*Server).postAck},
		{method: "POST", path: "/alarms/{chamber}/{alarm}/unack", summary: "Take the last acknowledgment of an alarm back",
			body: api.Ack{}, reply: api.Done{}, handle: (*Server).postUnack},
		{method: "POST", path: "/alarms/{chamber}/{alarm}/shelve", summary: "Hide an alarm for a while",
			body: api.Shelve{}, reply: api.Done{}, handle: (*Server).postShelve},
		{method: "POST", path: "/alarms/{chamber}/{alarm}/unshelve", summary: "End the shelving of an alarm early",
			body: api.Unshelve{}, reply: api.Done{}, handle: (*Server).postUnshelve},
		{method: "POST", path: "/alarms/{chamber}/{alarm}/out-of-service", summary: "Take an alarm out of service until it is returned",
			body: api.Service{}, reply: api.Done{}, handle: (*Server).postOutOfService},
		{method: "POST", path: "/alarms/{chamber}/{alarm}/in-service", summary: "Return an alarm to service",
			body: api.Service{}, reply: api.Done{}, handle: (*Server).postInService},
		{method: "GET", path: "/alarms/history", summary: "What became of alarms, oldest first",
			query: []parameter{{"chamber", "absent: all"}, {"from", at + "; absent: a week before to"}, {"to", at + "; absent: now"}},
			reply: api.AlarmHistory{}, handle: (*Server).getAlarmHistory},
	}
}

func (s *Server) newMux() *http.ServeMux {
	mux := http.NewServeMux()
	for _, rt := range routes() {
		mux.HandleFunc(rt.method+" "+api.Base+rt.path, s.endpoint(rt))
	}
	mux.HandleFunc("GET "+api.Base+"/openapi.json", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		w.Write(s.openapi)
	})
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		fmt.Fprintln(w, "alive")
	})
	mux.HandleFunc("GET /readyz", s.getReady)
	if s.metrics != nil {
		mux.Handle("GET /metrics", s.metrics)
	}
	s.addPage(mux)
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) { s.notFound(mux, w, r) })
	return mux
}

// endpoint makes a handler of a route.
func (s *Server) endpoint(rt route) http.HandlerFunc {
	var names []string
	for _, q := range rt.query {
		names = append(names, q.name)
	}
	return func(w http.ResponseWriter, r *http.Request) {
		_, err := query(r, names...)
		if err == nil {
			err = s.mayRead(w, r)
		}
		if err == nil && rt.acts() {
			err = s.mayAct(w, r)
		}
		var v any
		if err == nil {
			v, err = rt.handle(s, r)
		}
		if err != nil {
			s.writeProblem(w, asProblem(err))
			return
		}
		if piecewise, ok := v.(stream); ok {
			piecewise(w)
			return
		}
		s.write(w, http.StatusOK, "application/json", v)
	}
}

// notFound answers what nothing else does: a path that exists for another method, or one that does not.
func (s *Server) notFound(mux *http.ServeMux, w http.ResponseWriter, r *http.Request) {
	var allowed []string
	for _, m := range []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodDelete} {
		other := r.Clone(r.Context())
		other.Method = m
		if _, pattern := mux.Handler(other); pattern != "/" {
			allowed = append(allowed, m)
		}
	}
	if len(allowed) > 0 {
		w.Header().Set("Allow", strings.Join(allowed, ", "))
		s.answer(w, r, &api.Problem{Status: http.StatusMethodNotAllowed, Code: api.CodeMethod, Value: r.Method, Allowed: strings.Join(allowed, ", "),
			Detail: fmt.Sprintf("%s does not take %s; it takes %s", r.URL.Path, r.Method, strings.Join(allowed, ", "))})
		return
	}
	p := &api.Problem{Status: http.StatusNotFound, Code: api.CodeNotFound, Value: r.URL.Path, Detail: "there is nothing at " + r.URL.Path}
	if !forPerson(r) {
		p.Detail += "; the API is described at " + api.Base + "/openapi.json"
	}
	var paths []string
	for _, rt := range routes() {
		if !strings.Contains(rt.path, "{") {
			paths = append(paths, api.Base+rt.path)
		}
	}
	p.Nearest = nearest.Word(r.URL.Path, paths)
	s.answer(w, r, p)
}

// answer tells a browser that was sent to a wrong address by a page, and a program in JSON.
func (s *Server) answer(w http.ResponseWriter, r *http.Request, p *api.Problem) {
	if !forPerson(r) {
		s.writeProblem(w, p)
		return
	}
	s.show(reader, func(*visit) error { return p })(w, r)
}

// forPerson reports whether a request comes from a browser that is to show a page.
func forPerson(r *http.Request) bool {
	return r.Method == http.MethodGet && !strings.HasPrefix(r.URL.Path, api.Base+"/") && strings.Contains(r.Header.Get("Accept"), "text/html")
}

func (s *Server) getReady(w http.ResponseWriter, r *http.Request) {
	if err := s.backend.Ready(); err != nil {
		w.Header().Set("Retry-After", "5")
		s.write(w, http.StatusServiceUnavailable, "application/json", api.Ready{Reason: oneLine(err.Error())})
		return
	}
	s.write(w, http.StatusOK, "application/json", api.Ready{Ready: true})
}
