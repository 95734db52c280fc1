package main

import (
	"errors"
	"io"
	"net/http"
	"net/http/cookiejar"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/terminal"
)

// atDesktop starts the program without a word, as by a double click, on a desktop of the test's own.
func atDesktop(t *testing.T, d desktop) (said *safeBuffer, keys io.Writer, interrupt chan os.Signal, ended chan int) {
	t.Helper()
	was := thisDesktop
	thisDesktop = d
	t.Cleanup(func() { thisDesktop = was })
	in, keys := io.Pipe()
	said, interrupt, ended = &safeBuffer{}, make(chan os.Signal, 1), make(chan int, 1)
	go func() {
		ended <- run(&terminal.World{Ctx: t.Context(), Stdin: in, Stdout: said, Stderr: said, Now: time.Now,
			Signals: interrupt}, nil)
	}()
	return said, keys, interrupt, ended
}

func waitFor(t *testing.T, said *safeBuffer, text string) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); !strings.Contains(said.String(), text); {
		if time.Sleep(10 * time.Millisecond); time.Now().After(end) {
			t.Fatalf("%q is not said:\n%s", text, said)
		}
	}
}

func TestADoubleClickOpensThePage(t *testing.T) {
	documents, shown := t.TempDir(), make(chan string, 1)
	said, _, interrupt, ended := atDesktop(t, desktop{
		alone:     func() bool { return true },
		documents: func() (string, error) { return documents, nil },
		show:      func(address string) error { shown <- address; return nil },
	})
	var address string
	select {
	case address = <-shown:
	case <-time.After(10 * time.Second):
		t.Fatalf("no page is shown:\n%s", said)
	}
	jar, _ := cookiejar.New(nil)
	answer, err := (&http.Client{Jar: jar}).Get(address)
	if err != nil {
		t.Fatal(err)
	}
	page, _ := io.ReadAll(answer.Body)
	answer.Body.Close()
	if answer.StatusCode != http.StatusOK || !strings.Contains(string(page), "This browser is let in") {
		t.Errorf("%s: %s\n%s", address, answer.Status, page)
	}
	waitFor(t, said, filepath.Join(documents, "provoke"))
	interrupt <- os.Interrupt
	if code := <-ended; code != terminal.ExitDone {
		t.Errorf("exit code %d\n%s", code, said)
	}
	if info, err := os.Stat(filepath.Join(documents, "provoke")); err != nil || !info.IsDir() {
		t.Errorf("the folder: %v", err)
	}
}

// The window ends with the program: what went wrong stands there until a key is pressed.
func TestAnErrorAfterADoubleClickWaitsForAKey(t *testing.T) {
	said, keys, _, ended := atDesktop(t, desktop{
		alone:     func() bool { return true },
		documents: func() (string, error) { return "", errors.New("no folder of documents") },
	})
	waitFor(t, said, "no folder of documents\nPress Enter to close this window.")
	select {
	case <-ended:
		t.Fatal("it ended before a key was pressed")
	case <-time.After(200 * time.Millisecond):
	}
	io.WriteString(keys, "\r\n")
	if code := <-ended; code != terminal.ExitError {
		t.Errorf("exit code %d", code)
	}
}

func TestABrowserThatDoesNotOpenIsToldBesideTheAddress(t *testing.T) {
	documents := t.TempDir()
	said, _, interrupt, ended := atDesktop(t, desktop{
		alone:     func() bool { return true },
		documents: func() (string, error) { return documents, nil },
		show:      func(string) error { return errors.New("no browser") },
	})
	waitFor(t, said, "Open this address")
	if text := said.String(); !strings.Contains(text, "http://127.0.0.1:") || !strings.Contains(text, "no browser") {
		t.Error(text)
	}
	interrupt <- os.Interrupt
	<-ended
}

// With a word, and at a prompt, nothing opens.
func TestNothingOpensAtAPrompt(t *testing.T) {
	said, _, _, ended := atDesktop(t, desktop{alone: func() bool { return false }})
	if code := <-ended; code != terminal.ExitUsage || !strings.Contains(said.String(), "Where to begin") {
		t.Errorf("%d %s", code, said)
	}
	thisDesktop.alone = func() bool { t.Error("asked, though a command was typed"); return true }
	says(t, terminal.ExitDone, []string{"version"}, "provoke ")
}
