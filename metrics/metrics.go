// Package metrics shows what the daemon knows as Prometheus series: names, help texts, collectors and the page.
//
// It must never decide or keep anything: series of chambers are read from snapshots when somebody asks. Start reading
// at [Families] and [New].
package metrics

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	dto "github.com/prometheus/client_model/go"

	"gillkeeper/policy"
)

// Info says what this program was built from.
type Info struct {
	Version  string
	Revision string
	Go       string
}

// mostScrapes is how many pages are made at once; more are turned away, for a page of a thousand chambers takes
// memory.
const mostScrapes = 4

// Set is the program's metrics in a registry of their own. All methods may be called by many goroutines.
type Set struct {
	registry  *prometheus.Registry // of what is counted as it happens
	snapshots func() []*policy.Snapshot
	messages  *prometheus.CounterVec
	decided   prometheus.Histogram
	connected prometheus.Gauge
	failing   prometheus.Gauge
	good      prometheus.Gauge
	taken     prometheus.Gauge
	posted    posted
}

// New makes the metrics. snapshots is called once for each scrape, possibly by several at once, and gives one snapshot
// for each chamber; for counters to survive a kill these must be durable ones.
func New(build Info, snapshots func() []*policy.Snapshot) *Set {
	s := &Set{
		registry:  prometheus.NewRegistry(),
		snapshots: snapshots,
		messages:  prometheus.NewCounterVec(prometheus.CounterOpts(opts(messages)), families[messages].Labels),
		decided: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: families[decisionDuration].Name, Help: families[decisionDuration].Help,
			Buckets:                         []float64{10e-6, 25e-6, 50e-6, 100e-6, 250e-6, 500e-6, 1e-3, 2.5e-3, 5e-3, 10e-3, 25e-3, 100e-3, 1},
			NativeHistogramBucketFactor:     1.1,
			NativeHistogramMaxBucketNumber:  160,
			NativeHistogramMinResetDuration: time.Hour,
		}),
		connected: prometheus.NewGauge(opts(brokerConnected)),
		failing:   prometheus.NewGauge(opts(journalFailing)),
		good:      prometheus.NewGauge(opts(configGood)),
		taken:     prometheus.NewGauge(opts(configTimestamp)),
	}
	info := prometheus.NewGaugeVec(opts(buildInfo), families[buildInfo].Labels)
	info.WithLabelValues(valid(build.Version), valid(build.Revision), valid(build.Go)).Set(1)
	s.registry.MustRegister(s.messages, s.decided, s.connected, s.failing, s.good, s.taken, info,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	s.posted = newPosted(s.registry)
	return s
}

func opts(i id) prometheus.GaugeOpts {
	return prometheus.GaugeOpts{Name: families[i].Name, Help: families[i].Help}
}

func valid(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

// Expect begins the counts of messages of some chambers at zero for each result, so that the first is seen as an
// increase.
func (s *Set) Expect(results []string, chambers ...string) {
	for _, c := range chambers {
		for _, r := range results {
			s.messages.WithLabelValues(valid(c), valid(r))
		}
	}
}

// Count counts a message of a chamber; "" is for one that belongs to none. The result is one of few words, never text
// from a message.
func (s *Set) Count(chamber, result string) {
	s.messages.WithLabelValues(valid(chamber), valid(result)).Inc()
}

// Decided takes down how long a decision took.
func (s *Set) Decided(d time.Duration) { s.decided.Observe(d.Seconds()) }

// Connected says whether the connection to the broker is open.
func (s *Set) Connected(yes bool) { s.connected.Set(truth(yes)) }

// JournalFailing says whether the journal cannot be written.
func (s *Set) JournalFailing(yes bool) { s.failing.Set(truth(yes)) }

// Reloaded takes down an attempt to take a configuration, the first included.
func (s *Set) Reloaded(good bool, at time.Time) {
	s.good.Set(truth(good))
	if good {
		s.taken.Set(float64(at.UnixMilli()) / 1000)
	}
}

// Gather implements prometheus.Gatherer: the chambers' families and all others, in order of names.
func (s *Set) Gather() ([]*dto.MetricFamily, error) {
	others, err := s.registry.Gather()
	all := append(gather(s.snapshots()), others...)
	slices.SortFunc(all, func(a, b *dto.MetricFamily) int { return cmp.Compare(a.GetName(), b.GetName()) })
	return all, err
}

// Handler serves the page as Prometheus text and OpenMetrics.
func (s *Set) Handler() http.Handler {
	return promhttp.HandlerFor(s, promhttp.HandlerOpts{
		ErrorHandling:       promhttp.ContinueOnError, // what spoils one series does not take the others with it
		Registry:            s.registry,
		MaxRequestsInFlight: mostScrapes,
		EnableOpenMetrics:   true,
	})
}
