package web_test

import (
	"math"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"gillkeeper/bridge/web"
	"gillkeeper/bridge/web/webtest"
)

func TestPage(t *testing.T) {
	s := serve(t, nil)
	if status, _, b := s.ask(t, "POST", "/api/v1/chambers/loft/hand", `{"plug":"lamp","hand":"off","for":"15m"}`); status != 200 {
		t.Fatalf("%d %s", status, b)
	}
	status, h, b := s.ask(t, "GET", "/", "")
	body := string(b)
	if status != 200 || h.Get("Content-Type") != "text/html; charset=utf-8" {
		t.Fatalf("%d %v", status, h)
	}
	for _, want := range []string{
		"1 chamber wants a look", "The air is too dry.", "Look at the humidifier and the door.",
		"wanted 85–90\u00a0%", "<i>Pleurotus ostreatus</i>", "day 1", "flush 1", "Nothing grows here.",
		"off, by hand", "Under a person&#39;s hand until 10:45.", `aria-label="have a look"`, `http-equiv="refresh"`,
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	worst, other := strings.Index(body, `id="c-cellar"`), strings.Index(body, `id="c-loft"`)
	if worst < 0 || other < 0 || worst > other {
		t.Error("the worst chamber is not first")
	}
	// A strict policy forbids these; and nothing may come from elsewhere.
	for _, bad := range []string{"<style", "style=", "onclick", "onload", "javascript:", "http://", "https://", "//cdn"} {
		if strings.Contains(body, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	for _, m := range regexp.MustCompile(`(?:src|href)="([^"]+)"`).FindAllStringSubmatch(body, -1) {
		if status, h, _ := s.ask(t, "GET", "/"+m[1], ""); status != 200 || h.Get("ETag") == "" {
			t.Errorf("%s: %d", m[1], status)
		}
	}
	if len(b) > 100<<10 {
		t.Errorf("the page is %d bytes", len(b))
	}
}

func TestPageIsSentOnce(t *testing.T) {
	s := serve(t, nil)
	_, h, _ := s.ask(t, "GET", "/", "")
	status, _, body := s.ask(t, "GET", "/", "", "If-None-Match", h.Get("ETag"))
	if status != http.StatusNotModified || len(body) > 0 {
		t.Errorf("unchanged: %d, %d bytes", status, len(body))
	}
	s.SetAir("loft", webtest.Air{RH: 0.80, TemperatureC: 16.4, CO2: 640})
	s.Pass(10 * time.Second)
	if status, _, _ := s.ask(t, "GET", "/", "", "If-None-Match", h.Get("ETag")); status != 200 {
		t.Errorf("changed: %d", status)
	}
}

// TestFreeTextIsText: whatever a name holds, it is shown and not run.
func TestFreeTextIsText(t *testing.T) {
	const evil = `<script>alert(1)</script>"'><img src=x onerror=alert(1)>`
	s := serve(t, func(o *web.Options) { o.Site.Name = evil })
	s.Add(webtest.Spec(evil, time.UTC), webtest.Air{RH: 0.9, TemperatureC: 18, CO2: math.NaN()})
	_, _, b := s.ask(t, "GET", "/", "")
	if strings.Contains(string(b), "<script>alert") || strings.Contains(string(b), "<img") {
		t.Error("a name is taken as markup")
	}
	if !strings.Contains(string(b), "&lt;script&gt;") {
		t.Error("the name is not shown")
	}
}

func TestPageNotReady(t *testing.T) {
	s := serve(t, nil)
	s.SetReady(http.ErrServerClosed)
	if _, _, b := s.ask(t, "GET", "/", ""); !strings.Contains(string(b), "Not ready: ") {
		t.Error("the page does not say that the daemon is not ready")
	}
}
