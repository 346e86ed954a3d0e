package web

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"html/template"
	"io/fs"
	"mime"
	"net/http"
	"net/url"
	"path"
	"regexp"
	"slices"
	"strings"
	"sync"

	"gillkeeper/bridge/web/api"
)

//go:embed page
var pageFiles embed.FS

// assetTypes lists what is served beside the pages, by the end of its name.
var assetTypes = map[string]string{
	".css": "text/css; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
}

// views are the pages: each is the frame around its own body, with the parts that several share. A server parses them, not
// every command of the program.
var views = sync.OnceValue(parseViews)

func parseViews() map[string]*template.Template {
	funcs := template.FuncMap{"tie": tie, "piece": func(root string, x any) part { return part{root, x} },
		"alarmOf": func(chamber string, a alarmLine) chamberAlarm { return chamberAlarm{chamber, a} }}
	base := template.Must(template.New("frame.html").Funcs(funcs).ParseFS(pageFiles, "page/frame.html", "page/parts.html"))
	out := map[string]*template.Template{}
	names, err := fs.Glob(pageFiles, "page/view-*.html")
	if err != nil {
		panic(err) // the pattern is a constant
	}
	for _, name := range names {
		own := template.Must(template.Must(base.Clone()).ParseFS(pageFiles, name))
		out[strings.TrimSuffix(strings.TrimPrefix(path.Base(name), "view-"), ".html")] = own
	}
	return out
}

// part is what a shared part of a page sees: the way to the page's root, and its own data.
type part struct {
	Root string
	X    any
}

// chamberAlarm is an alarm with its chamber's name.
type chamberAlarm struct {
	Chamber string
	Line    alarmLine
}

// A number and its unit stay on one line, and so do the two of a length of time and those of a range.
var (
	ofUnit = regexp.MustCompile(`(\d) (%|°|(?:ppm|kPa|L|kg|g|d|days|h|min|s)\b)`)
	ofSpan = regexp.MustCompile(`(\d)–(\d)`)
	ofTime = regexp.MustCompile(`(\d\x{a0}[dh]) (\d)`)
)

func tie(s string) string {
	s = ofUnit.ReplaceAllString(s, "$1\u00a0$2")
	return ofSpan.ReplaceAllString(ofTime.ReplaceAllString(s, "$1\u00a0$2"), "$1\u2060–\u2060$2")
}

// addAssets serves style, script and mark.
func (s *Server) addAssets(mux *http.ServeMux) {
	files, err := fs.ReadDir(pageFiles, "page")
	if err != nil {
		panic(err) // embedded at build time; every test would find it
	}
	for _, f := range files {
		kind := assetTypes[path.Ext(f.Name())]
		if kind == "" {
			continue
		}
		body, err := fs.ReadFile(pageFiles, "page/"+f.Name())
		if err != nil {
			panic(err)
		}
		mux.HandleFunc("GET /"+f.Name(), func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Cache-Control", "no-cache")
			w.Header().Set("Content-Type", kind)
			writeTagged(w, r, http.StatusOK, body)
		})
	}
}

func (s *Server) addPage(mux *http.ServeMux) {
	s.addAssets(mux)
	mux.HandleFunc("GET /{$}", s.show(reader, (*visit).site))
	mux.HandleFunc("GET /chamber/{chamber}", s.show(reader, (*visit).chamber))
	mux.HandleFunc("GET /chamber/{chamber}/diagnose", s.show(reader, (*visit).diagnose))
	mux.HandleFunc("GET /chamber/{chamber}/outlook", s.show(reader, (*visit).outlook))
	mux.HandleFunc("GET /report", s.show(reader, (*visit).report))
	mux.HandleFunc("GET /report/season", s.show(reader, (*visit).season))
	mux.HandleFunc("GET /do/{what}", s.show(actor, (*visit).askForm))
	mux.HandleFunc("POST /do/{what}", s.show(actor, (*visit).takeForm))
	mux.HandleFunc("GET /login", s.show(nobody, (*visit).showLogin))
	mux.HandleFunc("POST /login", s.show(nobody, (*visit).takeLogin))
	mux.HandleFunc("POST /logout", s.show(nobody, (*visit).logout))
	mux.HandleFunc("GET /live", s.getLive)
}

// visit is one request for a page.
type visit struct {
	s    *Server
	w    http.ResponseWriter
	r    *http.Request
	set  *settings
	who  visitor
	root string // the way from this page to the root: empty, or so many times ../
}

// show makes a handler of a page that needs a role. Whoever lacks it is asked to log in.
func (s *Server) show(least role, h func(v *visit) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v := &visit{s: s, w: w, r: r, set: s.settings.Load(), who: s.visitorOf(r)}
		v.root = strings.Repeat("../", strings.Count(strings.TrimPrefix(r.URL.Path, "/"), "/"))
		var err error
		if v.who.role < least {
			switch {
			case r.Header.Get("Authorization") != "":
				err = s.mayBe(w, r, least)
			case least == actor && !v.set.secrets.hasAct:
				err = s.mayAct(w, r)
			default:
				v.redirect("login?" + url.Values{"next": {v.here()}}.Encode())
				return
			}
		}
		if err == nil {
			err = h(v)
		}
		if err != nil {
			v.problem(asProblem(err))
		}
	}
}

