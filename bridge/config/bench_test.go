package config

import (
	"fmt"
	"strings"
	"testing"
)

// farm writes a configuration of n chambers.
func farm(n int) string {
	var b strings.Builder
	b.WriteString("[broker]\nurl = \"embedded\"\n")
	for i := range n {
		fmt.Fprintf(&b, `
[[chamber]]
name = "c%[1]d"
volume_m3 = 0.56
  [[chamber.sensor]]
  quantity = "relative_humidity"
  topic = "c%[1]d/air"
  pointer = "/humidity"
  [[chamber.sensor]]
  quantity = "co2"
  topic = "c%[1]d/air"
  pointer = "/co2"
  [[chamber.plug]]
  role = "humidifier"
  command_topic = "c%[1]d/mister/set"
  state_topic = "c%[1]d/mister"
  output_g_per_h = 300
  [[chamber.plug]]
  role = "exhaust_fan"
  command_topic = "c%[1]d/fan/set"
  flow_m3_per_h = 60
`, i)
	}
	return b.String()
}

// A farm's file must be read while somebody waits.
func BenchmarkThousandChambers(b *testing.B) {
	text := []byte(farm(1000))
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		if _, _, err := Parse("f", text, ordinary.env()); err != nil {
			b.Fatal(err)
		}
	}
}

// The same file with its first quote lost: the reader gives up in time.
func BenchmarkThousandChambersBroken(b *testing.B) {
	text := []byte(strings.ReplaceAll(farm(1000), `volume_m3 = 0.56`, `volume_m3 = 0,56`))
	for b.Loop() {
		if _, _, err := Parse("f", text, ordinary.env()); err == nil {
			b.Fatal("accepted")
		}
	}
}
