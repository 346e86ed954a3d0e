// Package dashboard makes the Grafana dashboard that ships as gillkeeper.json.
//
// It must never be part of the program, or ask for a metric that the program does not have: a test says so, and puts
// every question to a real Prometheus. Start reading at [Build].
package dashboard

import (
	"encoding/json"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/cog/variants"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	g "github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/statetimeline"
	"github.com/grafana/grafana-foundation-sdk/go/table"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
	"github.com/grafana/grafana-foundation-sdk/go/xychart"
)

// Query is one question to Prometheus and what its answers are called.
type Query struct{ Expr, Legend string }

// Panel is one picture. Every expression in it may use the variable $chamber.
type Panel struct {
	Title, Says, Unit string
	Kind              kind
	Decimals          float64
	Queries           []Query
	// Rare says that a chamber may well have nothing to show here, such as a harvest.
	Rare bool
	// Recorded says that it asks for what the rules in deploy/prometheus record.
	Recorded bool
	units    []string // of a table's columns and a scatter's axes, one for each query
	low      *float64
	high     *float64
	warn     []step
	span     uint32
}

type kind uint8

const (
	line    kind = iota
	number       // the newest value, large
	band         // states over time
	columns      // a table: a column for each query, named by its legend, and a row for each of their labels
	scatter      // dots: the first query across, the second up
)

// step colors a number from a value on.
type step struct {
	from  float64
	color string
}

// Row is a line of panels under a heading.
type Row struct {
	Title  string
	Panels []Panel
}

const here = `{chamber=~"$chamber"}`

// in narrows a metric to the chosen chambers and more.
func in(metric, more string) string {
	if more == "" {
		return metric + here
	}
	return metric + `{chamber=~"$chamber",` + more + `}`
}

// climate asks for a quantity and for what is wanted of it.
func climate(metric, quantity string, bounds ...string) []Query {
	q := []Query{{in(metric, `place="chamber"`), "{{chamber}}"}}
	for _, b := range bounds {
		q = append(q, Query{in("gillkeeper_target", `quantity="`+quantity+`",bound="`+b+`"`), "{{chamber}} " + b})
	}
	return append(q, Query{in(metric, `place="room"`), "{{chamber}} room"})
}

const fruiting = `stage="fruiting"`

// byStage asks for what a rule recorded of each stage of each flush, without the name, so that columns can be joined.
func byStage(record, more string) string {
	return "sum by (chamber, batch, species, stage, flush) (" + in("batch_stage:gillkeeper_"+record, more) + ")"
}

