package survey

import (
	"slices"
	"strings"
	"unicode"

	"gillkeeper/policy/chamber"
)

// measure is what a number may be.
type measure byte

const (
	humidity measure = iota
	temperature
	co2
	illuminance
	power
	measures
)

var quantities = [...]chamber.Quantity{humidity: chamber.RelativeHumidity, temperature: chamber.Temperature, co2: chamber.CO2, illuminance: chamber.Illuminance}

func (m measure) String() string {
	return [...]string{"humidity", "temperature", "CO2", "light", "power"}[m]
}

// tokens splits a topic or a JSON pointer into lower-case words: at everything that is no letter or digit, and where a
// capital follows a small letter.
func tokens(s string) []string {
	var list []string
	var b strings.Builder
	flush := func() {
		if b.Len() > 0 {
			list = append(list, b.String())
			b.Reset()
		}
	}
	small := false
	for _, r := range s {
		switch {
		case !unicode.IsLetter(r) && !unicode.IsDigit(r):
			flush()
			small = false
			continue
		case unicode.IsUpper(r) && small:
			flush()
		}
		small = unicode.IsLower(r)
		b.WriteRune(unicode.ToLower(r))
	}
	flush()
	return list
}

// stem is the beginning of a word that means something; with whole, the word itself.
type stem struct {
	text  string
	whole bool
}

func stems(beginnings string, wholes string) []stem {
	var list []stem
	for _, w := range strings.Fields(beginnings) {
		list = append(list, stem{w, false})
	}
	for _, w := range strings.Fields(wholes) {
		list = append(list, stem{w, true})
	}
	return list
}

func (s stem) is(word string) bool {
	return word == s.text || !s.whole && strings.HasPrefix(word, s.text)
}

// The words of measured things, in the languages that devices speak most: English, German, French, Spanish, Italian,
// Dutch.
var measureWords = [measures][]stem{
	humidity:    stems("humid humed umid feucht luftfeucht vochtig luchtvocht relhum", "hum rh rhum hygro h"),
	temperature: stems("temperat celsius fahrenheit", "temp temps tempc tempf degc degf t"),
	co2:         stems("co2 carbondioxide kohlendioxid", "carbon dioxide ppm"),
	illuminance: stems("illumin lux bright helligkeit luminos", "lx"),
	power:       stems("watt leistung potenc puissance potenz vermogen", "power w pwr load consumption"),
}

// foreign are words of numbers and switches that are none of a chamber's air or plugs.
var foreign = stems(
	"batter setpoint thresh limit calib offset forecast outdoor outside weather boiler fridge freezer "+
		"uptime memory absolute energ count timestamp durat interval version latit longit altit distanc "+
		"weight pressure barom signal linkqual firmware tamper occup motion presen contact window smoke water "+
		"target setting desired feels heatindex accel angle speed shower washer printer aquari "+
		"phone laptop router server nozzle percent_full moistur radiator thermostat schedul "+
		"voltage dewpoint available availability online connected reachab noise decib",
	"bat rssi snr lqi heap ram freq hz kwh wh mah ma amps amp current today yesterday total id ts time "+
		"epoch seq x y z lat lon lng alt min max avg mean std low high set sp lock locked alarm error status "+
		"uv ph ec tds orp stock price btc index rank score volume track volt soil oven wind rain door leak "+
		"dewp vpd gyro fuel tank tyre pool car disk cpu gpu chip core bed voc eco2 tvoc pm10 pm25")

// dwelling are words of places where people live, and of what lies around them, in the same languages: a thermometer and a lamp there
// are the house's own. Lofts, cellars and the like are left out, for chambers stand there.
var dwelling = stems("kitchen bedroom livingroom diningroom bathroom garage hallway corridor toilet laundry childr guestroom office "+
	"garden balcon terrac patio "+
	"wohnzimmer schlafzimmer badezimmer kinderzimmer esszimmer arbeitszimmer gaestezimmer gästezimmer kueche küche flur buero büro garten terrass balkon "+
	"cuisin salon sejour séjour couloir bureau jardin "+
	"cocina dormitori comedor pasillo oficina despacho terraz "+
	"cucina bagno soggiorno ufficio giardin "+
	"woonkamer slaapkamer badkamer eetkamer keuken kantoor tuin",
	"living dining bath bad bain bano baño kids guest yard diele gang")

// growing are words of places where mushrooms grow. Beside one of them, a word of a dwelling only says where that place is.
var growing = stems("grow mushroom fungi fruiting chamber tent incubat spawn pilz zucht champign setas hongo cultiv fungh coltiv paddenst kweek", "")

// placeSays is the least that a word of a dwelling weighs: a place is the same however far from the value it is named.
const placeSays = 0.55

// strange gives the strongest word that speaks against a chamber's air or plug.
func strange(words []string) (float64, string) {
	w, word := found(foreign, words)
	if grows, _ := found(growing, words); grows == 0 {
		if x, house := found(dwelling, words); x > 0 && max(x, placeSays) > w {
			return max(x, placeSays), house
		}
	}
	return w, word
}

// measured gives the strongest word for a measure. What wets the air is no word for how wet it is.
func measured(m measure, words []string) (float64, string) {
	w, word := found(measureWords[m], words)
	if m == humidity && strings.HasPrefix(word, "humidif") {
		words = slices.DeleteFunc(slices.Clone(words), func(w string) bool { return strings.HasPrefix(w, "humidif") })
		return found(measureWords[m], words)
	}
	return w, word
}

// rooms are words of places outside the chambers.
var rooms = stems("ambien surround", "room raum hall lab basement intake outer")

// roleWords are what hangs on a plug.
var roleWords = []struct {
	role  chamber.Role
	words []stem
}{
	{chamber.Humidifier, stems("humidif mist fogg nebul ultrason vapor vapour vernebl befeucht", "fog")},
	{chamber.CirculationFan, stems("circul stir umluft", "")},
	{chamber.ExhaustFan, stems("exhaust extract ventil abluft vent", "fan fae blower luefter")},
	{chamber.Heater, stems("heat heiz calef chauff", "")},
	{chamber.Cooler, stems("cool chill aircon kuehl", "")},
	{chamber.Lamp, stems("lamp light licht", "led luz growlight growlamp")},
}

// plugWords are words of switched outlets as such.
var plugWords = stems("plug switch relay outlet socket steckdose enchufe prise", "state power")

// commandWords end a topic that takes commands.
var commandWords = []string{"set", "command", "cmd", "control", "write"}

// found gives the strongest of a list of words, by its distance from the value: the last word says most.
func found(list []stem, words []string) (weight float64, word string) {
	for i, w := range words {
		for _, s := range list {
			if !s.is(w) {
				continue
			}
			near := [...]float64{1, 0.8, 0.55}
			x := 0.35
			if d := len(words) - 1 - i; d < len(near) {
				x = near[d]
			}
			if len(s.text) == 1 {
				x /= 2 // one letter may mean anything
			}
			if x > weight {
				weight, word = x, w
			}
			break
		}
	}
	return weight, word
}

// roleOf guesses what hangs on a plug; 0: it does not say.
func roleOf(words []string) (chamber.Role, string) {
	best, role, word := 0.0, chamber.Role(0), ""
	for _, r := range roleWords {
		if x, w := found(r.words, words); x > best {
			best, role, word = x, r.role, w
		}
	}
	return role, word
}