// here is this page below the root, with its query.
func (v *visit) here() string {
	u := url.URL{Path: strings.TrimPrefix(v.r.URL.Path, "/"), RawQuery: v.r.URL.RawQuery}
	if v.r.Method != http.MethodGet {
		u.RawQuery = ""
	}
	return u.String()
}

// redirect leads to a page below the root. The way is relative, so that it holds behind a proxy that serves the page
// elsewhere.
func (v *visit) redirect(to string) {
	v.w.Header().Set("Location", cmp.Or(v.root+to, "./"))
	v.w.WriteHeader(http.StatusSeeOther)
}

// frame is what every page shows around its body.
type frame struct {
	Title   string
	Site    string
	Root    string
	View    string
	Live    string // the stream that keeps the page fresh; empty: none
	Seq     string // up to where that stream is part of the page
	Refresh int    // without script, look again by itself after so many seconds; 0: never
	Again   int    // with script, look again by itself after so many seconds; 0: never
	Form    string // what forms carry back
	Here    string
	Acts    bool // this visitor may act
	Login   bool // and could become one who may do more
	Session bool
	Reports bool // there are chambers to report on
	Body    any
}

// render writes a page.
func (v *visit) render(status int, f frame) error {
	f.Site, f.Root, f.Here = cmp.Or(v.set.site.Name, "gillkeeper"), v.root, v.here()
	f.Form = v.who.form
	f.Acts = v.who.role == actor
	f.Session = v.who.session != nil
	f.Login = !f.Acts && v.set.secrets.hasAct
	f.Reports = v.s.first == nil
	var b bytes.Buffer
	if err := views()[f.View].Execute(&b, &f); err != nil {
		v.s.log.Error("a page cannot be rendered", "view", f.View, "error", err)
		return &api.Problem{Status: http.StatusInternalServerError, Code: api.CodeInternal, Detail: "the page cannot be rendered; see the log"}
	}
	v.w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if v.set.secrets.hasRead { // a shared machine must not keep what needed a token
		v.w.Header().Set("Cache-Control", "no-store")
	} else {
		v.w.Header().Set("Cache-Control", "no-cache")
	}
	writeTagged(v.w, v.r, status, b.Bytes())
	return nil
}

// problem shows a page with what went wrong.
func (v *visit) problem(p *api.Problem) {
	if p.Status >= http.StatusInternalServerError {
		v.s.log.Warn("a page met a fault", "path", v.r.URL.Path, "status", p.Status, "error", p.Detail)
	}
	shown := api.Problem{Title: http.StatusText(p.Status), Detail: sentence(strings.TrimSuffix(oneLine(p.Detail), "."))}
	err := v.render(p.Status, frame{Title: shown.Title, View: "problem", Body: &shown})
	if err != nil {
		v.s.writeProblem(v.w, asProblem(err))
	}
}

// leastZipped is the size from which packing pays.
const leastZipped = 1400

// writeTagged writes a body with its tag, packed where the caller takes that; or says that it has not changed.
func writeTagged(w http.ResponseWriter, r *http.Request, status int, body []byte) {
	sum := sha256.Sum256(body)
	tag := `"` + base64.RawURLEncoding.EncodeToString(sum[:12]) + `"`
	h := w.Header()
	h.Set("ETag", tag)
	h.Add("Vary", "Accept-Encoding, Cookie")
	if status == http.StatusOK && slices.Contains(strings.Split(r.Header.Get("If-None-Match"), ", "), tag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	if len(body) < leastZipped || !takesGzip(r) {
		w.WriteHeader(status)
		w.Write(body)
		return
	}
	h.Set("Content-Encoding", "gzip")
	w.WriteHeader(status)
	z, _ := gzip.NewWriterLevel(w, gzip.BestSpeed) // the level is one that there is
	z.Write(body)
	z.Close()
}

func takesGzip(r *http.Request) bool {
	for item := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		kind, params, err := mime.ParseMediaType(strings.TrimSpace(item))
		if err == nil && kind == "gzip" && params["q"] != "0" {
			return true
		}
	}
	return false
}

func (v *visit) showLogin() error { return v.loginPage(http.StatusOK, "") }

type loginBody struct{ Next, Problem string }

func (v *visit) loginPage(status int, problem string) error {
	v.needForm()
	next := localPath(cmp.Or(v.r.PostFormValue("next"), v.r.URL.Query().Get("next")))
	return v.render(status, frame{Title: "Log in", View: "login", Body: loginBody{next, problem}})
}

func (v *visit) takeLogin() error {
	if err := v.checkForm(); err != nil {
		return err
	}
	status, problem := v.s.login(v.w, v.r, v.r.PostFormValue("token"))
	if problem != "" {
		return v.loginPage(status, problem)
	}
	v.redirect(localPath(v.r.PostFormValue("next")))
	return nil
}

func (v *visit) logout() error {
	if err := v.checkForm(); err != nil {
		return err
	}
	if v.who.session != nil {
		v.s.revoked.add(*v.who.session, v.s.now())
	}
	v.s.setCookie(v.w, v.r, v.s.cookieName(), "", "", -1)
	v.redirect("")
	return nil
}