// Rows is the whole dashboard, from what is looked at daily to what is looked at when something is odd.
func Rows() []Row {
	return []Row{
		{"Now", []Panel{
			{Title: "Alarms", Says: "How many are active; the worse, the redder.", Kind: number, span: 3,
				Queries: []Query{{"sum by (chamber) (" + in("gillkeeper_alarm_active", "") + ")", "{{chamber}}"}}, warn: []step{{0, "green"}, {1, "orange"}, {3, "red"}}},
			{Title: "Humidity", Kind: number, Unit: "percentunit", Decimals: 1, span: 3, Queries: []Query{{in("gillkeeper_air_relative_humidity_ratio", `place="chamber"`), "{{chamber}}"}}},
			{Title: "CO2", Kind: number, Unit: "ppm", span: 3, Queries: []Query{{in("gillkeeper_air_co2_ppm", `place="chamber"`), "{{chamber}}"}}},
			{Title: "Temperature", Kind: number, Unit: "celsius", Decimals: 1, span: 3, Queries: []Query{{in("gillkeeper_air_temperature_celsius", `place="chamber"`), "{{chamber}}"}}},
			{Title: "Reservoir lasts", Says: "At the present rate of use.", Kind: number, Unit: "s", span: 3, Queries: []Query{{"gillkeeper_reservoir_empty_in_seconds" + here, "{{chamber}}"}}, warn: []step{{0, "red"}, {43200, "orange"}, {86400, "green"}}, Rare: true},
			{Title: "In range, last day", Says: "Share of the time that humidity was where it should be.", Kind: number, Unit: "percentunit", span: 3,
				Queries: []Query{{"sum by (chamber) (increase(" + in("gillkeeper_in_range_seconds_total", `quantity="relative_humidity"`) + "[1d])) / sum by (chamber) (increase(" + in("gillkeeper_observed_seconds_total", `quantity="relative_humidity"`) + "[1d]))", "{{chamber}}"}},
				warn:    []step{{0, "red"}, {0.7, "orange"}, {0.9, "green"}}},
			{Title: "Last decision", Says: "Seconds since the last decision for the chamber.", Kind: number, Unit: "s", span: 3, Queries: []Query{{"time() - gillkeeper_last_decision_timestamp_seconds" + here, "{{chamber}}"}}, warn: []step{{0, "green"}, {120, "orange"}, {300, "red"}}},
			{Title: "Broker", Says: "1 while the connection is open.", Kind: number, span: 3, Queries: []Query{{"gillkeeper_broker_connected", "connected"}}, warn: []step{{0, "red"}, {1, "green"}}},
		}},
		{"Climate against what is wanted", []Panel{
			{Title: "Relative humidity", Says: "Low, aim and high are what the crop's stage wants now. A gap means that there was no fresh, trusted reading.", Unit: "percentunit", Decimals: 1, span: 12,
				Queries: climate("gillkeeper_air_relative_humidity_ratio", "relative_humidity", "low", "aim", "high"), high: cog.ToPtr(1.0)},
			{Title: "Carbon dioxide", Unit: "ppm", span: 12, Queries: climate("gillkeeper_air_co2_ppm", "co2", "high"), low: cog.ToPtr(0.0)},
			{Title: "Temperature", Unit: "celsius", Decimals: 1, span: 12, Queries: climate("gillkeeper_air_temperature_celsius", "temperature", "low", "high")},
			{Title: "Vapor pressure deficit", Says: "The drying power that a wet cap feels: 0 means wet caps, a high value cracked ones.", Unit: "pressurepa", span: 12,
				Queries: []Query{{in("gillkeeper_air_vapor_pressure_deficit_pascals", `place="chamber"`), "{{chamber}}"}}, low: cog.ToPtr(0.0)},
		}},
		{"Plugs", []Panel{
			{Title: "Told to be on", Kind: band, span: 12, Queries: []Query{{"gillkeeper_plug_commanded_on" + here, "{{chamber}} {{plug}}"}}},
			{Title: "Share of the time on", Says: "Over the last hour.", Unit: "percentunit", span: 12, Queries: []Query{{"rate(gillkeeper_plug_on_seconds_total" + here + "[1h])", "{{chamber}} {{plug}}"}}, low: cog.ToPtr(0.0), high: cog.ToPtr(1.0)},
			{Title: "Switchings an hour", Says: "Relays wear out: a hundred thousand is a common life.", span: 12, Queries: []Query{{"increase(gillkeeper_plug_switches_total" + here + "[1h])", "{{chamber}} {{plug}}"}}, low: cog.ToPtr(0.0)},
			{Title: "Power", Unit: "watt", span: 12, Queries: []Query{{"gillkeeper_plug_power_watts" + here, "{{chamber}} {{plug}}"}}, low: cog.ToPtr(0.0), Rare: true},
		}},
		{"Water", []Panel{
			{Title: "Water in the reservoir", Unit: "litre", Decimals: 1, span: 12, Queries: []Query{{"gillkeeper_reservoir_liters" + here, "{{chamber}}"}}, low: cog.ToPtr(0.0), Rare: true},
			{Title: "Reservoir lasts", Unit: "s", span: 12, Queries: []Query{{"gillkeeper_reservoir_empty_in_seconds" + here, "{{chamber}}"}}, low: cog.ToPtr(0.0), Rare: true},
		}},
		{"What was learned of the chamber", []Panel{
			{Title: "Air changes an hour", Says: "With the fan on, and by leaks alone. If it falls with the fan on, a filter is clogging.", span: 12, Queries: []Query{{"gillkeeper_air_changes_per_hour" + here, "{{chamber}} {{state}}"}}, low: cog.ToPtr(0.0), Rare: true},
			{Title: "CO2 given off by the crop, g/h", Says: "Rises at pinning, falls after a harvest.", Decimals: 2, span: 12, Queries: []Query{{"gillkeeper_co2_generation_grams_per_hour" + here, "{{chamber}}"}}, low: cog.ToPtr(0.0), Rare: true},
			{Title: "Mist that becomes vapor, g/h of on-time", Says: "If it falls, the humidifier is scaling up.", span: 12, Queries: []Query{{"gillkeeper_humidifier_evaporated_grams_per_hour" + here, "{{chamber}}"}}, low: cog.ToPtr(0.0), Rare: true},
			{Title: "Water drawn, g/h of on-time", Says: "By its label and the air at first; by a filling once one was seen from full to dry.", span: 12, Queries: []Query{{"gillkeeper_humidifier_output_grams_per_hour" + here, "{{chamber}}"}}, low: cog.ToPtr(0.0), Rare: true},
		}},
		{"Crop", []Panel{
			{Title: "Stage", Kind: band, span: 12, Queries: []Query{{"gillkeeper_batch_info" + here, "{{chamber}} {{batch}} {{stage}}, flush {{flush}}"}}},
			{Title: "In range by stage", Says: "Share of the observed time, since the beginning.", Unit: "percentunit", span: 12,
				Queries: []Query{{"sum by (chamber, quantity, stage) (gillkeeper_in_range_seconds_total" + here + ") / sum by (chamber, quantity, stage) (gillkeeper_observed_seconds_total" + here + ")", "{{chamber}} {{quantity}} {{stage}}"}}, low: cog.ToPtr(0.0), high: cog.ToPtr(1.0)},
			{Title: "Harvested", Unit: "massg", span: 12, Queries: []Query{{"gillkeeper_flush_fresh_grams" + here, "{{chamber}} {{batch}}, flush {{flush}}"}}, low: cog.ToPtr(0.0), Rare: true},
			{Title: "Biological efficiency", Says: "Fresh weight harvested, divided by the dry weight of the substrate.", Unit: "percentunit", span: 12, Queries: []Query{{"gillkeeper_biological_efficiency_ratio" + here, "{{chamber}} {{batch}}, flush {{flush}}"}}, low: cog.ToPtr(0.0), Rare: true},
		}},
		{"Conditions against yield", []Panel{
			{Title: "Conditions of each stage, and what the flush gave", Says: "Means over the stage. Compare first flushes with first flushes, within a species. What goes together need not be cause and effect: gillkeeper report does the arithmetic.",
				Kind: columns, span: 24, Recorded: true, Rare: true,
				Queries: []Query{
					{byStage("biological_efficiency:ratio60d", ""), "efficiency"}, {byStage("harvest_fresh:grams60d", ""), "harvested"}, {byStage("stage:hours60d", ""), "in the stage"},
					{byStage("air_relative_humidity:mean60d", ""), "humidity"}, {byStage("humidity_in_range:share60d", ""), "humidity in range"},
					{byStage("air_temperature:mean60d", ""), "temperature"}, {byStage("air_vapor_pressure_deficit:mean60d", ""), "vapor pressure deficit"},
					{byStage("air_co2:mean60d", ""), "CO2"}, {byStage("co2_above_limit:hours60d", ""), "CO2 above its limit"}},
				units: []string{"percentunit", "massg", "h", "percentunit", "percentunit", "celsius", "pressurepa", "ppm", "h"}},
			{Title: "Efficiency against humidity in range", Says: "A dot for each flush, by its time in fruiting.", Kind: scatter, span: 12, Recorded: true, Rare: true,
				Queries: []Query{{byStage("humidity_in_range:share60d", fruiting), "humidity in range"}, {byStage("biological_efficiency:ratio60d", fruiting), "efficiency"}}, units: []string{"percentunit", "percentunit"}},
			{Title: "Efficiency against hours above the CO2 limit", Says: "A dot for each flush, by its time in fruiting.", Kind: scatter, span: 12, Recorded: true, Rare: true,
				Queries: []Query{{byStage("co2_above_limit:hours60d", fruiting), "CO2 above its limit"}, {byStage("biological_efficiency:ratio60d", fruiting), "efficiency"}}, units: []string{"h", "percentunit"}},
		}},
		{"The daemon", []Panel{
			{Title: "Alarms", Kind: band, span: 12, Queries: []Query{{"max by (chamber, alarm) (" + in("gillkeeper_alarm_active", "") + ") > 0", "{{chamber}} {{alarm}}"}}, Rare: true},
			{Title: "Messages a minute", Says: "From sensors and plugs, by what became of them.", span: 12, Queries: []Query{{"sum by (result) (rate(gillkeeper_messages_total" + here + "[10m])) * 60", "{{result}}"}}, low: cog.ToPtr(0.0), Rare: true},
			{Title: "A decision takes", Says: "99 of 100 take less time.", Unit: "s", span: 12, Queries: []Query{{"histogram_quantile(0.99, sum by (le) (rate(gillkeeper_decision_duration_seconds_bucket[10m])))", "p99"}}, low: cog.ToPtr(0.0), Rare: true},
			{Title: "Sensors that count", Says: "1 while the last reading is fresh and trusted.", Kind: band, span: 12, Queries: []Query{{"gillkeeper_sensor_fresh" + here, "{{chamber}} {{sensor}}"}}},
		}},
	}
}

