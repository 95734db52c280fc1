package terminal_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"

	"provoke/internal/terminal"
)

// glass is a terminal as far as it is used: it wraps, goes back and up, erases, and knows that characters from
// U+1100 on take two columns.
type glass struct {
	mu       sync.Mutex
	columns  int
	rows     [][]rune // from the first that was ever written; the cursor never goes above the top of the window
	row, col int
	height   int
	writes   []time.Time
	rings    int
	wrong    error
}

func (g *glass) Columns() int   { return g.columns }
func (g *glass) Terminal() bool { return true }

func (g *glass) Write(p []byte) (int, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.writes = append(g.writes, time.Now())
	for text := p; len(text) > 0; {
		r, n := utf8.DecodeRune(text)
		if r == '\x1b' {
			end := bytes.IndexAny(text, "AKJ")
			up := 0
			if end > 2 && text[end] == 'A' {
				up, _ = strconv.Atoi(string(text[2:end]))
			}
			if end < 2 || text[1] != '[' || text[end] == 'A' && up < 1 || up > g.row-max(0, len(g.rows)-g.height) {
				g.wrong = errors.Join(g.wrong, fmt.Errorf("from row %d: %q", g.row, text))
				return len(p), nil
			}
			g.row -= up
			if g.line(); text[end] != 'A' && g.col < len(g.rows[g.row]) {
				g.rows[g.row] = g.rows[g.row][:g.col]
			}
			if text[end] == 'J' {
				for row := g.row + 1; row < len(g.rows); row++ {
					g.rows[row] = nil
				}
			}
			text = text[end+1:]
			continue
		}
		g.put(r)
		text = text[n:]
	}
	return len(p), nil
}

func (g *glass) put(r rune) {
	switch r {
	case '\r':
		g.col = 0
	case '\n':
		g.row, g.col = g.row+1, 0 // ONLCR
	case '\a':
		g.rings++
	default:
		wide := 1
		if r >= 0x1100 && r != '…' {
			wide = 2
		}
		if g.col+wide > g.columns {
			g.row, g.col = g.row+1, 0
			g.wrong = errors.Join(g.wrong, fmt.Errorf("a line wraps at %q", r))
		}
		g.line()
		for len(g.rows[g.row]) < g.col+wide {
			g.rows[g.row] = append(g.rows[g.row], ' ')
		}
		g.rows[g.row][g.col] = r
		if wide == 2 {
			g.rows[g.row][g.col+1] = 0
		}
		g.col += wide
	}
	g.line()
}

func (g *glass) line() {
	for len(g.rows) <= g.row {
		g.rows = append(g.rows, nil)
	}
}

// seen is what stands there, without spaces at the end of lines and without empty lines at the end.
func (g *glass) seen() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	var out []string
	for _, row := range g.rows {
		out = append(out, strings.TrimRight(strings.ReplaceAll(string(row), "\x00", ""), " "))
	}
	return strings.TrimRight(strings.Join(out, "\n"), "\n")
}

// at returns a world whose stderr and stdout are the glass.
func (g *glass) world() *terminal.World {
	if g.height == 0 {
		g.height = 24
	}
	return &terminal.World{Terminal: true, Stderr: &terminal.Writer{To: g}, Stdout: &terminal.Writer{To: g}}
}

func (g *glass) holds(t interface {
	Helper()
	Errorf(string, ...any)
}, want string) {
	t.Helper()
	if got := g.seen(); got != want || g.wrong != nil {
		t.Errorf("on the terminal stands\n%s\nwant\n%s\n%v", got, want, g.wrong)
	}
}

func TestABlockIsOverwrittenInPlaceAndLinesGoByAboveIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &glass{columns: 40}
		w := g.world()
		b := terminal.NewBlock(w, 0)
		b.Show("level  31.5 mA", "frequency 4.2 MHz", "RF ON")
		g.holds(t, "level  31.5 mA\nfrequency 4.2 MHz\nRF ON")
		fmt.Fprintln(w.Stderr, "upset at 4.2 MHz")
		fmt.Fprintln(w.Stdout, "and on stdout")
		time.Sleep(200 * time.Millisecond)
		g.holds(t, "upset at 4.2 MHz\nand on stdout\nlevel  31.5 mA\nfrequency 4.2 MHz\nRF ON")
		b.Show("level  3 mA", "", "RF off, hands in \r\x1b[A\nx")
		time.Sleep(200 * time.Millisecond)
		g.holds(t, "upset at 4.2 MHz\nand on stdout\nlevel  3 mA\n\n"+`RF off, hands in \u000d\u001b[A x`)
		b.Show("one line")
		time.Sleep(200 * time.Millisecond)
		g.holds(t, "upset at 4.2 MHz\nand on stdout\none line")
		io.WriteString(w.Stderr, "no end yet")
		time.Sleep(200 * time.Millisecond)
		g.holds(t, "upset at 4.2 MHz\nand on stdout\nno end yet")
		io.WriteString(w.Stderr, ", and now\n")
		time.Sleep(200 * time.Millisecond)
		g.holds(t, "upset at 4.2 MHz\nand on stdout\nno end yet, and now\none line")
		io.WriteString(w.Stderr, "asked? ")
		b.Show("goes on")
		time.Sleep(200 * time.Millisecond)
		g.holds(t, "upset at 4.2 MHz\nand on stdout\nno end yet, and now\nasked?\ngoes on")
		b.Close()
		b.Show("too late")
		fmt.Fprintln(w.Stderr, "end")
		time.Sleep(200 * time.Millisecond)
		g.holds(t, "upset at 4.2 MHz\nand on stdout\nno end yet, and now\nasked?\nend")
	})
}

