package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"reflect"
	"slices"
	"strings"

	"gillkeeper/bridge/web/api"
	"gillkeeper/policy/nearest"
)

// decode reads an action strictly: JSON, one object, every field known, given once, of the right kind.
func decode(r *http.Request, into any) error {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "application/json" {
		return &api.Problem{Status: http.StatusUnsupportedMediaType, Code: api.CodeMediaType, Value: r.Header.Get("Content-Type"),
			Detail: "send the action as JSON, with Content-Type: application/json"}
	}
	body, err := io.ReadAll(r.Body)
	if large, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return &api.Problem{Status: http.StatusRequestEntityTooLarge, Code: api.CodeTooLarge,
			Detail: fmt.Sprintf("the body is larger than %d KiB", large.Limit>>10)}
	}
	if err != nil {
		return badRequest("the body could not be read: %v", err)
	}
	if err := checkFields(body, fieldNames(into)); err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields() // of what is nested: a misspelled weight must not be lost without a word
	if err := d.Decode(into); err != nil {
		if name, ok := strings.CutPrefix(err.Error(), "json: unknown field "); ok {
			return &api.Problem{Status: http.StatusBadRequest, Code: api.CodeUnknownField, Field: strings.Trim(name, `"`),
				Detail: fmt.Sprintf("there is no field %s in what the body holds; the API is described at %s/openapi.json", name, api.Base)}
		}
		if t, ok := errors.AsType[*json.UnmarshalTypeError](err); ok {
			return &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: t.Field, Value: t.Value,
				Detail: wrongKind(t)}
		}
		return &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Detail: err.Error()}
	}
	return nil
}

func badRequest(format string, args ...any) error {
	return &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadRequest, Detail: fmt.Sprintf(format, args...)}
}

// checkFields walks the object's fields before it is decoded: encoding/json would take a field twice and in any case of
// letters.
func checkFields(body []byte, names []string) error {
	d := json.NewDecoder(bytes.NewReader(body))
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return badRequest("the body is not a JSON object such as {%q: …}", names[0])
	}
	var seen []string
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return badRequest("the body is not JSON: %v", err)
		}
		name, _ := t.(string) // a key always is
		if !slices.Contains(names, name) {
			return unknownField(name, names)
		}
		if slices.Contains(seen, name) {
			return &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: name,
				Detail: fmt.Sprintf("%s is given twice", name)}
		}
		seen = append(seen, name)
		var skip json.RawMessage
		if err := d.Decode(&skip); err != nil {
			return badRequest("the body is not JSON: %v", err)
		}
	}
	if _, err := d.Token(); err != nil {
		return badRequest("the body is not JSON: %v", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return badRequest("something follows the JSON object")
	}
	return nil
}

func unknownField(name string, names []string) error {
	p := &api.Problem{Status: http.StatusBadRequest, Code: api.CodeUnknownField, Field: name,
		Allowed: strings.Join(names, ", "), Nearest: nearest.Word(name, names)}
	p.Detail = fmt.Sprintf("there is no field %q; fields are %s", name, p.Allowed)
	if p.Nearest != "" {
		p.Detail += fmt.Sprintf("; did you mean %q", p.Nearest)
	}
	return p
}

// fieldNames lists the JSON names of a struct that into points at.
func fieldNames(into any) []string {
	var names []string
	for f := range reflect.TypeOf(into).Elem().Fields() {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		names = append(names, name)
	}
	return names
}

// wrongKind says what a field holds and what it must be. A number may be of the right kind and too large to be one.
func wrongKind(t *json.UnmarshalTypeError) string {
	if number, ok := strings.CutPrefix(t.Value, "number "); ok && kindName(t.Type) == "number" {
		return fmt.Sprintf("%s is %s, which is too large or no whole number where one is needed", t.Field, number)
	}
	return fmt.Sprintf("%s is a JSON %s; it must be a %s", t.Field, t.Value, kindName(t.Type))
}

func kindName(t reflect.Type) string {
	switch t.Kind() {
	case reflect.Float64, reflect.Int:
		return "number"
	case reflect.Bool:
		return "true or false"
	}
	return "string"
}

// query reads the parameters of a request strictly: every one known, given once.
func query(r *http.Request, names ...string) (map[string]string, error) {
	got := map[string]string{}
	for name, values := range r.URL.Query() {
		if !slices.Contains(names, name) {
			p := &api.Problem{Status: http.StatusBadRequest, Code: api.CodeUnknownField, Field: name, Allowed: strings.Join(names, ", "),
				Nearest: nearest.Word(name, names), Detail: fmt.Sprintf("there is no parameter %q here", name)}
			if len(names) > 0 {
				p.Detail += "; parameters are " + p.Allowed
			}
			return nil, p
		}
		if len(values) > 1 {
			return nil, &api.Problem{Status: http.StatusBadRequest, Code: api.CodeBadValue, Field: name, Detail: name + " is given twice"}
		}
		got[name] = values[0]
	}
	return got, nil
}
