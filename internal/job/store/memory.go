package store

import (
	"fmt"

	"modernc.org/libc"
	sqlite "modernc.org/sqlite/lib"
)

// SQLite is built without counting its memory, and without that hard_heap_limit is not obeyed
// (https://www.sqlite.org/c3ref/hard_heap_limit64.html). It has to be told before it is first used.
func init() {
	tls := libc.NewTLS()
	defer tls.Close()
	on := libc.NewVaList(int32(1))
	defer libc.Xfree(tls, on)
	if code := sqlite.Xsqlite3_config(tls, sqlite.SQLITE_CONFIG_MEMSTATUS, on); code != sqlite.SQLITE_OK {
		panic(fmt.Sprintf("store: SQLite does not count its memory (code %d)", code))
	}
}
