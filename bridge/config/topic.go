package config

import (
	"errors"
	"strconv"
	"strings"
	"time"

	"gillkeeper/bridge/mqtt/topic"
)

// maxTopic is the longest topic name in bytes of UTF-8 [MQTT-1.5.3, MQTT-4.7.3-3].
const maxTopic = topic.MaxLength

// checkTopic reports why a text is no legal MQTT 3.1.1 topic name to receive on. Some brokers answer a bad name by
// closing the connection, and a client that repeats it never gets through: so it is refused here.
func checkTopic(s string) error {
	if what := topic.Defect(s); what != "" {
		return errors.New(what)
	}
	if strings.HasPrefix(s, "$share/") { // common practice among brokers: what comes of it has the name behind
		return errors.New("begins a shared subscription, whose messages come under another name")
	}
	return nil
}

// checkCommandTopic reports why a text is no topic name to publish commands on: besides what [checkTopic] refuses,
// names that begin with "$" belong to the broker (section 4.7.2).
func checkCommandTopic(s string) error {
	if strings.HasPrefix(s, "$") {
		return errors.New(`begins with "$", which is the broker's own`)
	}
	return checkTopic(s)
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
