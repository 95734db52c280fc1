package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"time"

	"provoke/internal/faces/demo"
	"provoke/internal/faces/web"
	"provoke/internal/job/archive"
	"provoke/internal/run/engine"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

type serveCommand struct {
	Job       string `arg:"" optional:"" help:"Job file; made when something is first written to it. Without it, the newest job in the folder." type:"path"`
	Dir       string `help:"Folder of the bench and plan files; that of the job otherwise." type:"path"`
	Listen    string `default:"127.0.0.1:0" placeholder:"HOST:PORT" help:"Where to listen; port 0 takes a free one (${default})."`
	Beyond    bool   `name:"beyond-this-computer" help:"Allow an address that other computers reach. Needs --cert, --key and --token-file."`
	Cert      string `placeholder:"FILE" help:"Certificate for TLS." type:"path"`
	Key       string `placeholder:"FILE" help:"Its key." type:"path"`
	TokenFile string `placeholder:"FILE" help:"File with a standing token of at least 20 characters that lets a browser in." type:"path"`
	Archive   string `env:"PROVOKE_ARCHIVE" placeholder:"FOLDER|postgres://…" help:"An archive that the page may ask over all jobs."`
	simulate  func() (web.Simulated, error)
	show      func(address string) error // opens a browser; nil for none
	Host      []string                   `placeholder:"NAME:PORT" help:"A further name under which the page may be asked for. May be repeated."`
}

// Help says what is to know.
func (c *serveCommand) Help() string {
	return `Prints an address that lets one browser in, once; Enter prints a further one, also when a browser has lost its way
back in. Everything that the page needs is in the program. RF comes on only after an arming step on the page, and goes off with the button "RF off" or Esc.
Ctrl-C ends a run safely, then the page; twice switches RF off now.`
}

func (c *serveCommand) Run(w *terminal.World) error {
	if err := c.settle(); err != nil {
		return err
	}
	d := session.NewDesk(w, c.Dir, c.Job)
	var sim demo.Trial
	defer sim.Close()
	c.simulate = sim.Start
	return c.serve(w, d, nil)
}

// settle finds job and folder.
func (c *serveCommand) settle() error {
	if c.Dir == "" {
		c.Dir = "."
		if c.Job != "" {
			c.Dir = filepath.Dir(c.Job)
		}
	}
	if info, err := os.Stat(c.Dir); err != nil || !info.IsDir() {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("%s is not a folder", c.Dir))
	}
	if c.Job != "" {
		if filepath.Ext(c.Job) != ".provoke" {
			return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("%s does not end in .provoke", c.Job))
		}
		return nil
	}
	jobs, err := filepath.Glob(filepath.Join(c.Dir, "*.provoke"))
	if err == nil && len(jobs) == 0 { // one that was begun on the page and had no run
		jobs, err = filepath.Glob(filepath.Join(c.Dir, "*.about.yaml"))
	}
	if err != nil || len(jobs) == 0 {
		c.Job = filepath.Join(c.Dir, "job.provoke")
		return err
	}
	changed := func(name string) time.Time {
		info, err := os.Stat(name)
		if err != nil {
			return time.Time{}
		}
		return info.ModTime()
	}
	sort.Slice(jobs, func(i, j int) bool { return changed(jobs[i]).After(changed(jobs[j])) })
	c.Job = strings.TrimSuffix(jobs[0], ".about.yaml")
	if filepath.Ext(c.Job) != ".provoke" {
		c.Job += ".provoke"
	}
	return nil
}

