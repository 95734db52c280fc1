package document

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"provoke/internal/files/problem"
)

func opened(t *testing.T, size int64) *os.File {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "bench.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Truncate(size); err != nil {
		t.Skipf("no sparse files here: %v", err)
	}
	return f
}

func TestAFileIsReadUpToItsBoundAndNoFurther(t *testing.T) {
	if data, err := ReadFile(opened(t, MaximumSize), "bench.yaml", MaximumSize); err != nil ||
		len(data) != MaximumSize {
		t.Errorf("%d bytes, %v", len(data), err)
	}
	for _, size := range []int64{MaximumSize + 1, 2 << 30} {
		data, err := ReadFile(opened(t, size), "bench.yaml", MaximumSize)
		list, ok := problem.ListOf(err)
		if !ok || data != nil || !strings.HasPrefix(list[0].String(), "bench.yaml: the file has ") {
			t.Errorf("%d bytes: %d read, %v", size, len(data), err)
		}
	}
}

func TestWhatGoesOnWithoutAnEndIsGivenUp(t *testing.T) {
	f, err := os.Open("/dev/zero")
	if err != nil {
		t.Skip("no such device here")
	}
	if _, err := ReadFile(f, "curve.csv", 1<<20); err == nil ||
		!strings.Contains(err.Error(), "goes on beyond 1048576 bytes") {
		t.Errorf("%v", err)
	}
}

func TestReadingAllocatesTheFileOnce(t *testing.T) {
	f := opened(t, 8<<20)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	data, err := ReadFile(f, "x", MaximumTable)
	runtime.ReadMemStats(&after)
	if err != nil || len(data) != 8<<20 {
		t.Fatal(len(data), err)
	}
	if took := after.TotalAlloc - before.TotalAlloc; took > 9<<20 {
		t.Errorf("%d bytes for a file of 8 MiB", took)
	}
}
