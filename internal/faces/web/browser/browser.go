// Package browser drives a headless Chromium for the tests of the pages. It is used by tests only
// and knows nothing of provoke.
package browser

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/storage"
	"github.com/chromedp/chromedp"
)

// Patience is how long a page may take for what a test waits for; Life is how long a browser may live.
// Nothing here waits longer, so that a browser that hangs fails its own test and says where.
const (
	Patience = 15 * time.Second
	Life     = 5 * time.Minute
)

// Page is one tab of a browser of its own.
type Page struct {
	t   testing.TB
	ctx context.Context

	mu     sync.Mutex
	errors []string
}

// WithCamera are the flags of a browser whose camera shows a file, MJPEG or Y4M, again and again, and is given to
// every page that asks.
func WithCamera(file string) []string {
	return []string{"use-fake-device-for-media-stream", "use-fake-ui-for-media-stream",
		"use-file-for-fake-video-capture=" + file}
}

// Open starts a browser, with further flags. It skips the test when there is none, and fails instead with CI=true. With
// -short it skips the test.
func Open(t testing.TB, flags ...string) *Page {
	t.Helper()
	if testing.Short() {
		t.Skip("a browser takes long")
	}
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		if os.Getenv("CI") == "true" {
			t.Fatal("there is no Chromium")
		}
		t.Skip("outside check skipped: there is no Chromium here")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox,
		chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update",
			true), chromedp.Flag("hide-scrollbars", true),
		chromedp.Flag("js-flags", "--expose-gc"), chromedp.Flag("enable-precise-memory-info", true))
	for _, f := range flags {
		if name, value, ok := strings.Cut(f, "="); ok {
			opts = append(opts, chromedp.Flag(name, value))
		} else {
			opts = append(opts, chromedp.Flag(name, true))
		}
	}
	born, die := context.WithTimeoutCause(context.Background(), Life, fmt.Errorf("the browser has lived for %v", Life))
	actx, cancelAll := chromedp.NewExecAllocator(born, opts...)
	ctx, cancel := chromedp.NewContext(actx)
	p := &Page{t: t, ctx: ctx}
	t.Cleanup(func() { // in this order: a page may ask whether to leave it
		die()
		within(t, "end the browser", func() { cancelAll(); cancel() })
	})
	within(t, "start the browser", func() {
		if err := chromedp.Do(ctx); err != nil {
			t.Errorf("start the browser: %v", err)
		}
	})
	if t.Failed() {
		t.FailNow()
	}
	go func() { // "leave this page?" is answered with yes
		for _, err := range chromedp.Events(ctx, page.JavascriptDialogOpening) {
			if err != nil {
				return
			}
			chromedp.Call(ctx, page.HandleJavaScriptDialog, page.HandleJavaScriptDialogParams{Accept: true})
		}
	}()
	ready := make(chan struct{})
	go func() {
		var once sync.Once
		defer once.Do(func() { close(ready) })
		messages := chromedp.Console(ctx)
		once.Do(func() { close(ready) })
		for m, err := range messages {
			if err != nil {
				return
			}
			if m.Type == chromedp.ConsoleError || m.Type == chromedp.ConsoleException {
				p.complain(string(m.Type) + ": " + m.Text + " (" + m.URL + ")")
			}
		}
	}()
	within(t, "listen to the browser's console", func() { <-ready })
	return p
}

// within fails a test that waits longer than four times Patience for something that cannot be told to end.
func within(t testing.TB, what string, f func()) {
	t.Helper()
	done := make(chan struct{})
	go func() { defer close(done); f() }()
	select {
	case <-done:
	case <-time.After(4 * Patience):
		t.Errorf("%s: not done after %v", what, 4*Patience)
	}
}

// briefly is a context that ends after so many times Patience.
func (p *Page) briefly(times int) (context.Context, context.CancelFunc) {
	return context.WithTimeout(p.ctx, time.Duration(times)*Patience)
}

func (p *Page) complain(what string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.errors = append(p.errors, what)
}

// Complaints returns what scripts threw or wrote as errors so far, and forgets it.
func (p *Page) Complaints() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := p.errors
	p.errors = nil
	return out
}

func (p *Page) do(what string, steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	ctx, cancel := p.briefly(1)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		text := ""
		ctx, cancel := p.briefly(1)
		defer cancel()
		if body, e := chromedp.Run(ctx, chromedp.Evaluate[string](
			`document.body?.innerText.slice(0, 1500) ?? ""`)); e == nil {
			text = "\nthe page says:\n" + body
		}
		p.t.Fatalf("%s: %v%s", what, err, text)
	}
}

// Go opens an address and waits until it is loaded.
func (p *Page) Go(address string) {
	p.t.Helper()
	p.do("open "+address, chromedp.Navigate(address))
}

// Click clicks what a CSS selector finds, once it is visible.
func (p *Page) Click(selector string) {
	p.t.Helper()
	p.do("find "+selector, chromedp.WaitVisible(selector))
	p.Eval(fmt.Sprintf(`document.querySelector(%s).scrollIntoView({block: "center", behavior: "instant"})`,
		quoted(selector)))
	p.do("click "+selector, chromedp.Click(selector))
}

// Fill sets the value of a field as if it had been typed.
func (p *Page) Fill(selector, value string) {
	p.t.Helper()
	p.do("fill "+selector, chromedp.WaitVisible(selector))
	p.Eval(fmt.Sprintf(`(() => { const e = document.querySelector(%s); e.focus(); e.value = %s; e.dispatchEvent(new Event("input", {bubbles: true})); e.dispatchEvent(new Event("change", {bubbles: true})); })()`, quoted(selector), quoted(value)))
}

