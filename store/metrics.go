package store

import (
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"
)

// poolMetrics shows the pool's state to the one who watches the server: a pool
// that is always full, or on which requests wait, is too small.
type poolMetrics struct {
	stat                            func() *pgxpool.Stat
	open, used, limit, waits, waitS *prometheus.Desc
}

// Collector returns the connection pool's figures for a metrics page.
func (s *Store) Collector() prometheus.Collector {
	desc := func(name, help string) *prometheus.Desc {
		return prometheus.NewDesc("nextprobe_database_"+name, help, nil, nil)
	}
	return &poolMetrics{
		stat:  s.pool.Stat,
		open:  desc("connections", "Open connections to the database."),
		used:  desc("connections_in_use", "Connections in use now."),
		limit: desc("connections_limit", "Most connections the pool opens."),
		waits: desc("acquire_waits_total", "Times a request had to wait for a connection."),
		waitS: desc("acquire_seconds_total", "Time spent on getting connections, in seconds."),
	}
}

// Describe implements prometheus.Collector.
func (m *poolMetrics) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{m.open, m.used, m.limit, m.waits, m.waitS} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (m *poolMetrics) Collect(ch chan<- prometheus.Metric) {
	s := m.stat()
	gauge := func(d *prometheus.Desc, v float64) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v)
	}
	gauge(m.open, float64(s.TotalConns()))
	gauge(m.used, float64(s.AcquiredConns()))
	gauge(m.limit, float64(s.MaxConns()))
	ch <- prometheus.MustNewConstMetric(m.waits, prometheus.CounterValue, float64(s.EmptyAcquireCount()))
	ch <- prometheus.MustNewConstMetric(m.waitS, prometheus.CounterValue, s.AcquireDuration().Seconds())
}
