package docs

import (
	"cmp"
	"encoding/json"
	"maps"
	"slices"
	"strings"
)

// description is what is read of an OpenAPI 3.1 description.
type description struct {
	Info    struct{ Description string }
	Servers []struct{ URL string }
	Paths   map[string]map[string]struct {
		Summary     string
		Parameters  []struct{ Name, In, Description string }
		RequestBody struct {
			Content map[string]struct{ Schema schema }
		}
		Responses map[string]struct {
			Content map[string]struct{ Schema schema }
		}
	}
	Components struct{ Schemas map[string]schema }
}

type schema struct {
	Ref, Type, Format, Description string
	Properties                     map[string]schema
	Required                       []string
	Items                          *schema
}

func (s *schema) UnmarshalJSON(b []byte) error {
	var x struct {
		Ref                       string `json:"$ref"`
		Type, Format, Description string
		Properties                map[string]schema
		Required                  []string
		Items                     *schema
	}
	err := json.Unmarshal(b, &x)
	*s = schema{x.Ref, x.Type, x.Format, x.Description, x.Properties, x.Required, x.Items}
	return err
}

func (s *schema) name() string {
	switch {
	case s.Ref != "":
		return s.Ref[strings.LastIndexByte(s.Ref, '/')+1:]
	case s.Items != nil:
		return "list of " + s.Items.name()
	case s.Format == "date-time":
		return "moment"
	}
	return cmp.Or(s.Type, "object")
}

// API is the HTTP interface, from the description that the daemon itself serves at /api/v1/openapi.json.
func API(openapi []byte) (Page, error) {
	var d description
	if err := json.Unmarshal(openapi, &d); err != nil {
		return Page{}, err
	}
	p := Page{File: "http", Title: "HTTP API", Body: []Block{
		Text(d.Info.Description + " Everything lies under `" + d.Servers[0].URL + "`; the daemon describes itself in OpenAPI 3.1 at `" + d.Servers[0].URL + "/openapi.json`."),
		Text("What only reads needs a token where `http.read_token_file` is set; what acts, which is everything but GET, where `http.token_file` is. It goes into the header `Authorization: Bearer TOKEN`. " +
			"An action with an `id` in its body, or with the header `Idempotency-Key`, is done once however often it is sent."),
		Code{"sh", "curl -s http://127.0.0.1:9420/api/v1/chambers/loft\n" +
			"curl -s -H 'Content-Type: application/json' -d '{\"fresh_g\": 840}' http://127.0.0.1:9420/api/v1/batches/oyster-3/harvest"},
		Heading("What can be asked and done"),
	}}
	var terms Terms
	for _, path := range slices.Sorted(maps.Keys(d.Paths)) {
		for _, method := range slices.Sorted(maps.Keys(d.Paths[path])) {
			op := d.Paths[path][method]
			t := Term{Code: strings.ToUpper(method) + " " + path, Lines: []string{op.Summary + "."}}
			for _, q := range op.Parameters {
				if q.In == "query" {
					t.Lines = append(t.Lines, "`?"+q.Name+"=` "+q.Description+".")
				}
			}
			var words []string
			if body, ok := op.RequestBody.Content["application/json"]; ok {
				words = append(words, "Takes `"+body.Schema.name()+"`")
			}
			words = append(words, "answers `"+shape(op.Responses["200"].Content)+"`")
			t.Lines = append(t.Lines, sentence(strings.Join(words, ", ")))
			terms = append(terms, t)
		}
	}
	p.Body = append(p.Body, terms, Heading("Shapes"))
	for _, name := range slices.Sorted(maps.Keys(d.Components.Schemas)) {
		s := d.Components.Schemas[name]
		var fields []string
		for _, f := range slices.Sorted(maps.Keys(s.Properties)) {
			x := s.Properties[f]
			word := "`" + f + "` " + x.name()
			if !slices.Contains(s.Required, f) {
				word += ", may be absent"
			}
			if x.Description != "" {
				word += ": " + x.Description
			}
			fields = append(fields, word)
		}
		p.Body = append(p.Body, Terms{{Code: name, Lines: append([]string{""}, fields...)}})
	}
	return p, nil
}

func shape(content map[string]struct{ Schema schema }) string {
	x := content["application/json"].Schema
	return x.name()
}
