package config

import (
	"testing"

	"github.com/BurntSushi/toml"
)

// TestEveryKeyHasAnExample that the reader takes.
func TestEveryKeyHasAnExample(t *testing.T) {
	for i := range entries {
		e := &entries[i]
		example, there := examples[e.name]
		if there == (e.instead != "") {
			t.Errorf("%s has an example: %v; write it into examples.go for every key that may stand, and for no other", e.name, there)
		}
		if !there {
			continue
		}
		var raw map[string]any
		if _, err := toml.Decode("x = "+example, &raw); err != nil {
			t.Errorf("%s = %s: %v", e.name, example, err)
			continue
		}
		if _, wrong := e.kind.read(raw["x"]); wrong != nil {
			t.Errorf("%s = %s: %s", e.name, example, wrong.what)
		}
	}
	for name := range examples {
		if entryOf[name] == nil {
			t.Errorf("there is an example of %s, which is no key", name)
		}
	}
}
