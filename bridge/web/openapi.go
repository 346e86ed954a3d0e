package web

import (
	"encoding/json"
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"time"

	"gillkeeper/bridge/web/api"
)

// object is a JSON object in the making; encoding sorts its keys, so that the description is the same every time.
type object = map[string]any

var pathName = regexp.MustCompile(`\{([a-z]+)\}`)

// describe writes the OpenAPI 3.1 description of the API from the list of routes and the types they carry.
func describe(version string) ([]byte, error) {
	d := describer{schemas: object{}}
	paths := object{}
	for _, rt := range routes() {
		item, _ := paths[rt.path].(object)
		if item == nil {
			item = object{}
			paths[rt.path] = item
		}
		item[strings.ToLower(rt.method)] = d.operation(rt)
	}
	if version == "" {
		version = "development"
	}
	return json.MarshalIndent(object{
		"openapi":           "3.1.0",
		"jsonSchemaDialect": "https://json-schema.org/draft/2020-12/schema",
		"info": object{"title": "gillkeeper", "version": version,
			"description": "Read the state of fruiting chambers and act on them. Values are in ratio, degrees Celsius, ppm by volume, grams, " +
				"liters; moments in RFC 3339; durations as in 15m or 1h30m. Errors are problem details (RFC 9457)."},
		"servers": []any{object{"url": api.Base}},
		"paths":   paths,
		"components": object{
			"schemas": d.schemas,
			"responses": object{"Problem": object{
				"description": "An error.",
				"content":     object{"application/problem+json": object{"schema": d.schema(reflect.TypeFor[api.Problem]())}},
			}},
			"securitySchemes": object{"token": object{"type": "http", "scheme": "bearer",
				"description": "Needed for every action when the daemon has a token."}},
		},
	}, "", "  ")
}

type describer struct{ schemas object }

func (d *describer) operation(rt route) object {
	op := object{
		"summary":     rt.summary,
		"operationId": operationID(rt),
		"responses": object{
			"200":     object{"description": "Done.", "content": object{"application/json": object{"schema": d.schema(reflect.TypeOf(rt.reply))}}},
			"default": object{"$ref": "#/components/responses/Problem"},
		},
	}
	var params []any
	for _, m := range pathName.FindAllStringSubmatch(rt.path, -1) {
		params = append(params, object{"name": m[1], "in": "path", "required": true, "schema": object{"type": "string"}})
	}
	for _, q := range rt.query {
		params = append(params, object{"name": q.name, "in": "query", "description": q.doc, "schema": object{"type": "string"}})
	}
	if rt.acts() {
		params = append(params, object{"name": "Idempotency-Key", "in": "header",
			"description": "the action's id, where the body has none", "schema": object{"type": "string"}})
		op["security"] = []any{object{}, object{"token": []any{}}}
	}
	if rt.body != nil {
		op["requestBody"] = object{"required": true, "content": object{"application/json": object{"schema": d.schema(reflect.TypeOf(rt.body))}}}
	}
	if params != nil {
		op["parameters"] = params
	}
	return op
}

func operationID(rt route) string {
	words := strings.FieldsFunc(rt.path, func(r rune) bool { return r == '/' || r == '{' || r == '}' })
	return strings.ToLower(rt.method) + "_" + strings.Join(words, "_")
}

// schema describes a type; a struct becomes a component of its own.
func (d *describer) schema(t reflect.Type) object {
	switch {
	case t == reflect.TypeFor[time.Time]():
		return object{"type": "string", "format": "date-time"}
	case t == reflect.TypeFor[api.Duration]():
		return object{"type": "string", "examples": []any{"15m0s"}}
	case t == reflect.TypeFor[time.Duration]():
		panic("the API carries a time.Duration, which would be read as a number of nanoseconds; use api.Duration")
	}
	switch t.Kind() {
	case reflect.Pointer:
		return d.schema(t.Elem())
	case reflect.String:
		return object{"type": "string"}
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.Int, reflect.Int64:
		return object{"type": "integer"}
	case reflect.Float64:
		return object{"type": "number"}
	case reflect.Slice:
		return object{"type": "array", "items": d.schema(t.Elem())}
	case reflect.Struct:
		if _, ok := d.schemas[t.Name()]; !ok {
			d.schemas[t.Name()] = object{} // a type may hold itself
			d.schemas[t.Name()] = d.structure(t)
		}
		return object{"$ref": "#/components/schemas/" + t.Name()}
	}
	panic(fmt.Sprintf("the API carries a %s, which has no description", t)) // found by any test: describe runs in New
}

func (d *describer) structure(t reflect.Type) object {
	properties, required := object{}, []any{}
	for f := range t.Fields() {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		s := d.schema(f.Type)
		if doc := f.Tag.Get("doc"); doc != "" {
			s["description"] = doc // OpenAPI 3.1 allows it beside $ref
		}
		properties[name] = s
		if options == "" {
			required = append(required, name)
		}
	}
	o := object{"type": "object", "properties": properties, "additionalProperties": false}
	if len(required) > 0 {
		o["required"] = required
	}
	return o
}
