package config

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// MaxTopic is the longest topic name in bytes of UTF-8 [MQTT-1.5.3, MQTT-4.7.3-3].
const MaxTopic = 65535

// CheckTopic reports why a text is no legal MQTT 3.1.1 topic name to receive on. Some brokers answer a bad name by
// closing the connection, and a client that repeats it never gets through: so it is refused here.
func CheckTopic(s string) error {
	switch {
	case s == "":
		return errors.New("is empty") // [MQTT-4.7.3-1]
	case len(s) > MaxTopic:
		return fmt.Errorf("is longer than %d bytes", MaxTopic) // [MQTT-4.7.3-3]
	case !utf8.ValidString(s):
		return errors.New("is not UTF-8") // [MQTT-1.5.3-1]
	case strings.ContainsAny(s, "+#"):
		return errors.New("has a wildcard") // [MQTT-3.3.2-2]
	}
	for _, r := range s {
		// U+0000 is forbidden [MQTT-1.5.3-2, MQTT-4.7.3-2]; other control and non-characters may make the receiver
		// close the connection (section 1.5.3).
		if unicode.IsControl(r) || r&0xfffe == 0xfffe || r >= 0xfdd0 && r <= 0xfdef {
			return fmt.Errorf("has the control character %U", r)
		}
	}
	return nil
}

// CheckCommandTopic reports why a text is no topic name to publish commands on: besides what [CheckTopic] refuses,
// names that begin with "$" belong to the broker (section 4.7.2).
func CheckCommandTopic(s string) error {
	if strings.HasPrefix(s, "$") {
		return errors.New(`begins with "$", which is the broker's own`)
	}
	return CheckTopic(s)
}

// secondsMark stands in a timed payload for the whole seconds to stay on.
const secondsMark = "{seconds}"

func expandSeconds(template string, d time.Duration) string {
	s := int64((d + time.Second - 1) / time.Second)
	return strings.ReplaceAll(template, secondsMark, strconv.FormatInt(s, 10))
}