// Marks are drawn over every plot.
func Marks() []Query {
	return []Query{
		{"max by (chamber, batch, stage, flush) (gillkeeper_batch_info" + here + ")", "{{chamber}} {{batch}}: {{stage}}, flush {{flush}}"},
		// The first picking of a flush makes its series, so there is nothing before it to have grown from.
		{"gillkeeper_flush_fresh_grams" + here + " - gillkeeper_flush_fresh_grams" + here + " offset 5m > 0 or (gillkeeper_flush_fresh_grams" + here + " unless gillkeeper_flush_fresh_grams" + here + " offset 5m)", "{{chamber}} {{batch}}: harvest"},
		{"max by (chamber, alarm) (" + in("gillkeeper_alarm_active", `priority=~"high|urgent"`) + ") > 0", "{{chamber}}: {{alarm}}"},
	}
}

// Build gives the dashboard as Grafana imports it.
func Build() ([]byte, error) {
	source := common.DataSourceRef{Type: cog.ToPtr("prometheus"), Uid: cog.ToPtr("${source}")}
	//lint:ignore SA1019 the second form is read by the newest Grafana only, the first by all that people run
	b := g.NewDashboardBuilder("Fruiting chambers").Uid("gillkeeper").
		Description("Climate, plugs, water and crop of the chambers that gillkeeper keeps.").
		Tags([]string{"gillkeeper"}).Refresh("1m").Time("now-24h", "now").Timezone(common.TimeZoneBrowser).
		Tooltip(g.DashboardCursorSyncCrosshair).
		WithVariable(g.NewDatasourceVariableBuilder("source").Label("Prometheus").Type("prometheus")).
		WithVariable(g.NewQueryVariableBuilder("chamber").Label("Chamber").Datasource(source).
			Query(g.StringOrMap{String: cog.ToPtr("label_values(gillkeeper_last_decision_timestamp_seconds, chamber)")}).
			Refresh(g.VariableRefreshOnTimeRangeChanged).Multi(true).IncludeAll(true).AllValue(".+"))
	for i, m := range Marks() {
		name := []string{"Stages", "Harvests", "Grave alarms"}[i]
		b.Annotation(g.NewAnnotationQueryBuilder().Name(name).Datasource(source).Enable(i > 0).
			IconColor([]string{"blue", "green", "red"}[i]).Expr(m.Expr).TitleFormat(m.Legend).Step("60s"))
	}
	for _, r := range Rows() {
		b.WithRow(g.NewRowBuilder(r.Title))
		for i := range r.Panels {
			b.WithPanel(r.Panels[i].build(source))
		}
	}
	d, err := b.Build()
	if err != nil {
		return nil, err
	}
	text, err := json.MarshalIndent(d, "", " ")
	return append(text, '\n'), err
}

