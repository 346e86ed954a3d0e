package metrics

import "github.com/prometheus/client_golang/prometheus"

// posted are the metrics of messages to people.
type posted struct {
	results *prometheus.CounterVec
	waiting prometheus.Gauge
}

func newPosted(r *prometheus.Registry) posted {
	p := posted{
		results: prometheus.NewCounterVec(prometheus.CounterOpts(opts(notifications)), families[notifications].Labels),
		waiting: prometheus.NewGauge(opts(notificationsWaiting)),
	}
	r.MustRegister(p.results, p.waiting)
	return p
}

// ExpectNotifications begins the counts of messages to people at zero for each result.
func (s *Set) ExpectNotifications(results []string) {
	for _, r := range results {
		s.posted.results.WithLabelValues(valid(r))
	}
}

// Notified counts what became of a message to people, or of an attempt to send it. The result is one of few words.
func (s *Set) Notified(result string) { s.posted.results.WithLabelValues(valid(result)).Inc() }

// NotificationsWaiting says how many messages to people wait to be sent.
func (s *Set) NotificationsWaiting(n int) { s.posted.waiting.Set(float64(n)) }
