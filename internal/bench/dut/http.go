package dut

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"time"

	"provoke/internal/bench/access"
	"provoke/internal/files/catalog"
)

const (
	httpLimit   = 2 * time.Second
	longestBody = 1 << 20
)

// page asks a web server for a text and finds the reading in it.
type page struct {
	worker
	finder
	client *http.Client
	login  access.Login
}

func newPage(spec catalog.Monitor, _ Options) (Monitor, error) {
	f, err := newFinder(spec)
	if err != nil {
		return nil, fmt.Errorf("monitor %s: %w", spec.ID, err)
	}
	login := access.Login{From: spec.Credentials, Authority: spec.Authority}
	client, err := login.Client(orElse(spec.Timeout, httpLimit))
	if err != nil {
		return nil, fmt.Errorf("monitor %s: %w", spec.ID, err)
	}
	return &page{worker{spec: spec}, f, client, login}, nil
}

// Start asks once, so that a server that is not there is told at once.
func (p *page) Start(ctx context.Context, deliver func(Sample)) error {
	if _, err := p.ask(ctx); err != nil {
		return fmt.Errorf("monitor %s: %w", p.spec.ID, err)
	}
	return p.start(ctx, deliver, func(ctx context.Context) {
		defer p.client.CloseIdleConnections()
		p.every(ctx, p.spec.Period().Std(), p.look)
	})
}

func (p *page) look(ctx context.Context) {
	text, err := p.ask(ctx)
	switch {
	case ctx.Err() != nil:
	case err != nil:
		p.sample(Sample{Lost: err.Error()})
	default:
		p.sample(p.see(text))
	}
}

// ask returns the text of one answer. Anything but status 200 is an error.
func (p *page) ask(ctx context.Context) (string, error) {
	answer, err := p.login.Get(ctx, p.client, p.spec.URL)
	if err != nil {
		return "", fmt.Errorf("ask %s: %w", p.spec.URL, err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(io.LimitReader(answer.Body, longestBody))
	if err != nil {
		return "", fmt.Errorf("read the answer of %s: %w", p.spec.URL, err)
	}
	return string(body), nil
}