func (p *Panel) build(source common.DataSourceRef) cog.Builder[g.Panel] {
	var targets []cog.Builder[variants.Dataquery]
	for i, q := range p.Queries {
		t := prometheus.NewDataqueryBuilder().Expr(q.Expr).LegendFormat(q.Legend).RefId(string(rune('A' + i))).Datasource(source)
		switch p.Kind {
		case number:
			t = t.Instant()
		case columns, scatter:
			t = t.Instant().Format(prometheus.PromQueryFormatTable)
		default:
			t = t.Range()
		}
		targets = append(targets, t)
	}
	steps := []g.Threshold{{Color: "text"}}
	if len(p.warn) > 0 {
		steps = nil
		for i, s := range p.warn {
			x := g.Threshold{Value: cog.ToPtr(s.from), Color: s.color}
			if i == 0 {
				x.Value = nil // from the lowest value on
			}
			steps = append(steps, x)
		}
	}
	limits := g.NewThresholdsConfigBuilder().Mode(g.ThresholdsModeAbsolute).Steps(steps)
	switch p.Kind {
	case number:
		return stat.NewPanelBuilder().Title(p.Title).Description(p.Says).Unit(p.Unit).Decimals(p.Decimals).Datasource(source).
			Thresholds(limits).Targets(targets).Span(p.span).Height(5).NoValue("not known")
	case band:
		return statetimeline.NewPanelBuilder().Title(p.Title).Description(p.Says).Datasource(source).
			Thresholds(g.NewThresholdsConfigBuilder().Mode(g.ThresholdsModeAbsolute).Steps([]g.Threshold{{Color: "transparent"}, {Value: cog.ToPtr(1.0), Color: "blue"}})).
			Targets(targets).Span(p.span).Height(8).NoValue("nothing")
	case columns:
		t := table.NewPanelBuilder().Title(p.Title).Description(p.Says).Datasource(source).Transformations(p.join()).
			SortBy([]cog.Builder[common.TableSortByFieldState]{common.NewTableSortByFieldStateBuilder().DisplayName(p.Queries[0].Legend).Desc(true)}).
			Targets(targets).Span(p.span).Height(10).NoValue("no flush yet, or the rules are not loaded")
		for i, q := range p.Queries {
			t = t.OverrideByName(q.Legend, []g.DynamicConfigValue{{Id: "unit", Value: p.units[i]}, {Id: "decimals", Value: 1}})
		}
		return t
	case scatter:
		across, up := p.Queries[0].Legend, p.Queries[1].Legend
		named := func(name string) cog.Builder[xychart.MatcherConfig] {
			return xychart.NewMatcherConfigBuilder().Id("byName").Options(name)
		}
		return xychart.NewPanelBuilder().Title(p.Title).Description(p.Says).Datasource(source).Transformations(p.join()).
			Mapping(xychart.SeriesMappingManual).Show(xychart.XYShowModePoints).
			Tooltip(common.NewVizTooltipOptionsBuilder().Mode(common.TooltipDisplayModeSingle).Sort(common.SortOrderNone)).
			Series([]cog.Builder[xychart.XYSeriesConfig]{xychart.NewXYSeriesConfigBuilder().
				X(xychart.NewXychartXYSeriesConfigXBuilder().Matcher(named(across))).
				Y(xychart.NewXychartXYSeriesConfigYBuilder().Matcher(named(up)))}).
			OverrideByName(across, []g.DynamicConfigValue{{Id: "unit", Value: p.units[0]}}).
			OverrideByName(up, []g.DynamicConfigValue{{Id: "unit", Value: p.units[1]}}).
			Targets(targets).Span(p.span).Height(10).NoValue("no flush yet, or the rules are not loaded")
	}
	b := timeseries.NewPanelBuilder().Title(p.Title).Description(p.Says).Unit(p.Unit).Decimals(p.Decimals).Datasource(source).
		Targets(targets).Span(p.span).Height(8).NoValue("nothing yet")
	if p.low != nil {
		b = b.Min(*p.low)
	}
	if p.high != nil {
		b = b.Max(*p.high)
	}
	return b
}

// join puts the answers beside each other, one row for each stage of each flush, under the legends' names.
func (p *Panel) join() []g.DataTransformerConfig {
	names, order := map[string]string{}, map[string]int{"chamber": 0, "species": 1, "batch": 2, "flush": 3, "stage": 4}
	for i, q := range p.Queries {
		value := "Value #" + string(rune('A'+i))
		names[value], order[value] = q.Legend, len(order)
	}
	return []g.DataTransformerConfig{
		{Id: "merge", Options: map[string]any{}},
		{Id: "organize", Options: map[string]any{"excludeByName": map[string]bool{"Time": true}, "renameByName": names, "indexByName": order}},
	}
}
