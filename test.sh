#!/usr/bin/env bash
# The whole test command: installs what the outside checks need (Debian, as root), then builds for every
# platform, vets, and runs every test. Skipped outside checks are counted; with CI=true a skip fails.
#   ./test.sh          all of it
#   ./test.sh --quick  under a minute, installs nothing: what the change concerns (go run ./internal/tools/quick -h)
#   ./test.sh -long    all of it, the race detector, and the program built twice from nothing
set -u
cd "$(dirname "$0")"

command -v go >/dev/null || { echo "test.sh: Go is not on the PATH; install Go $(awk '/^go /{print $2}' go.mod) or newer"; exit 1; }

if [ "${1:-}" = --quick ]; then shift; exec go run ./internal/tools/quick "$@"; fi

need="python3-scikit-rf python3-pyvisa python3-pyvisa-py python3-scipy ngspice lxi-tools socat poppler-utils qpdf chromium mbpoll mosquitto mosquitto-clients tshark wireshark-common iproute2 linux-libc-dev postgresql python3-zeroconf groff-base zsh fish fonts-dejavu-core fonts-liberation"
if command -v apt-get >/dev/null && [ "$(id -u)" = 0 ]; then
  command -v npm >/dev/null || need="$need npm" # for axe-core, on the web page
  missing=""
  for p in $need; do dpkg -s "$p" >/dev/null 2>&1 || missing="$missing $p"; done
  if [ -n "$missing" ]; then
    echo "installing for the outside checks:$missing"
    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null ||
      echo "test.sh: could not install$missing; the outside checks that need them are skipped (or fail, with CI=true)"
  fi
else
  echo "not root on Debian: outside checks run only with what is installed ($need)"
fi

long=""
if [ "${1:-}" = -long ]; then long=yes; shift; fi # also what takes longer than a test command may: the race detector

status=0
step() { # words, command...
  local words="$1"; shift
  local begun=$SECONDS
  if out=$("$@" 2>&1); then echo "ok    $words ($((SECONDS - begun)) s)"; else echo "FAIL  $words"; echo "$out"; status=1; fi
}

formatted() { local f; f=$(gofmt -l cmd internal); [ -z "$f" ] || { echo "not gofmt-ed: $f"; return 1; }; }
cross() { CGO_ENABLED=0 GOOS="$1" GOARCH="$2" go build -trimpath -o /dev/null ./cmd/provoke; }

step "gofmt" formatted
step "go vet" go vet ./...
step "build without cgo, linux/amd64" cross linux amd64
step "build without cgo, windows/amd64" cross windows amd64
step "build without cgo, darwin/arm64" cross darwin arm64
step "build without cgo, linux/arm64" cross linux arm64

# Changes of guard that its tests have to notice: as many as fit into 40 seconds (docs/architecture.md).
if out=$(go run ./internal/tools/mutate -within 40s -n 130 -least 85 -results "" guard 2>&1); then
  echo "figure: $(echo "$out" | tail -1)"
else
  echo "FAIL  tests of guard notice too few changes of it"; echo "$out"; status=1
fi

if [ -n "$long" ]; then
  step "race detector over guard, engine, watcher, store, archive and web" go test -race -count=1 -p 1 -timeout 20m -skip TestNoPageHasAnAccessibilityViolation ./internal/{bench/guard,run/engine,run/watcher,job/store,job/archive,faces/web}
  step "two builds, the second from nothing, are the same" env PROVOKE_COLD=1 go test -count=1 -run TestTwoBuildsAreTheSame ./internal/tools/release
fi

# failed prints what each test that failed had said: with -v its words stand before its verdict, among other tests'.
failed() {
  awk '
    /^=== (RUN|PAUSE|CONT|NAME)/ { name = $3; next }
    /^ *--- (PASS|SKIP)/ { delete words[$3]; next }
    /^ *--- FAIL/ { printf "%s%s\n", words[$3], $0; delete words[$3]; next }
    /^(panic:|fatal error:)|\[build failed\]|DATA RACE/ { rest = 60 }
    rest > 0 { print; rest--; next }
    /: figure: / { next }
    name != "" && n[name]++ < 80 { words[name] = words[name] $0 "\n" }' "$1"
}
# Most tests of cmd/provoke, the page and the watcher wait for a bench or a browser: three of a package at a time, also
# where there are fewer cores.
cores=$(getconf _NPROCESSORS_ONLN 2>/dev/null || echo 4)
log=$(mktemp)
trap 'rm -f "$log"' EXIT
# The program for Windows first, by itself: wine keeps no deadline on a machine that does other things besides.
go test -count=1 -v -timeout 5m "$@" ./internal/tools/onwindows >"$log" 2>&1 || status=1
go test -count=1 -v -timeout 20m -parallel $((cores < 3 ? 3 : cores)) "$@" $(go list ./... | grep -v /onwindows) >>"$log" 2>&1 || status=1
grep -E '^(ok|FAIL|panic:)' "$log"
if [ $status != 0 ]; then
  echo "--- what failed:"
  failed "$log" | head -400
fi
grep -hE '^\s+\S+_test\.go:[0-9]+: figure: ' "$log" | sed 's/^ *[^:]*:[0-9]*: //' | sort -u
skipped=$(grep -c 'outside check skipped' "$log" || true)
echo "outside checks skipped: $skipped"
grep -E 'outside check skipped' "$log" | sort | uniq -c
if [ "${CI:-}" = true ] && [ "$skipped" != 0 ]; then echo "FAIL  a skipped outside check is a failure in CI"; status=1; fi
if [ $status != 0 ]; then # once more, short, at the end: a log that is cut keeps its end
  echo "--- in short:"
  grep -hE '^\s*--- FAIL|^panic:|\[build failed\]|DATA RACE' "$log" | sort | uniq -c
  grep -A12 -h 'running tests:' "$log" | grep -E '^\s+Test' | sed 's/^/was running when the time was up:/'
  failed "$log" | grep -E '_test\.go:[0-9]+: ' | cut -c1-400 | head -40
fi
exit $status
