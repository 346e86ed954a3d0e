package web_test

import (
	"html"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"
)

// browser keeps cookies and fills forms, as a browser without script does.
type browser struct {
	t      testing.TB
	base   *url.URL
	origin string
	at     *url.URL
	client *http.Client
	status int
	header http.Header
	body   string
}

func browse(t testing.TB, base string) *browser {
	t.Helper()
	u, err := url.Parse(base + "/")
	if err != nil {
		t.Fatal(err)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	transport := &http.Transport{}
	t.Cleanup(transport.CloseIdleConnections)
	return &browser{t: t, base: u, origin: u.Scheme + "://" + u.Host, at: u, client: &http.Client{Jar: jar, Transport: transport}}
}

// open goes to a page, relative to the present one.
func (b *browser) open(to string) *browser {
	b.t.Helper()
	req, err := http.NewRequest("GET", b.resolve(to), nil)
	if err != nil {
		b.t.Fatal(err)
	}
	req.Header.Set("Accept", "text/html,application/xhtml+xml,*/*;q=0.8")
	return b.send(req)
}

func (b *browser) resolve(to string) string {
	u, err := b.at.Parse(to)
	if err != nil {
		b.t.Fatal(err)
	}
	return u.String()
}

func (b *browser) send(req *http.Request) *browser {
	b.t.Helper()
	if req.Method == http.MethodPost {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Origin", b.origin)
	}
	resp, err := b.client.Do(req)
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	b.status, b.header, b.body, b.at = resp.StatusCode, resp.Header, string(text), resp.Request.URL
	return b
}

var (
	formTag   = regexp.MustCompile(`(?s)<form[^>]*action="([^"]*)"[^>]*>(.*?)</form>`)
	inputTag  = regexp.MustCompile(`(?s)<(?:input|textarea|select)[^>]*>`)
	optionTag = regexp.MustCompile(`(?s)<select[^>]*name="([^"]*)".*?</select>`)
	nameOf    = regexp.MustCompile(` name="([^"]*)"`)
	valueOf   = regexp.MustCompile(` value="([^"]*)"`)
)

// form gives the fields of the first form whose address holds a word, as a browser would send them untouched.
func (b *browser) form(word string) (action string, fields url.Values) {
	b.t.Helper()
	for _, m := range formTag.FindAllStringSubmatch(b.body, -1) {
		if !strings.Contains(m[1], word) {
			continue
		}
		fields = url.Values{}
		for _, tag := range inputTag.FindAllString(m[2], -1) {
			name := nameOf.FindStringSubmatch(tag)
			if name == nil || strings.HasPrefix(tag, "<select") {
				continue
			}
			box := strings.Contains(tag, `type="radio"`) || strings.Contains(tag, `type="checkbox"`)
			if box && !strings.Contains(tag, " checked") {
				continue
			}
			value := ""
			if v := valueOf.FindStringSubmatch(tag); v != nil {
				value = html.UnescapeString(v[1])
			}
			fields.Set(name[1], value)
		}
		for _, sel := range optionTag.FindAllStringSubmatch(m[2], -1) {
			options := regexp.MustCompile(`<option value="([^"]*)"( selected)?`).FindAllStringSubmatch(sel[0], -1)
			for i, o := range options {
				if i == 0 || o[2] != "" {
					fields.Set(sel[1], html.UnescapeString(o[1]))
				}
			}
		}
		return html.UnescapeString(m[1]), fields
	}
	b.t.Fatalf("no form for %q on %s:\n%s", word, b.at, b.body)
	return "", nil
}

// submit sends a form with some fields changed.
func (b *browser) submit(word string, change map[string]string) *browser {
	b.t.Helper()
	action, fields := b.form(word)
	for k, v := range change {
		fields.Set(k, v)
	}
	req, err := http.NewRequest("POST", b.resolve(action), strings.NewReader(fields.Encode()))
	if err != nil {
		b.t.Fatal(err)
	}
	return b.send(req)
}

// holds checks what the page says.
func (b *browser) holds(wanted ...string) *browser {
	b.t.Helper()
	text := strings.NewReplacer("\u00a0", " ", "\u2060", "").Replace(html.UnescapeString(b.body))
	if _, main, ok := strings.Cut(text, "<main"); ok {
		text = main
	}
	for _, w := range wanted {
		if !strings.Contains(text, w) {
			b.t.Errorf("%s (%d) does not say %q:\n%s", b.at, b.status, w, text)
		}
	}
	return b
}

func resolved(t testing.TB, base, to string) string {
	t.Helper()
	u, err := url.Parse("http://x" + base)
	if err != nil {
		t.Fatal(err)
	}
	r, err := u.Parse(to)
	if err != nil {
		t.Fatal(err)
	}
	return r.RequestURI()
}
