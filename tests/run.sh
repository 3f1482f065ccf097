#!/usr/bin/env bash
# Everything that must hold before a change is good: format, lint, types, import contracts, tests with coverage.
# On a bare Debian machine it installs what is missing (.venv here, Chromium and the Inter font by apt).
# Arguments go to pytest: bash tests/run.sh -k conditions
set -euo pipefail
cd "$(dirname "$0")/.."

PYTHON=${PYTHON:-python3}
VENV=${VENV:-.venv}
BIN=$VENV/bin
STAMP=$VENV/installed-for

step() { # name, command…
  local name=$1 begin=$SECONDS
  shift
  echo "== $name"
  "$@"
  echo "-- $name: $((SECONDS - begin)) s"
}

apt_install() {
  if [ "$(id -u)" -ne 0 ] || ! command -v apt-get >/dev/null; then
    echo "tests need these Debian packages: $*. Install them, then run this again: sudo apt-get install $*" >&2
    exit 1
  fi
  apt-get update -qq
  DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" >/dev/null
}

machine() {
  local missing=()
  command -v "$PYTHON" >/dev/null || missing+=(python3)
  [ -x $BIN/python ] || "$PYTHON" -c 'import ensurepip' 2>/dev/null || missing+=(python3-venv)
  command -v chromium >/dev/null || missing+=(chromium)
  [ -e /usr/include/modbus/modbus.h ] && command -v gcc >/dev/null && command -v mbpoll >/dev/null || missing+=(libmodbus-dev gcc libc6-dev mbpoll)
  ls /usr/share/fonts/*/inter/Inter* >/dev/null 2>&1 || fc-list 2>/dev/null | grep -qi '/inter' || missing+=(fonts-inter)
  ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 || missing+=(postgresql)
  if [ ${#missing[@]} -gt 0 ]; then apt_install "${missing[@]}"; fi
}

environment() {
  [ -x $BIN/python ] || "$PYTHON" -m venv $VENV
  local wanted
  wanted=$(cat pyproject.toml .ci/constraints.txt | sha256sum)
  if [ "$(cat $STAMP 2>/dev/null)" != "$wanted" ]; then
    $BIN/python -m pip install --quiet --disable-pip-version-check -c .ci/constraints.txt -e '.[test]'
    echo "$wanted" >$STAMP
  fi
  # a BACnet peer in JavaScript; without npm its tests are skipped and say why
  if command -v npm >/dev/null && [ ! -d tests/interop/javascript/node_modules/node-bacnet ]; then
    npm install --silent --ignore-scripts --no-audit --no-fund --no-package-lock --prefix tests/interop/javascript \
      || echo "npm could not install the JavaScript peer: its tests are skipped" >&2
  fi
}

tests() {
  $BIN/coverage erase
  if [ $# -gt 0 ]; then
    $BIN/coverage run -m pytest -q "$@"
    return
  fi
  # a file stays on one worker: its tests share what they started
  # and a worker that dies ends the run with the name of the test it died in
  local workers=(-n "$(nproc)" --dist loadfile --max-worker-restart 0)
  $BIN/coverage run -m pytest -q "${workers[@]}" tests/unit tests/standards tests/project
  # deadlines of a tenth of a second want a machine with room: these wait far more than they work, so they go by themselves
  $BIN/coverage run -m pytest -q "${workers[@]}" tests/faults tests/interop
  # simulated days and browsers: measuring them costs minutes and tells nothing that the tests above do not
  $BIN/python -m pytest -q "${workers[@]}" tests/simulation tests/browser
}

coverage_figures() {
  $BIN/coverage combine --quiet
  $BIN/coverage report
  $BIN/coverage json --quiet -o - | $BIN/python -c '
import json, sys
total = json.load(sys.stdin)["totals"]
for what, done, of in (("lines", "covered_lines", "num_statements"), ("branches", "covered_branches", "num_branches")):
    print(f"coverage of {what}: {100 * total[done] / total[of]:.1f} % ({total[done]} of {total[of]})")'
}

step "machine" machine
step "environment" environment
step "format" $BIN/ruff format --check --quiet .
step "lint" $BIN/ruff check --quiet .
step "types" $BIN/mypy
step "import contracts" $BIN/lint-imports --no-cache
step "tests" tests "$@"
step "coverage" coverage_figures
echo "all passed in $SECONDS s"
