package archive

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// engine is a database as the archive uses it: text in, text out, and parameters written as "?".
type engine interface {
	// begin opens a transaction; one that writes is alone from its beginning on, or waits in order where the engine
	// lets several write.
	begin(ctx context.Context, writes bool) (tx, error)
	// words names the engine's own words in statements: see dialect.
	words() dialect
	close() error
}

// tx is a transaction. What it read is a string for every type: a number as the engine writes it, bytes as they are.
type tx interface {
	exec(ctx context.Context, text string, args ...any) (int64, error)
	// rows calls take with every row; the texts are good until it returns.
	rows(ctx context.Context, text string, take func(fields [][]byte) error, args ...any) error
	// load puts rows into a table: the fastest way that the engine has. next returns nil at the end.
	load(ctx context.Context, table string, columns []string, next func() ([]any, error)) error
	commit(ctx context.Context) error
	rollback()
}

// dialect are the words in which the engines differ.
type dialect struct {
	id, integer, real, bytes string // types
	strict                   string // behind a table
	// search are the statements that make the text of runs searchable, one at a time.
	search []string
	// match is the condition on run_facts.run under which its text matches, with one parameter, and query writes that.
	match string
	query func(terms []term) string
	// lock is the statement under which migrations and jobs wait for one another; "" where a transaction that writes is
	// alone anyway.
	lock string
	// tables counts the table of migrations, and begin comes before the first of them.
	tables, begin string
}

// one reads the single row that a statement gives; ok is false for none.
func one(ctx context.Context, t tx, text string, args ...any) (out []string, ok bool, err error) {
	err = t.rows(ctx, text, func(fields [][]byte) error {
		if ok {
			return errors.New("two rows where one was asked for")
		}
		out, ok = texts(fields), true
		return nil
	}, args...)
	return out, ok, err
}

func texts(fields [][]byte) []string {
	out := make([]string, len(fields))
	for i, f := range fields {
		out[i] = string(f)
	}
	return out
}

func number(s string) int64 { n, _ := strconv.ParseInt(s, 10, 64); return n }

// numbered writes the parameters "?" of a statement as $1, $2 and so on.
func numbered(text string) string {
	var out strings.Builder
	n := 0
	for _, c := range text {
		if c == '?' {
			n++
			fmt.Fprintf(&out, "$%d", n)
			continue
		}
		out.WriteRune(c)
	}
	return out.String()
}

// term is a word or a phrase that is looked for, or that must not be there.
type term struct {
	words []string
	not   bool
}

// terms parts what a person typed: words, "phrases in quotes", and -words that must not be there. Every sign that is
// neither letter nor digit parts words, so that nothing of it is read as a language of the engine.
func terms(typed string) (out []term) {
	quoted := false
	for i, part := range strings.Split(typed, `"`) {
		if quoted = i%2 == 1; quoted {
			if w := wordsOf(part); len(w) > 0 {
				out = append(out, term{words: w})
			}
			continue
		}
		for _, field := range strings.Fields(part) {
			if w := wordsOf(field); len(w) > 0 {
				out = append(out, term{w, strings.HasPrefix(field, "-") && len(field) > 1})
			}
		}
	}
	return out
}