// serve listens until it is interrupted and no run is being done any more.
func (c *serveCommand) serve(w *terminal.World, d *session.Desk, hands []web.Hand) error {
	token, err := c.allowed()
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return fmt.Errorf("listen for the page: %w", err)
	}
	defer l.Close()
	cfg := web.Config{Runner: page{d}, JobFile: c.Job, Dir: c.Dir, Hosts: c.hosts(l), Token: token, TLS: c.Cert != "",
		Beyond: !c.loopback(), Program: version,
		Connections: fileLimit() / 2, Hands: hands, Simulate: c.simulate, Now: w.Now,
		Log: slog.New(slog.NewTextHandler(w.Stderr, nil))}
	if c.Archive != "" {
		cfg.Archive = web.Archive{At: archive.Shown(c.Archive), Open: func(ctx context.Context) (*archive.Archive,
			error) {
			return archive.Open(ctx, c.Archive, version, false)
		}}
	}
	pages, err := web.New(cfg)
	if err != nil {
		return err
	}
	defer pages.Close()
	ctx, cancel := context.WithCancel(w.Ctx)
	defer cancel()
	scheme := "http"
	if cfg.TLS {
		scheme = "https"
	}
	address := func() string {
		a := fmt.Sprintf("%s://%s%s", scheme, cfg.Hosts[0], pages.Entrance())
		fmt.Fprintln(w.Stdout, a)
		return a
	}
	first := address()
	if c.show != nil {
		if err := c.show(first); err != nil {
			fmt.Fprintf(w.Stderr, "provoke: the browser could not be opened: %v\n", err)
		}
	}
	fmt.Fprintln(w.Stdout, "Open this address; it lets one browser in. Enter prints another one; Ctrl-C ends.")
	ignoreTerminalStop()
	go func() {
		for {
			if _, ok := w.Line(ctx); !ok {
				return
			}
			address()
		}
	}()
	failed := make(chan error, 1)
	go func() { failed <- pages.Serve(ctx, l, c.Cert, c.Key) }()
	return untilTheEnd(w, d, failed)
}

// untilTheEnd waits for an interrupt and for the end of a run that is being done then: the program
// never leaves a bench with RF on.
func untilTheEnd(w *terminal.World, d *session.Desk, failed <-chan error) error {
	var err error
	select {
	case <-w.Ctx.Done():
	case err = <-failed:
		err = fmt.Errorf("serve the page: %w", err)
	case <-w.Signals:
	}
	done := d.Finished()
	select {
	case <-done:
		return err
	default:
	}
	fmt.Fprintln(w.Stderr, "ending the run safely; once more to switch RF off now")
	d.Tell(engine.Command{Want: engine.Finish})
	for {
		select {
		case <-done:
			return err
		case <-w.Signals:
			d.Tell(engine.Command{Want: engine.Abort})
		}
	}
}

// allowed refuses to be reached from elsewhere without flag, TLS and token. It returns the token.
func (c *serveCommand) allowed() (string, error) {
	token := ""
	if c.TokenFile != "" {
		data, err := terminal.ReadText(c.TokenFile)
		if err != nil {
			return "", fmt.Errorf("read the token: %w", err)
		}
		if token = strings.TrimSpace(string(data)); len(token) < 20 {
			return "", terminal.WithCode(terminal.ExitUsage, fmt.Errorf("the token in %s has %d characters; at "+
				"least 20 are needed", c.TokenFile, len(token)))
		}
	}
	if (c.Cert == "") != (c.Key == "") {
		return "", terminal.WithCode(terminal.ExitUsage, errors.New("--cert and --key belong together"))
	}
	if _, _, err := net.SplitHostPort(c.Listen); err != nil {
		return "", terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--listen %s: %w", c.Listen, err))
	}
	if c.loopback() {
		return token, nil
	}
	if !c.Beyond || c.Cert == "" || token == "" {
		return "", terminal.WithCode(terminal.ExitUsage, fmt.Errorf("%s is reached from other computers, and this "+
			"page can switch RF power: that needs --beyond-this-computer, --cert, --key and --token-file", c.Listen))
	}
	return token, nil
}

// loopback reports that only this computer reaches the page.
func (c *serveCommand) loopback() bool {
	host, _, _ := net.SplitHostPort(c.Listen)
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// hosts are the names under which the page may be asked for; the first is printed.
func (c *serveCommand) hosts(l net.Listener) []string {
	addr := l.Addr().(*net.TCPAddr)
	port := fmt.Sprint(addr.Port)
	host, _, _ := net.SplitHostPort(c.Listen)
	var out []string
	if ip := net.ParseIP(host); host != "localhost" && ip != nil && !ip.IsUnspecified() {
		out = append(out, net.JoinHostPort(host, port))
	}
	out = append(out, c.Host...)
	return append(out, "127.0.0.1:"+port, "localhost:"+port, "[::1]:"+port)
}
