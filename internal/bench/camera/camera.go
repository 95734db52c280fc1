// Package camera delivers the pictures of a camera as they come: a stream of JPEG pictures over HTTP, a still picture
// asked again and again, what a command writes to its standard output, or what a page hands over of the browser's
// camera. It judges no picture (package sight does) and knows no product. A camera is open from Stream until its
// context ends, and nothing of it goes anywhere else.
//
// frames.go finds pictures in a stream of bytes, handed.go takes those of a page.
package camera

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/access"
	"provoke/internal/bench/program"
	"provoke/internal/units/rf"
)

// Picture is one picture as the camera sent it.
type Picture struct {
	JPEG    []byte
	Arrived time.Time // when its last byte came, with the monotonic clock; when it was exposed, where a page says that
}

// Source is where pictures come from: Page, URL, or Command.
type Source struct {
	URL     string
	Command []string
	Page    *Handed
	// Begin is how long a page may take to send its first picture; 0: one has to send already.
	Begin time.Duration
	// Every is the shortest time between two pictures that are delivered; what comes between is passed over unseen.
	Every time.Duration
	// Still is how long a camera may send no whole picture before its stream is given up; 0 means DefaultStill.
	Still time.Duration
	Login access.Login
}

// DefaultStill is how long a camera may send no whole picture.
const DefaultStill = 3 * time.Second

// mostHeld is how many pictures wait for whoever looks at them: the newest. Older ones would only make a slow
// computer later and later.
const mostHeld = 1

// Stream delivers pictures until the context ends, or until the camera does: then it says why. deliver is called by one
// goroutine; while it is busy pictures are passed over, so that what it is given is always new.
func (s Source) Stream(ctx context.Context, deliver func(Picture)) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	fresh := make(chan Picture, mostHeld)
	still := orElse(s.Still, DefaultStill)
	idle := time.AfterFunc(max(still, s.Begin), func() {
		cancel(fmt.Errorf("the camera has sent no whole picture for %v: %s", rf.Duration(still), s.hint()))
	})
	defer idle.Stop()
	var next time.Time
	take := func(p Picture) {
		idle.Reset(still)
		if p.Arrived.Before(next) {
			return
		}
		// keeps the pace where the stream is a little early or late
		if next = next.Add(s.Every); next.Before(p.Arrived) {
			next = p.Arrived.Add(s.Every * 9 / 10)
		}
		select {
		case <-fresh: // one that nobody took
		default:
		}
		fresh <- p
	}
	var looking sync.WaitGroup
	looking.Go(func() {
		for {
			select {
			case <-ctx.Done():
				return
			case p := <-fresh:
				deliver(p)
			}
		}
	})
	now := func(jpeg []byte) { take(Picture{jpeg, time.Now()}) }
	var err error
	switch {
	case s.Page != nil:
		err = s.Page.stream(ctx, s.Begin > 0, take)
	case s.URL != "":
		err = s.overHTTP(ctx, now)
	default:
		err = program.Read(ctx, s.Command, "the camera's pictures", "camera",
			func(out io.Reader) error { return read(out, now) })
	}
	if cause := context.Cause(ctx); cause != nil {
		err = cause
	}
	cancel(nil)
	looking.Wait()
	return err
}

// hint says what to look at where pictures stay away.
func (s Source) hint() string {
	if s.Page != nil {
		return "is it switched on in a page here, and is that page in front?"
	}
	return "is it on, and what does it show in its own page or program?"
}

func orElse(d, otherwise time.Duration) time.Duration {
	if d > 0 {
		return d
	}
	return otherwise
}

// overHTTP asks for pictures until something ends it. A server that answers with one picture is asked again and again.
func (s Source) overHTTP(ctx context.Context, take func([]byte)) error {
	client, err := s.Login.Client(0)
	if err != nil {
		return err
	}
	defer client.CloseIdleConnections()
	for {
		asked := time.Now()
		stream, err := s.ask(ctx, client, take)
		if err != nil {
			return err
		}
		if stream {
			return fmt.Errorf("the camera at %s ended its stream: is it still on, and does another program take it?",
				s.URL)
		}
		if err := Wait(ctx, s.Every-time.Since(asked)); err != nil {
			return err
		}
	}
}

// ask asks once and reads the answer to its end; stream says that it was to have none.
func (s Source) ask(ctx context.Context, client *http.Client, take func([]byte)) (stream bool, err error) {
	answer, err := s.Login.Get(ctx, client, s.URL)
	if err != nil {
		return false, fmt.Errorf("reach the camera at %s: %w", s.URL, err)
	}
	defer answer.Body.Close()
	kind, _, _ := mime.ParseMediaType(answer.Header.Get("Content-Type"))
	if kind == "" { // boundaries that RFC 2046 does not allow make the whole header unreadable
		kind, _, _ = strings.Cut(strings.ToLower(answer.Header.Get("Content-Type")), ";")
	}
	stream = strings.HasPrefix(strings.TrimSpace(kind), "multipart/")
	if stream {
		return true, read(answer.Body, take)
	}
	var got scanner
	picture, err := io.ReadAll(io.LimitReader(answer.Body, MostBytes+1))
	if err != nil {
		return false, fmt.Errorf("read a picture of %s: %w", s.URL, err)
	}
	n := 0
	got.add(picture, func(jpeg []byte) { n++; take(jpeg) })
	switch {
	case n > 0:
		return false, nil
	case len(picture) > MostBytes:
		return false, fmt.Errorf("%s answers with more than %d MiB: set a smaller picture at the camera", s.URL,
			MostBytes>>20)
	case bytes.HasPrefix(picture, []byte{0xff, markSOI}):
		return false, nil // cut short: the next may be whole, and if none is, the camera stands still
	}
	return false, fmt.Errorf("%s answers with %q, which is no picture: write the address of the camera's JPEG "+
		"stream or still picture, not of its page", s.URL, kind)
}

// read finds pictures until the stream ends; nil is its plain end.
func read(from io.Reader, take func([]byte)) error {
	var s scanner
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		s.add(buf[:n], take)
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return fmt.Errorf("the connection to the camera is lost: %w", err)
		}
	}
}

// Wait lets so much time pass, and ends with the context.
func Wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(max(d, 0))
	defer t.Stop()
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-t.C:
		return nil
	}
}
