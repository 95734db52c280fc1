package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/scpi/discovery"
	"provoke/internal/terminal"
)

// spaces are two network namespaces with a cable between them: instruments in one, this program in
// the other.
type spaces struct {
	instruments, here string
	near, far         string // the ends of the cable
	address           string // of the instruments
}

// skipOutside skips a test whose outside needs are not met; where CI is set that fails.
func skipOutside(t *testing.T, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("outside check needs "+format, args...)
	}
	t.Skipf("outside check skipped: "+format, args...)
}

func newSpaces(t *testing.T) spaces {
	t.Helper()
	if _, err := exec.LookPath("ip"); err != nil {
		skipOutside(t, "network namespaces: %v", err)
	}
	id := os.Getpid() % 100000
	s := spaces{instruments: fmt.Sprintf("provoke-a%d", id), here: fmt.Sprintf("provoke-b%d", id),
		near: fmt.Sprintf("pva%d", id), far: fmt.Sprintf("pvb%d", id), address: "10.77.0.1"}
	t.Cleanup(func() {
		exec.Command("ip", "netns", "del", s.instruments).Run()
		exec.Command("ip", "netns", "del", s.here).Run()
	})
	for _, line := range []string{
		"netns add " + s.instruments, "netns add " + s.here,
		"link add " + s.near + " type veth peer name " + s.far,
		"link set " + s.near + " netns " + s.instruments, "link set " + s.far + " netns " + s.here,
		"-n " + s.instruments + " addr add " + s.address + "/24 brd + dev " + s.near,
		"-n " + s.here + " addr add 10.77.0.2/24 brd + dev " + s.far,
		"-n " + s.instruments + " link set lo up", "-n " + s.here + " link set lo up",
		"-n " + s.instruments + " link set " + s.near + " up", "-n " + s.here + " link set " + s.far + " up",
		"-n " + s.instruments + " route add 224.0.0.0/4 dev " + s.near, "-n " + s.here + " route add 224.0.0.0/4 dev " +
			s.far,
	} {
		if out, err := exec.Command("ip", strings.Fields(line)...).CombinedOutput(); err != nil {
			skipOutside(t, "network namespaces: ip %s: %v: %s", line, err, out)
		}
	}
	return s
}

func in(space string, command ...string) *exec.Cmd {
	return exec.Command("ip", append([]string{"netns", "exec", space}, command...)...)
}

// background starts a command and waits until it has said something.
func background(t *testing.T, c *exec.Cmd, ready string) {
	t.Helper()
	stdin, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	c.Stderr = c.Stdout
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		stdin.Close()
		c.Process.Signal(os.Interrupt)
		c.Wait()
	})
	said := make(chan string, 1)
	go func() {
		var text strings.Builder
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			text.WriteString(lines.Text() + "\n")
			if strings.Contains(lines.Text(), ready) {
				break
			}
		}
		said <- text.String()
		io.Copy(io.Discard, out)
	}()
	select {
	case text := <-said:
		if !strings.Contains(text, ready) {
			t.Fatalf("%s said %s", c.Args, text)
		}
	case <-time.After(20 * time.Second):
		t.Fatalf("%s is not ready", c.Args)
	}
}

const announce = `
import socket, sys
from zeroconf import ServiceInfo, Zeroconf
z = Zeroconf(interfaces=[sys.argv[1]])
for kind, port in (('_hislip._tcp.local.', 5033), ('_scpi-raw._tcp.local.', 5027), ('_lxi._tcp.local.', 80)):
    z.register_service(ServiceInfo(kind, 'Simulated generator.' + kind, addresses=[socket.inet_aton(sys.argv[1])], port=port,
        properties={'txtvers': '1', 'Manufacturer': 'nobody'}, server='simulated.local.'))
print('announced', flush=True)
sys.stdin.read()
z.close()
`

func TestOutsideFindSeesAnnouncedAndBroadcastInstrumentsInANamespace(t *testing.T) {
	t.Parallel()
	python := "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import zeroconf").Run(); err != nil {
		skipOutside(t, "python3-zeroconf: %v", err)
	}
	s := newSpaces(t)
	binary := filepath.Join(t.TempDir(), "provoke")
	this, err := os.Executable()
	if err == nil {
		err = os.Symlink(this, binary) // by that name it is the program, says TestMain
	}
	if err != nil {
		t.Fatal(err)
	}
	background(t, in(s.instruments, binary, "simulate", "--listen", "0.0.0.0:5025", "--transport", "raw,vxi11,hislip"),
		"the port mapper listens on port 111")
	background(t, in(s.instruments, python, "-c", announce, s.address), "announced")

	var out, errs bytes.Buffer
	find := in(s.here, binary, "find", "--json", "--interface", s.far, "--wait", "2s")
	find.Stdout, find.Stderr = &out, &errs
	if err := find.Run(); err != nil {
		t.Fatalf("%v: %s", err, errs.String())
	}
	var got struct{ Found []discovery.FoundJSON }
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatalf("%v: %s", err, out.String())
	}
	for address, c := range map[string]struct{ identity, how string }{
		"TCPIP::10.77.0.1::inst0::INSTR": {"provoke simulated bench,function generator,S1,1",
			"mDNS,VXI-11 broadcast"},
		"TCPIP::10.77.0.1::hislip0,5033::INSTR": {"provoke simulated bench,function generator,S1,1", "mDNS"},
		"TCPIP::10.77.0.1::5027::SOCKET":        {"provoke simulated bench,analyser,S1,1", "mDNS"},
	} {
		ok := false
		for _, f := range got.Found {
			if f.Address != address {
				continue
			}
			ok = f.Identity == c.identity && f.Error == ""
			for _, h := range strings.Split(c.how, ",") {
				ok = ok && strings.Contains(fmt.Sprint(f.How), h)
			}
		}
		if !ok {
			t.Errorf("%s was not found as %+v in\n%s%s", address, c, out.String(), errs.String())
		}
	}

	t.Run("and says plainly that there is no network", func(t *testing.T) {
		exec.Command("ip", "-n", s.here, "link", "set", s.far, "down").Run()
		out, err := in(s.here, binary, "find", "--wait", "500ms").CombinedOutput()
		if err != nil || !strings.Contains(string(out), "no network: no interface is up") {
			t.Errorf("%v: %s", err, out)
		}
	})
}

func TestFindNamesAnInterfaceThatIsNotThere(t *testing.T) {
	var out, errs bytes.Buffer
	w := &terminal.World{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: &out, Stderr: &errs, Now: time.Now}
	run(w, []string{"find", "--interface", "nowhere0", "--silent"})
	if !strings.Contains(errs.String(), "no network: there is no interface nowhere0") {
		t.Errorf("said %s", errs.String())
	}
}