// Press presses keys, such as " " or the constants of package kb.
func (p *Page) Press(keys string) {
	p.t.Helper()
	p.do("press a key", chromedp.KeyEvent(keys))
}

// Drag moves the mouse with its button down, between two places of what a selector finds: shares of its width and
// height.
func (p *Page) Drag(selector string, fromX, fromY, toX, toY float64) {
	p.t.Helper()
	edge := Value[[4]float64](p, fmt.Sprintf(`(r => [r.left, r.top, r.width, r.height])(document.querySelector(%s).getBoundingClientRect())`, quoted(selector)))
	ctx, cancel := p.briefly(1)
	defer cancel()
	for i, kind := range []input.DispatchMouseEventType{"mousePressed", "mouseMoved", "mouseMoved", "mouseReleased"} {
		share := float64(min(i, 2)) / 2
		at := input.DispatchMouseEventParams{Type: kind, Button: "left", Buttons: 1, ClickCount: 1,
			X: edge[0] + edge[2]*(fromX+share*(toX-fromX)), Y: edge[1] + edge[3]*(fromY+share*(toY-fromY))}
		if _, err := chromedp.Call(ctx, input.DispatchMouseEvent, at); err != nil {
			p.t.Fatalf("drag over %s: %v", selector, err)
		}
	}
}

// Upload chooses a file in a file field.
func (p *Page) Upload(selector, file string) {
	p.t.Helper()
	p.do("choose a file", chromedp.SetUploadFiles(selector, []string{file}))
}

// Text returns the text of what a selector finds.
func (p *Page) Text(selector string) string {
	p.t.Helper()
	return Value[string](p, fmt.Sprintf(`document.querySelector(%s)?.innerText ?? ""`, quoted(selector)))
}

// Eval runs an expression and throws its value away; a promise is awaited.
func (p *Page) Eval(expression string) {
	p.t.Helper()
	Value[any](p, expression)
}

// Value returns the value of an expression; a promise is awaited.
func Value[T any](p *Page, expression string) T {
	p.t.Helper()
	ctx, cancel := p.briefly(4)
	defer cancel()
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string](`(async () => JSON.stringify(await (`+expression+
		`) ?? null))()`, chromedp.EvalAwaitPromise))
	if err != nil {
		p.t.Fatalf("evaluate %.200s: %v", expression, err)
	}
	var v T
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		p.t.Fatalf("evaluate %.200s: %v", expression, err)
	}
	return v
}

// Run runs a script of any length, such as a library, and throws its value away.
func (p *Page) Run(script string) {
	p.t.Helper()
	ctx, cancel := p.briefly(4)
	defer cancel()
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](script+"\n;true")); err != nil {
		p.t.Fatalf("run a script: %v", err)
	}
}

// Wait waits until an expression is true.
func (p *Page) Wait(expression string) {
	p.t.Helper()
	if err := p.until(expression, Patience); err != nil {
		p.t.Fatalf("wait for %s: %v\nthe page says:\n%.1500s", expression, err, p.Text("body"))
	}
}

func (p *Page) until(expression string, most time.Duration) error {
	for end := time.Now().Add(most); ; time.Sleep(25 * time.Millisecond) {
		ctx, cancel := context.WithTimeout(p.ctx, 5*time.Second)
		yes, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("!!("+expression+")"))
		cancel()
		if err == nil && yes {
			return nil
		}
		if time.Now().After(end) {
			return errors.Join(errors.New("it did not come true"), err)
		}
	}
}

// Size sets the size of the window.
func (p *Page) Size(width, height int) {
	p.t.Helper()
	var options []chromedp.EmulateViewportOption
	if width < 600 {
		options = append(options, chromedp.EmulateMobile)
	}
	p.do("set the size", chromedp.EmulateViewport(int64(width), int64(height), options...))
}

// Dark asks for the dark or the light colours, and for no motion.
func (p *Page) Dark(dark bool) {
	p.t.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	ctx, cancel := p.briefly(1)
	defer cancel()
	_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia,
		emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
			{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
	if err != nil {
		p.t.Fatalf("set the colours: %v", err)
	}
}

// Scripts switches the scripts of pages on or off that are loaded from now on.
func (p *Page) Scripts(on bool) {
	p.t.Helper()
	ctx, cancel := p.briefly(1)
	defer cancel()
	_, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled,
		emulation.SetScriptExecutionDisabledParams{Value: !on})
	if err != nil {
		p.t.Fatalf("switch scripts: %v", err)
	}
}

// LoseCookies takes every cookie away from the browser.
func (p *Page) LoseCookies() {
	p.t.Helper()
	ctx, cancel := p.briefly(1)
	defer cancel()
	if _, err := chromedp.Call(ctx, storage.ClearCookies, storage.ClearCookiesParams{}); err != nil {
		p.t.Fatalf("lose the cookies: %v", err)
	}
}

// Shot writes a picture of the window, or of the whole page, as a PNG file.
func (p *Page) Shot(file string, whole bool) {
	p.t.Helper()
	action := chromedp.CaptureScreenshot()
	if whole {
		action = chromedp.FullScreenshot(100)
	}
	ctx, cancel := p.briefly(1)
	defer cancel()
	data, err := chromedp.Run(ctx, action)
	if err == nil {
		err = os.MkdirAll(filepath.Dir(file), 0o755)
	}
	if err == nil {
		err = os.WriteFile(file, data, 0o644)
	}
	if err != nil {
		p.t.Fatalf("take a picture: %v", err)
	}
}

func quoted(text string) string { return strconv.Quote(text) }
