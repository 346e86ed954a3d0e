package pointer

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"
)

// Parse reads one JSON document strictly, numbers as [json.Number]. It refuses documents larger than [MaxDocument],
// deeper than [MaxDepth], with a repeated member name (whose meaning RFC 8259 leaves open), with anything after the
// document, or not in UTF-8. A byte order mark in front is ignored, which RFC 8259 §8.1 allows.
func Parse(doc []byte) (any, error) {
	if len(doc) > MaxDocument {
		return nil, fmt.Errorf("document of %d bytes is larger than %d", len(doc), MaxDocument)
	}
	if !utf8.Valid(doc) {
		return nil, errors.New("document is not UTF-8")
	}
	doc = bytes.TrimPrefix(doc, []byte("\ufeff"))
	d := json.NewDecoder(bytes.NewReader(doc))
	d.UseNumber()
	v, err := value(d, 0)
	if err != nil {
		return nil, err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("something follows the document after byte %d", d.InputOffset())
	}
	return v, nil
}

// value reads the next value, with depth containers around it.
func value(d *json.Decoder, depth int) (any, error) {
	t, err := token(d)
	if err != nil {
		return nil, err
	}
	delim, ok := t.(json.Delim)
	if !ok {
		return t, nil
	}
	if depth == MaxDepth {
		return nil, fmt.Errorf("document nests deeper than %d", MaxDepth)
	}
	if delim == '[' {
		return array(d, depth+1)
	}
	return object(d, depth+1)
}

func array(d *json.Decoder, depth int) (any, error) {
	list := []any{}
	for d.More() {
		v, err := value(d, depth)
		if err != nil {
			return nil, err
		}
		list = append(list, v)
	}
	_, err := token(d)
	return list, err
}

func object(d *json.Decoder, depth int) (any, error) {
	members := map[string]any{}
	for d.More() {
		t, err := token(d)
		if err != nil {
			return nil, err
		}
		name, ok := t.(string)
		if !ok {
			return nil, fmt.Errorf("member name expected before byte %d", d.InputOffset())
		}
		if _, twice := members[name]; twice {
			return nil, fmt.Errorf("member %q occurs twice", name)
		}
		if members[name], err = value(d, depth); err != nil {
			return nil, err
		}
	}
	_, err := token(d)
	return members, err
}

// token reads a token and says plainly when the document ends too early.
func token(d *json.Decoder) (json.Token, error) {
	t, err := d.Token()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("document ends too early")
	}
	if err != nil {
		return nil, fmt.Errorf("no JSON: %w", err)
	}
	return t, nil
}
