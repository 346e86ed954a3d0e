package web

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io/fs"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
	"gillkeeper/bridge/words"
	"gillkeeper/policy/chamber"
)

//go:embed page/page.html
var pageSource string

//go:embed page/page.css page/page.js page/mark.svg
var assets embed.FS

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{"tie": tie}).Parse(pageSource))

// ties keeps a number and its unit on one line.
var ties = strings.NewReplacer(" %", "\u00a0%", " ppm", "\u00a0ppm", " °", "\u00a0°", " kPa", "\u00a0kPa", " L", "\u00a0L",
	" min", "\u00a0min", " h ", "\u00a0h ")

func tie(s string) string { return ties.Replace(s) }

// assetTypes lists what is served beside the page.
var assetTypes = map[string]string{
	"page.css": "text/css; charset=utf-8",
	"page.js":  "text/javascript; charset=utf-8",
	"mark.svg": "image/svg+xml",
}

func (s *Server) addPage(mux *http.ServeMux) {
	mux.HandleFunc("GET /{$}", s.getPage)
	for name, kind := range assetTypes {
		body, err := fs.ReadFile(assets, "page/"+name)
		if err != nil {
			panic(err) // embedded at build time; every test would find it
		}
		tag := entityTag(body)
		mux.HandleFunc("GET /"+name, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Cache-Control", "no-cache")
			w.Header().Set("Content-Type", kind)
			writeTagged(w, r, body, tag)
		})
	}
}

