// Package homie is the Homie convention for devices on MQTT, version 5, and what of version 4 a listener needs: ids,
// topics, states, payloads, formats and the description of a device. The convention's text is at
// https://homieiot.github.io/specification/ (CC BY 4.0).
//
// It must never open a connection or know what a device is for. Start reading at [Description] and [Property.Accept].
package homie

import (
	"strconv"
	"strings"
)

// The states of a device ("Device Lifecycle"). Version 4 has one more, alert.
const (
	Init         = "init"
	Ready        = "ready"
	Disconnected = "disconnected"
	Sleeping     = "sleeping"
	Lost         = "lost"
	Alert        = "alert" // version 4 only
)

// DefaultDomain is the first level of every topic unless somebody chooses another.
const DefaultDomain = "homie"

// The units that the convention recommends and this program uses, in their exact bytes ("Units").
const (
	DegreeCelsius    = "°C"
	DegreeFahrenheit = "°F"
	Kelvin           = "K"
	Percent          = "%"
	PPM              = "ppm"
	Lux              = "lx"
	Watt             = "W"
	Kilowatt         = "kW"
	Pascal           = "Pa"
	Liter            = "L"
	Hour             = "h"
)

// LegalID reports whether s can be an id: one or more of a to z, 0 to 9 and hyphen ("Topic IDs").
func LegalID(s string) bool {
	for i := range len(s) {
		if c := s[i]; (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return s != ""
}

// ID makes an id of a name: lower case, and a hyphen for whatever an id cannot hold. Two names may meet in one id.
func ID(name string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '-':
			return r
		case r >= 'A' && r <= 'Z':
			return r - 'A' + 'a'
		}
		return '-'
	}, name)
}

// Topic is the topic of a device, or with further levels of something below it, in version 5.
func Topic(domain, device string, levels ...string) string {
	return domain + "/5/" + device + strings.Join(append([]string{""}, levels...), "/")
}

// Alive reports whether a device in that state sends what it has to send. One that sleeps does so when it wakes, one
// that raises an alert goes on, and one in init is there, if not ready.
func Alive(state string) bool {
	switch state {
	case Ready, Sleeping, Init, Alert:
		return true
	}
	return false
}

// Float writes a number the way the convention takes it: digits, point and minus only.
func Float(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.ContainsRune(s, '.') {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

// emptyString stands for the empty string, which MQTT takes for a deletion ("Empty string values").
const emptyString = "\x00"

// Text writes a string as a payload.
func Text(s string) string {
	if s == "" {
		return emptyString
	}
	return s
}

// Bool writes a boolean as a payload.
func Bool(b bool) string { return strconv.FormatBool(b) }
