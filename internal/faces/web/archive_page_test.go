package web_test

import (
	"net/url"
	"strings"
	"testing"
)

// TestTheArchiveIsAskedOnAPage: each question answers or says what it lacks, and what a person typed stays text.
func TestTheArchiveIsAskedOnAPage(t *testing.T) {
	t.Parallel()
	s := serve(t, true)
	for _, c := range []struct{ query, want string }{
		{"", "Questions over the jobs in all jobs"},
		{"question=fixes", "Gains by change"},
		{"question=upsets&cable=RS-485", "Failing bands, the lowest onset first"},
		{"question=runs&product=weigher", "Runs, the newest first"},
		{"question=versions", "by version"},
		{"question=equipment", "Equipment by serial number"},
		{"question=used", "used asks for a serial number"},
		{"question=used&serial=SIM-0001", "Runs that used serial number SIM-0001"},
		{"question=agree&bench=a", "agree compares two benches"},
		{"question=runs&from=twenty", "twenty"},
		{"question=runs&since=yesterday", "a day is written like 2026-03-01"},
		{"question=nonsense", "there is no question"},
		{"question=runs&product=" + url.QueryEscape(`<script>alert(1)</script>'; DROP TABLE runs; --`),
			"Nothing in the archive answers that"},
		{"question=runs&text=" + url.QueryEscape(`" OR "`), "OR"},
	} {
		status, body := s.get(t, "/archive?"+c.query)
		if status != 200 || !strings.Contains(body, c.want) {
			t.Errorf("%s: %d, %q is not there", c.query, status, c.want)
		}
		if strings.Contains(body, "<script>alert") {
			t.Errorf("%s: what was typed is run", c.query)
		}
	}
}
