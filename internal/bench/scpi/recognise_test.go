package scpi_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/scpi"
)

// After the first connection somebody else may answer: then nothing is set. One that does not answer is
// taken for the one that it was, and is told what it was to be told.
func TestANewConnectionIsRecognisedBeforeAnythingIsSet(t *testing.T) {
	for _, c := range []struct {
		what, second string // what it answers to *IDN? on the second connection; "" for nothing
		refused      bool
	}{
		{"the same", "maker,model,1,1", false},
		{"another", "maker,model,2,1", true},
		{"no answer", "", false},
	} {
		t.Run(c.what, func(t *testing.T) {
			heard := make(chan string, 64)
			dialled := 0
			dial := scpi.Streams(func(context.Context) (io.ReadWriteCloser, error) {
				dialled++
				answer := "maker,model,1,1"
				if dialled > 1 {
					answer = c.second
				}
				ours, theirs := net.Pipe()
				go func() {
					for lines := bufio.NewScanner(theirs); lines.Scan(); {
						text := lines.Text()
						if text == "BYE" {
							theirs.Close()
							return
						}
						heard <- text
						switch {
						case strings.Contains(text, "*IDN?") && answer != "":
							fmt.Fprintln(theirs, answer)
						case text == "OUTP?":
							fmt.Fprintln(theirs, "0")
						}
					}
				}()
				return ours, nil
			})
			conn := scpi.New(scpi.Options{Dial: dial, Timeout: time.Second, Identify: "*IDN?",
				Recognise: func(identity string) error {
					if identity != "maker,model,1,1" {
						return scpi.ErrAnother
					}
					return nil
				}})
			defer conn.Close()
			if _, err := conn.Query(t.Context(), "*IDN?"); err != nil {
				t.Fatal(err)
			}
			conn.Write(t.Context(), "BYE")
			time.Sleep(20 * time.Millisecond)
			for len(heard) > 0 {
				<-heard
			}
			// As silencing asks: in half of the second that the instrument is given.
			ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
			defer cancel()
			_, err := conn.Query(ctx, "OUTP?")
			if errors.Is(err, scpi.ErrAnother) != c.refused || !c.refused && err != nil {
				t.Errorf("%v", err)
			}
			var all []string
			for len(heard) > 0 {
				all = append(all, <-heard)
			}
			if text := strings.Join(all, " "); strings.Contains(text, "OUTP?") == c.refused || c.refused &&
				text != "*IDN?" {
				t.Errorf("it was told %s", text)
			}
		})
	}
}
