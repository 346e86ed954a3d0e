package config

import (
	"errors"
	"strconv"
	"strings"
	"time"

	"gillkeeper/bridge/mqtt/topic"
)

// MaxTopic is the longest topic name in bytes of UTF-8 [MQTT-1.5.3, MQTT-4.7.3-3].
const MaxTopic = topic.MaxLength

// CheckTopic reports why a text is no legal MQTT 3.1.1 topic name to receive on. Some brokers answer a bad name by
// closing the connection, and a client that repeats it never gets through: so it is refused here.
func CheckTopic(s string) error {
	if what := topic.Defect(s); what != "" {
		return errors.New(what)
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

// What stands in a payload for the whole seconds to stay on, and for the level.
const (
	secondsMark = "{seconds}"
	levelMark   = "{level}"
)

func expandSeconds(template string, d time.Duration) string {
	s := int64((d + time.Second - 1) / time.Second)
	return strings.ReplaceAll(template, secondsMark, strconv.FormatInt(s, 10))
}
