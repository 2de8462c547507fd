package app

import (
	"bytes"
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lintel/api/kit"
)

// certificateEvery is how soon a new certificate is in use. The files are a few kB: they are read
// each time, since a time of change may be from anywhere.
const certificateEvery = 5 * time.Second

// maxCertificate bounds each of the two files, in bytes.
const maxCertificate = 1 << 20

// certificate is what a server proves by who it is. It is read again when its files change; while
// they hold none that is good, the one from before stays in use.
type certificate struct {
	certFile, keyFile string
	log               *slog.Logger
	every             time.Duration // between two looks at the files

	current  atomic.Pointer[tls.Certificate]
	cert     []byte // what the files held when they were last read
	key      []byte
	expires  prometheus.Gauge
	rejected prometheus.Gauge
}

// newCertificate reads the two files; nil: there are none to read.
func newCertificate(opt *Options) (*certificate, error) {
	if opt.TLSCert == "" && opt.TLSKey == "" {
		return nil, nil
	}
	c := &certificate{
		certFile: opt.TLSCert, keyFile: opt.TLSKey, log: opt.Log, every: certificateEvery,
		expires: prometheus.NewGauge(prometheus.GaugeOpts{Name: "lintel_certificate_expires_timestamp_seconds",
			Help: "When the certificate of the server ends, in seconds since 1970."}),
		rejected: prometheus.NewGauge(prometheus.GaugeOpts{Name: "lintel_certificate_rejected",
			Help: "1 while the files of the certificate hold none that is good, and the one from before is used."}),
	}
	if err := c.read(); err != nil {
		return nil, err
	}
	return c, nil
}

// read takes up what the files hold, if that is new. An error is returned once for each thing that
// they hold.
func (c *certificate) read() error {
	cert, err := kit.ReadFile(c.certFile, maxCertificate)
	if err != nil {
		return fmt.Errorf("the certificate: %w", err)
	}
	key, err := kit.ReadFile(c.keyFile, maxCertificate)
	if err != nil {
		return fmt.Errorf("the certificate's key: %w", err)
	}
	if bytes.Equal(cert, c.cert) && bytes.Equal(key, c.key) {
		return nil
	}
	c.cert, c.key = cert, key
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		c.rejected.Set(1)
		return fmt.Errorf("the certificate in %s with the key in %s can't be used: %w", c.certFile, c.keyFile, err)
	}
	c.current.Store(&pair)
	c.expires.Set(float64(pair.Leaf.NotAfter.Unix()))
	c.rejected.Set(0)
	if now := time.Now(); now.After(pair.Leaf.NotAfter) || now.Before(pair.Leaf.NotBefore) {
		c.log.Warn("browsers refuse the certificate: it is not valid at this time", "file", c.certFile, "from", pair.Leaf.NotBefore,
			"until", pair.Leaf.NotAfter)
	}
	return nil
}

// watch looks for a new certificate until ctx ends. What is wrong is logged once.
func (c *certificate) watch(ctx context.Context) {
	tick := time.NewTicker(c.every)
	defer tick.Stop()
	said := ""
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		said = c.look(said)
	}
}

// look reads the files, says what is wrong unless that was said, and returns it.
func (c *certificate) look(said string) string {
	before := c.current.Load()
	err := c.read()
	switch {
	case err != nil && err.Error() != said:
		c.rejected.Set(1)
		c.log.Error("the certificate from before stays in use", "err", err, "until", before.Leaf.NotAfter)
		return err.Error()
	case err == nil && c.current.Load() != before:
		c.log.Info("a new certificate is in use", "until", c.current.Load().Leaf.NotAfter, "names", c.current.Load().Leaf.DNSNames)
		return ""
	}
	return said
}

// covers reports whether the certificate is for the name of a host.
func (c *certificate) covers(host string) bool {
	return c.current.Load().Leaf.VerifyHostname(host) == nil
}

// config is how the server speaks TLS: 1.2 and later, with HTTP/2 where the client can.
func (c *certificate) config() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.current.Load(), nil },
	}
}
