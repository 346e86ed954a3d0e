package yield_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"gillkeeper/metrics/yield"
	"gillkeeper/metrics/yield/yieldtest"
)

// written makes the page of a season.
func written(t testing.TB, s *yield.Season) string {
	t.Helper()
	r, err := yield.Make(t.Context(), s, nil)
	if err != nil {
		t.Fatal(err)
	}
	return page(t, r, s)
}

func page(t testing.TB, r *yield.Report, s *yield.Season) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.WriteHTML(&b, s, time.Date(2026, 9, 3, 0, 0, 0, 0, time.UTC)); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestPageNeedsNothing: no script, no address but within the page, every picture there.
func TestPageNeedsNothing(t *testing.T) {
	page := page(t, reported(t), recorded(t))
	for _, bad := range []string{"<script", "http:", "https:", "//", "url(", "@import", "<link", "<img", "<iframe", " on", "NaN", "Inf", "%!"} {
		if bad == " on" {
			if m := regexp.MustCompile(`<[^>]* on[a-z]+=`).FindString(page); m != "" {
				t.Errorf("the page has a handler: %s", m)
			}
			continue
		}
		if i := strings.Index(page, bad); i >= 0 {
			t.Errorf("the page has %q: …%.80s", bad, page[max(0, i-40):])
		}
	}
	if n := strings.Count(page, `aria-label="Climate of flush`); n != 30 {
		t.Errorf("%d ribbons for 30 flushes", n)
	}
	if n := strings.Count(page, `aria-label="Biological efficiency of`); n != 2 {
		t.Errorf("%d pictures of yields for 2 species", n)
	}
	for _, want := range []string{yield.Mark, "Going together is not cause and effect", "the more of the time CO2 was above its limit while pins formed, the smaller the flush",
		"2 batches with 4 finished flushes are too few to say anything", "CO2 high", "prefers-color-scheme: dark", "@media print"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if len(page) > 1<<20 {
		t.Errorf("the page is %d bytes", len(page))
	}
	wellFormed(t, page)
}

// wellFormed reads the page as XML but for the three tags that HTML leaves open.
func wellFormed(t *testing.T, page string) {
	t.Helper()
	page = regexp.MustCompile(`<meta [^>]*>`).ReplaceAllString(page, "")
	page = strings.Replace(page, "<!doctype html>", "", 1)
	page = regexp.MustCompile(`(?s)<style>.*?</style>`).ReplaceAllString(page, "")
	d := xml.NewDecoder(strings.NewReader(page))
	d.Entity = xml.HTMLEntity
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("the page is not well formed: %v", err)
		}
	}
}

// TestFreeTextIsEscaped puts what could break out of a page into every text that comes from people or from outside.
func TestFreeTextIsEscaped(t *testing.T) {
	const evil = `"><script>alert(1)</script><img src=x onerror=alert(1)>'&{{.}}` + "\u202e</title></svg>"
	s := brief(yieldtest.Make(7, yieldtest.Planted))
	s.Site = evil
	for i := range s.Chambers {
		s.Chambers[i].Name += evil
	}
	for i := range s.Batches {
		b := &s.Batches[i]
		b.Name, b.Chamber = b.Name+evil, b.Chamber+evil
		b.Strain, b.Supplements, b.Position, b.Note = evil, evil, evil, evil
		b.Losses = []yield.Loss{{At: b.Added, Flush: 1, Cause: evil, Grams: 3, Note: evil}}
		for j := range b.Flushes {
			for k := range b.Flushes[j].Pickings {
				b.Flushes[j].Pickings[k].Quality = evil
			}
		}
	}
	for i := range s.Alarms {
		s.Alarms[i].Chamber, s.Alarms[i].Alarm, s.Alarms[i].Priority = s.Alarms[i].Chamber+evil, evil, evil
	}
	for i := range s.Crops {
		s.Crops[i].Common, s.Crops[i].Source, s.Crops[i].Note, s.Crops[i].Sureness = evil, evil, evil, evil
	}
	page := written(t, s)
	for _, bad := range []string{"<script", "<img", "{{"} {
		if i := strings.Index(page, bad); i >= 0 && bad != "{{" {
			t.Errorf("%q got through: …%.100s", bad, page[max(0, i-60):])
		}
	}
	if n := strings.Count(page, "&lt;script&gt;"); n < 100 {
		t.Errorf("the text is on the page %d times only: was it left out?", n)
	}
	wellFormed(t, page)
}

// TestEmptySeasons: what is not there is said, and nothing breaks.
func TestEmptySeasons(t *testing.T) {
	from := yieldtest.Start
	empty := &yield.Season{From: from, To: from.AddDate(0, 1, 0)}
	if page := written(t, empty); !strings.Contains(page, "There is no finished flush yet") {
		t.Error("an empty season does not say so")
	}
	growing := brief(yieldtest.Make(3, yieldtest.Planted))
	growing.Batches = growing.Batches[:1]
	b := &growing.Batches[0]
	b.Retired, b.Flushes = time.Time{}, b.Flushes[:1]
	b.Flushes[0].Closed = time.Time{}
	if page := written(t, growing); !strings.Contains(page, "no flush is finished yet") || !strings.Contains(page, "not finished") {
		t.Error("a batch that is still picked does not say so")
	} else if !strings.Contains(page, "<dd>since "+b.Added.UTC().Format("2 Jan 2006")+"</dd>") || strings.Contains(page, " to –") {
		t.Error("a batch that still grows has an end")
	}
	for i := range growing.Chambers { // a chamber whose record was lost
		growing.Chambers[i].Climate = yield.Climate{}
	}
	if page := written(t, growing); strings.Contains(page, "NaN") {
		t.Error("no climate shows as NaN")
	}
	growing.Chambers = nil
	written(t, growing)
}

// TestFahrenheit: a site that shows Fahrenheit sees no Celsius.
func TestFahrenheit(t *testing.T) {
	s := recorded(t)
	s.Fahrenheit = true
	page := page(t, reported(t), s)
	if strings.Contains(page, "°C") || !strings.Contains(page, "°F") {
		t.Errorf("there is °C on a page in °F: %.100s", page[max(0, strings.Index(page, "°C")-80):])
	}
}

// TestLongNamesStayApart: batches whose names begin alike and are too long for the margin differ in what the plot says of them.
func TestLongNamesStayApart(t *testing.T) {
	s := *recorded(t)
	s.Batches = slices.Clone(s.Batches) // the season is everybody's
	for i := range s.Batches {
		s.Batches[i].Name = "loft-oyster-block-of-spring-" + string(rune('a'+i))
	}
	seen := map[string]bool{}
	labels := regexp.MustCompile(`<text class="label"[^>]*text-anchor="end"[^>]*>([^<]*)</text>`).FindAllStringSubmatch(written(t, &s), -1)
	for _, l := range labels {
		if seen[l[1]] {
			t.Errorf("two batches are called %q", l[1])
		}
		seen[l[1]] = true
		if !strings.Contains(l[1], "…") || len([]rune(l[1])) > 13 {
			t.Errorf("%q does not fit the margin", l[1])
		}
	}
	if len(labels) != len(s.Batches) {
		t.Errorf("%d labels for %d batches", len(labels), len(s.Batches))
	}
}