// getPage renders the page. Its text is the same until something changes, so that looking again costs little.
func (s *Server) getPage(w http.ResponseWriter, r *http.Request) {
	var b bytes.Buffer
	if err := pageTemplate.Execute(&b, s.page()); err != nil {
		s.log.Error("the page cannot be rendered", "error", err)
		s.writeProblem(w, &api.Problem{Status: http.StatusInternalServerError, Code: api.CodeInternal, Detail: "the page cannot be rendered; see the log"})
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-cache")
	writeTagged(w, r, b.Bytes(), entityTag(b.Bytes()))
}

func entityTag(b []byte) string {
	sum := sha256.Sum256(b)
	return `"` + base64.RawURLEncoding.EncodeToString(sum[:12]) + `"`
}

func writeTagged(w http.ResponseWriter, r *http.Request, body []byte, tag string) {
	w.Header().Set("ETag", tag)
	if slices.Contains(strings.Split(r.Header.Get("If-None-Match"), ", "), tag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	w.Write(body)
}

// page is what the template sees. Everything in it is text or a number for a drawing.
type page struct {
	Site     string
	Time     string // with minutes only, so that the page stays the same for a minute
	Standing standing
	NotReady string
	Cards    []card
}

// standing is how something does: its class picks color and shape, its words say the same.
type standing struct {
	Class string // fine, look, act
	Words string
}

type card struct {
	Name      string
	Standing  standing
	Observe   bool
	Alarms    []alarmLine
	Gauges    []gauge
	NoTarget  bool
	Batches   []batchLine
	Conflicts []string
	Plugs     []plugLine
	Water     *water
	rank      int
}

type alarmLine struct {
	Class, Priority, Says, Detail, Do, Note string
}

// gauge draws a value against its range. Positions are in hundredths of the drawing's width.
type gauge struct {
	Name, Value, Unit, Target, Note  string
	Class                            string // fine, look, old
	BandAt, BandWide, Mark, MarkLeft float64
	Drawn, HasBand                   bool
}

type batchLine struct{ Name, Species, Stage, Day, Flush, Picked string }

type plugLine struct {
	Name, State, Class string
	Hand               bool
	Reasons            []string
}

type water struct {
	Text, Class string
	Share       float64 // of the capacity, in hundredths
	Drawn       bool
}

func (s *Server) page() page {
	set := s.settings.Load()
	zone := set.site.Zone
	if zone == nil {
		zone = time.UTC
	}
	p := page{Site: cmp.Or(set.site.Name, "gillkeeper"), Time: s.now().In(zone).Format("Monday 2 January, 15:04")}
	if err := s.backend.Ready(); err != nil {
		p.NotReady = oneLine(err.Error())
	}
	act, look := 0, 0
	for _, c := range s.chambers() {
		k := makeCard(&c, set.words)
		switch k.Standing.Class {
		case "act":
			act++
		case "look":
			look++
		}
		p.Cards = append(p.Cards, k)
	}
	slices.SortStableFunc(p.Cards, func(a, b card) int { return -cmp.Compare(a.rank, b.rank) })
	switch {
	case act > 0:
		p.Standing = standing{"act", counted(act, "chamber needs", "chambers need") + " you"}
	case look > 0:
		p.Standing = standing{"look", counted(look, "chamber wants", "chambers want") + " a look"}
	case len(p.Cards) == 0:
		p.Standing = standing{"look", "No chamber is configured"}
	default:
		p.Standing = standing{"fine", "Everything is in order"}
	}
	return p
}

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func makeCard(c *api.Chamber, w words.Words) card {
	k := card{Name: c.Name, Observe: c.Observe, NoTarget: !c.Target.Given, rank: priority(c.Worst)}
	switch {
	case k.rank >= priority("high"):
		k.Standing = standing{"act", "Needs you"}
	case k.rank >= 0:
		k.Standing = standing{"look", "Have a look"}
	case len(c.Batches) == 0:
		k.Standing = standing{"fine", "Empty"}
	default:
		k.Standing = standing{"fine", "In order"}
	}
	for i := range c.Alarms {
		if line, ok := makeAlarm(&c.Alarms[i], c.At, w); ok {
			k.Alarms = append(k.Alarms, line)
		}
	}
	k.Gauges = gauges(c, w)
	for i := range c.Batches {
		k.Batches = append(k.Batches, makeBatch(&c.Batches[i]))
	}
	for _, x := range c.Target.Conflicts {
		k.Conflicts = append(k.Conflicts, x.Text)
	}
	for i := range c.Plugs {
		k.Plugs = append(k.Plugs, makePlug(&c.Plugs[i]))
	}
	k.Water = makeWater(c.Reservoir)
	return k
}

// makeAlarm leaves out what needs nobody: suppressed by design and out of service.
func makeAlarm(a *api.Alarm, now time.Time, w words.Words) (alarmLine, bool) {
	line := alarmLine{Class: "look", Priority: a.Priority, Says: a.Says, Detail: a.Detail, Do: a.Do}
	if priority(a.Priority) >= priority("high") {
		line.Class = "act"
	}
	switch a.State {
	case "suppressed_by_design", "out_of_service":
		return line, false
	case "shelved":
		line.Class, line.Do, line.Note = "quiet", "", "shelved"
		if a.ShelvedUntil != nil {
			line.Note += " until " + w.Clock(*a.ShelvedUntil, now)
		}
	case "acknowledged", "latched_acknowledged":
		line.Note = "acknowledged"
	case "returned_unacknowledged":
		line.Class, line.Do, line.Note = "quiet", "", "is over; not acknowledged yet"
	}
	return line, true
}

func gauges(c *api.Chamber, w words.Words) []gauge {
	a, t := &c.Air.Chamber, &c.Target
	var out []gauge
	add := func(name string, q chamber.Quantity, r *api.Reading, low, high, from, to float64) {
		if r == nil {
			return
		}
		g := gauge{Name: name, Class: "fine", Drawn: true}
		g.Value, g.Unit, _ = strings.Cut(w.Value(q, r.Value), " ")
		switch {
		case !r.Fresh:
			g.Class, g.Note = "old", "no fresh reading; last known"
			if r.At != nil {
				g.Note += " from " + w.Clock(*r.At, c.At)
			}
		case r.Range == "below":
			g.Class, g.Note = "look", "below its range"
		case r.Range == "above":
			g.Class, g.Note = "look", "above its range"
		}
		if t.Given && (low != 0 || high != 0) {
			g.Target, g.HasBand = w.Span(q, low, high), true
			if high == 0 {
				high = to
			}
			g.BandAt = place(low, from, to)
			g.BandWide = math.Max(1, place(high, from, to)-g.BandAt)
		}
		g.Mark = place(r.Value, from, to)
		g.MarkLeft = g.Mark - 1
		out = append(out, g)
	}
	var rh, temp api.Band
	if t.RelativeHumidity != nil {
		rh = *t.RelativeHumidity
	}
	if t.TemperatureC != nil {
		temp = *t.TemperatureC
	}
	add("Humidity", chamber.RelativeHumidity, a.RelativeHumidity, rh.Low, rh.High, 0.5, 1)
	add("Temperature", chamber.Temperature, a.TemperatureC, temp.Low, temp.High, 0, 35)
	top := math.Max(2000, 1.5*math.Max(t.CO2MaxPPM, t.CO2MinPPM))
	add("CO2", chamber.CO2, a.CO2PPM, t.CO2MinPPM, t.CO2MaxPPM, 400, top)
	return out
}

// place gives where a value stands on a scale, 0..100.
func place(v, from, to float64) float64 {
	return math.Round(1000*math.Min(1, math.Max(0, (v-from)/(to-from)))) / 10
}

func makeBatch(b *api.Batch) batchLine {
	l := batchLine{Name: b.Name, Species: words.Species(b.Species), Stage: b.Stage, Day: fmt.Sprintf("day %d", b.StageDay),
		Flush: fmt.Sprintf("flush %d", b.Flush)}
	if b.FreshG > 0 {
		l.Picked = fmt.Sprintf("%s g picked, biological efficiency %s", words.Number(b.FreshG, 0), words.Percent(b.BiologicalEfficiency, 0))
	}
	return l
}

func makePlug(p *api.Plug) plugLine {
	l := plugLine{Name: strings.ReplaceAll(p.Role, "_", " "), State: "off", Class: "off", Hand: p.Hand != nil}
	if p.Name != p.Role {
		l.Name += " (" + p.Name + ")"
	}
	switch {
	case !p.Known:
		l.State, l.Class = "not known", "unknown"
	case p.On:
		l.State, l.Class = "on", "on"
	}
	for _, r := range p.Reasons {
		l.Reasons = append(l.Reasons, r.Text)
	}
	return l
}

func makeWater(r *api.Reservoir) *water {
	if r == nil {
		return nil
	}
	x := &water{Text: r.Text, Class: "fine"}
	switch {
	case r.Dry:
		x.Class = "act"
	case r.EmptyIn > 0 && time.Duration(r.EmptyIn) < 24*time.Hour:
		x.Class = "look"
	}
	if r.Known && r.CapacityLiters > 0 {
		x.Drawn, x.Share = true, place(r.Liters, 0, r.CapacityLiters)
	}
	return x
}
