package web

import (
	"crypto/rand"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
)

// needForm gives the browser what ties a form to it, where it has no session. The cookie outlives a restart, so that a
// form that was open meanwhile still fits. Forms lie in several folders, so it is for the whole host; it opens nothing.
func (v *visit) needForm() {
	if v.who.form != "" {
		return
	}
	nonce := rand.Text()
	v.s.setCookie(v.w, v.r, v.s.cookieName()+"-form", nonce, "/", 0)
	v.r.AddCookie(&http.Cookie{Name: v.s.cookieName() + "-form", Value: nonce})
	v.who = v.s.visitorOf(v.r)
}

// checkForm reads a form that was sent, and refuses one that did not come from a page of ours in this browser.
func (v *visit) checkForm() error {
	kind, _, err := mime.ParseMediaType(v.r.Header.Get("Content-Type"))
	if err != nil || kind != "application/x-www-form-urlencoded" {
		return &api.Problem{Status: http.StatusUnsupportedMediaType, Code: api.CodeMediaType, Detail: "this takes the page's own form only"}
	}
	if err := v.r.ParseForm(); err != nil {
		if e, ok := errors.AsType[*http.MaxBytesError](err); ok {
			return &api.Problem{Status: http.StatusRequestEntityTooLarge, Code: api.CodeTooLarge, Detail: fmt.Sprintf("the form is larger than %d KiB", e.Limit>>10)}
		}
		return badRequest("the form could not be read: %v", err)
	}
	if !v.who.formFits(v.r) {
		return &api.Problem{Status: http.StatusForbidden, Code: api.CodeCrossOrigin,
			Detail: "this form was not made for this browser, or it is too old; go back, load the page again, and send it again"}
	}
	return nil
}

// typedNumber reads a number as people type it in any country: 0.84 or 0,84, spaces aside. Both a point and a comma in
// one number could mean two things, so they are asked back about.
func typedNumber(field, text string) (float64, error) {
	s := strings.NewReplacer(" ", "", "\u00a0", "", "\u202f", "").Replace(text)
	bad := &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: field, Value: text,
		Detail: fmt.Sprintf("%q is not a number; write it like 840 or 0.84", oneLine(short(text)))}
	if s == "" {
		bad.Detail = "a number is missing; write it like 840 or 0.84"
		return 0, bad
	}
	if strings.Count(s, ",")+strings.Count(s, ".") > 1 || strings.ContainsAny(s, "xXpP_eEiInN+") {
		return 0, bad
	}
	f, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	if err != nil {
		return 0, bad
	}
	return f, nil
}

// optionalNumber is typedNumber for a field that may be left empty.
func optionalNumber(field, text string) (float64, error) {
	if strings.TrimSpace(text) == "" {
		return 0, nil
	}
	return typedNumber(field, text)
}

func typedDuration(field, text string) (time.Duration, error) {
	d, err := time.ParseDuration(text)
	if err != nil {
		return 0, &api.Problem{Status: http.StatusUnprocessableEntity, Code: api.CodeRefused, Field: field, Value: text,
			Detail: fmt.Sprintf("%q is not a length of time; choose one of the list", oneLine(short(text)))}
	}
	return d, nil
}

// short keeps what somebody typed from filling a page.
func short(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}