func TestABlockNeverWraps(t *testing.T) {
	for _, c := range []struct {
		columns int
		want    string
	}{
		{80, "Prüfling 機器 4.2 MHz, Zt 12.5 dBΩ\nsecond"},
		{30, "Prüfling 機器 4.2 MHz, Zt 12…\nsecond"}, // 29 columns: the last one stays free
		{12, "Prüfling …\nsecond"},
		{13, "Prüfling 機…\nsecond"},
		{2, "…\n…"},
	} {
		g := &glass{columns: c.columns}
		b := terminal.NewBlock(g.world(), 0)
		b.Show("Prüfling 機器 4.2 MHz, Zt 12.5 dBΩ", "second")
		g.holds(t, c.want)
		b.Close()
		g.holds(t, "")
	}
}

func TestABlockOnATerminalOfUnknownSize(t *testing.T) {
	var out bytes.Buffer
	b := terminal.NewBlock(&terminal.World{Terminal: true, Stderr: &terminal.Writer{To: ofColumns{&out, 0}}}, 0)
	b.Show(strings.Repeat("x", 200))
	if n := strings.Count(out.String(), "x"); n != terminal.PlainColumns-2 { // one for the ellipsis
		t.Errorf("drawn with %d columns", n)
	}
	b.Close()
}

func TestABlockIsDrawnTenTimesASecondAtMostAndEndsAtTheLastFigure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &glass{columns: 40}
		b := terminal.NewBlock(g.world(), 0)
		for i := range 1000 { // one a millisecond
			b.Show("figure", strconv.Itoa(i))
			time.Sleep(time.Millisecond)
		}
		time.Sleep(100 * time.Millisecond)
		g.holds(t, "figure\n999")
		if n := len(g.writes); n < 9 || n > 11 {
			t.Errorf("drawn %d times in a second", n)
		}
		b.Close()
	})
}

func TestWhereThereIsNoTerminalTheLinesArePrintedNowAndThen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		w := &terminal.World{Stderr: &terminal.Writer{To: &out}, Stdout: &terminal.Writer{To: &out}}
		b := terminal.NewBlock(w, 10*time.Second)
		never := terminal.NewBlock(w, 0)
		for i := range 250 { // 25 s
			b.Show("", "  level "+strconv.Itoa(i/10), "RF ON")
			never.Show("never")
			time.Sleep(100 * time.Millisecond)
		}
		never.Close()
		b.Close()
		b.Close()
		const want = "level 0  RF ON\nlevel 10  RF ON\nlevel 20  RF ON\nlevel 24  RF ON\n"
		if out.String() != want {
			t.Errorf("printed\n%swant\n%s", out.String(), want)
		}
		out.Reset()
		b = terminal.NewBlock(w, 10*time.Second)
		for range 300 {
			b.Show("nothing new")
			time.Sleep(time.Second)
		}
		b.Close()
		if out.String() != "nothing new\n" {
			t.Errorf("what does not change is printed again: %q", out.String())
		}
	})
}

func TestOnlyATerminalRings(t *testing.T) {
	g := &glass{columns: 80}
	terminal.Alarm(g.world().Stderr)
	if g.rings != 1 {
		t.Errorf("the alarm rang %d times", g.rings)
	}
	var out bytes.Buffer
	terminal.Ring(&terminal.Writer{To: &out})
	terminal.Ring(&out)
	if out.Len() > 0 {
		t.Errorf("a file holds %q", out.String())
	}
}

// Whatever is printed and shown in whatever order: all that was printed stands there line by line, and below it the
// lines that were shown last.
func TestNothingPrintedIsOverwritten(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		synctest.Test(t, func(*testing.T) {
			g := &glass{columns: 30, height: 24}
			w := g.world()
			b := terminal.NewBlock(w, 0)
			var printed, lines []string
			for i := range rapid.IntRange(1, 20).Draw(rt, "steps") {
				switch rapid.IntRange(0, 2).Draw(rt, "what") {
				case 0:
					lines = rapid.SliceOfN(rapid.StringMatching(`[a-c]{1,20}`), 1, 5).Draw(rt, "lines")
					b.Show(lines...)
				case 1:
					line := fmt.Sprintf("printed %d", i)
					printed = append(printed, line)
					fmt.Fprintln([]io.Writer{w.Stdout, w.Stderr}[i%2], line)
				default:
					time.Sleep(time.Duration(rapid.IntRange(1, 150).Draw(rt, "ms")) * time.Millisecond)
				}
			}
			time.Sleep(time.Second)
			if want := strings.Join(append(printed, lines...), "\n"); g.seen() != want || g.wrong != nil {
				rt.Errorf("on the terminal stands\n%s\nwant\n%s\n%v", g.seen(), want, g.wrong)
			}
			b.Close()
			if want := strings.Join(printed, "\n"); g.seen() != want {
				rt.Errorf("afterwards stands\n%s\nwant\n%s", g.seen(), want)
			}
		})
	})
}
