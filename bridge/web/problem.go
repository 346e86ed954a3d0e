package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"net/http"
	"strings"

	"gillkeeper/bridge/web/api"
	"gillkeeper/policy"
)

// asProblem turns any error into what the caller is told.
func asProblem(err error) *api.Problem {
	if p, ok := errors.AsType[*api.Problem](err); ok {
		return p
	}
	if r, ok := errors.AsType[*policy.Refusal](err); ok {
		p := &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused,
			Detail: r.Error(), Field: r.Field, Value: r.Value, Allowed: r.Allowed}
		switch {
		case r.Missing:
			p.Status, p.Code = http.StatusNotFound, api.CodeNotFound
		case r.Field == "id":
			p.Status, p.Code = http.StatusConflict, api.CodeIDTaken
		}
		return p
	}
	return &api.Problem{Status: http.StatusServiceUnavailable, Code: api.CodeUnavailable, Detail: err.Error()}
}

func (s *Server) writeProblem(w http.ResponseWriter, p *api.Problem) {
	full := *p
	full.Type, full.Title, full.Detail = "about:blank", http.StatusText(p.Status), oneLine(p.Detail)
	if p.Status == http.StatusServiceUnavailable && w.Header().Get("Retry-After") == "" {
		w.Header().Set("Retry-After", "5")
	}
	s.write(w, p.Status, "application/problem+json", &full)
}

// write sends v as JSON. It is encoded whole before the status leaves, so that an error can still be told.
func (s *Server) write(w http.ResponseWriter, status int, contentType string, v any) {
	var b bytes.Buffer
	if err := json.NewEncoder(&b).Encode(v); err != nil {
		s.log.Error("an answer cannot be encoded", "error", err)
		status, contentType = http.StatusInternalServerError, "application/problem+json"
		b.Reset()
		b.WriteString(`{"type":"about:blank","title":"Internal Server Error","status":500,` +
			`"detail":"the answer cannot be written as JSON; see the log","code":"internal"}` + "\n")
	}
	w.Header().Set("Content-Type", contentType)
	w.WriteHeader(status)
	w.Write(b.Bytes())
}

// oneLine keeps what a caller sent from breaking an error's line.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s)
}
