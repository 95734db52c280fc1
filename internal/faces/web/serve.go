package web

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"time"
)

// Times of a request. Who is slower is let go: a request that hangs holds a place that another needs.
const (
	headersWithin = 5 * time.Second  // from a connection's first byte to the end of the headers
	requestWithin = 90 * time.Second // headers and body, of the largest upload
	formWithin    = 10 * time.Second // the body of a form
	uploadWithin  = 60 * time.Second // the body of a photo or a curve
	answerWithin  = 60 * time.Second // the answer, from the end of the headers
	idleWithin    = 60 * time.Second // between two requests of a connection
	longestHeader = 32 << 10         // bytes
)

// Serve answers requests on a listener until ctx is done, over TLS where certificate and key are named.
// It bounds connections, requests, streams and their times: see crowd. A system that has no file
// descriptor left for a new connection does not end it.
func (s *Server) Serve(ctx context.Context, l net.Listener, cert, key string) error {
	s.again()
	log := slog.NewLogLogger(s.cfg.Log.Handler(), slog.LevelWarn)
	server := &http.Server{
		Handler: s, ReadHeaderTimeout: headersWithin, ReadTimeout: requestWithin, WriteTimeout: answerWithin,
		IdleTimeout:    idleWithin,
		MaxHeaderBytes: longestHeader, BaseContext: func(net.Listener) context.Context { return ctx },
		ConnContext: s.crowd.greet, ConnState: s.crowd.changed, ErrorLog: log,
		TLSConfig: &tls.Config{MinVersion: tls.VersionTLS12},
	}
	defer context.AfterFunc(ctx, func() { server.Close() })()
	l = &patient{Listener: l, crowd: s.crowd, log: s.cfg.Log}
	var err error
	if cert != "" {
		err = server.ServeTLS(l, cert, key)
	} else {
		err = server.Serve(l)
	}
	if ctx.Err() != nil && errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// patient is a listener that survives a system without free file descriptors: it lets connections go
// that wait, and tries again soon. The HTTP server's own pause grows to a second, which RF off has not.
type patient struct {
	net.Listener
	crowd *crowd
	log   *slog.Logger
	told  time.Time
}

// tryAgain is the pause after a connection that could not be taken; letGo how many are let go for it.
const (
	tryAgain = 20 * time.Millisecond
	letGo    = 16
)

// Accept waits for the next connection.
func (p *patient) Accept() (net.Conn, error) {
	for {
		c, err := p.Listener.Accept()
		var passing interface{ Temporary() bool }
		if err == nil || !errors.As(err, &passing) || !passing.Temporary() {
			return c, err
		}
		if time.Since(p.told) > 10*time.Second {
			p.told = time.Now()
			p.log.Warn("take a connection: others are let go for it", "error", err)
		}
		p.crowd.relieve(letGo)
		time.Sleep(tryAgain)
	}
}
