package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"regexp"
	"time"

	"gillkeeper/bridge/season"
	"gillkeeper/metrics/yield"
)

// reportWithin is how long a season may take to be read and worked out: a year of ten chambers is some seconds.
const reportWithin = 3 * time.Minute

// reportPage asks which season a report is to be of.
type reportPage struct {
	Chambers []choice
	From, To string
}

func (v *visit) report() error {
	p := reportPage{Chambers: []choice{{"", "all", true}}}
	for _, snap := range v.s.backend.Snapshots() {
		p.Chambers = append(p.Chambers, choice{snap.Spec.Name, snap.Spec.Name, false})
	}
	now := v.s.now().In(v.zone())
	p.From, p.To = now.AddDate(-1, 0, 0).Format(time.DateOnly), now.Format(time.DateOnly)
	return v.render(http.StatusOK, frame{Title: "Report", View: "report", Body: &p})
}

func (v *visit) zone() *time.Location {
	if v.set.words.Zone == nil {
		return time.UTC
	}
	return v.set.words.Zone
}

// season writes the report itself: a page that needs nothing else, also when it is kept as a file.
func (v *visit) season() error {
	r := v.s
	if !r.season.TryLock() {
		return errSeasonBusy
	}
	defer r.season.Unlock()
	_ = http.NewResponseController(v.w).SetWriteDeadline(time.Now().Add(reportWithin)) // else the server's own holds
	v.wholeDays()
	q, err := r.seasonQuery(v.r)
	if err != nil {
		return err
	}
	got, err := season.Read(v.r.Context(), seasonSource{r.backend}, *q)
	if err != nil {
		return err
	}
	files := yield.Files{} // through the files' form, so that anybody can work the figures out from them
	if err := got.Write(files.Create); err != nil {
		return err
	}
	read, err := yield.Read(files.Open)
	if err != nil {
		return err
	}
	report, err := yield.Make(v.r.Context(), read, func(float64) {})
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := report.WriteHTML(&b, read, r.now()); err != nil {
		return err
	}
	allowStyle(v.w.Header(), b.Bytes())
	v.w.Header().Set("Content-Type", "text/html; charset=utf-8")
	writeTagged(v.w, v.r, http.StatusOK, b.Bytes())
	return nil
}

// wholeDays takes the last day into the season: a form says until which day, and means to its end.
func (v *visit) wholeDays() {
	q := v.r.URL.Query()
	if to, err := time.ParseInLocation(time.DateOnly, q.Get("to"), v.zone()); err == nil {
		end, now := to.AddDate(0, 0, 1), v.s.now()
		if end.After(now) {
			end = now
		}
		q.Set("to", end.Format(time.RFC3339))
	}
	for name := range q {
		if q.Get(name) == "" {
			q.Del(name)
		}
	}
	v.r.URL.RawQuery = q.Encode()
}

var styleSheet = regexp.MustCompile(`(?s)<style>(.*?)</style>`)

// allowStyle lets the one style sheet that a page brings along, by its hash, and no other.
func allowStyle(h http.Header, page []byte) {
	m := styleSheet.FindSubmatch(page)
	if m == nil {
		return
	}
	sum := sha256.Sum256(m[1])
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'; img-src data:; "+
		"form-action 'none'; base-uri 'none'; frame-ancestors 'none'")
}
