#!/bin/sh
# Everything a change must pass: format, lint, types, tests. Makes its own virtual environment in .venv.
# The tests run in three streams side by side: what needs a kernel with CAN, which mostly waits; the core with
# what takes long; and the rest. The first two are told once the last is over.
set -eu
cd "$(dirname "$0")/.."
began=$(date +%s)
python3 -m venv .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check --editable '.[test]'
.venv/bin/ruff format --check --quiet . || { echo "not formatted: run .venv/bin/ruff format"; exit 1; }
.venv/bin/ruff check --quiet .
told=$(mktemp -d)
trap 'rm -rf "$told"' EXIT
core=$(find tests/core -name 'test_*.py' ! -name test_invariants.py)
try="nice -n 5 .venv/bin/python -m pytest"  # the kernel counts real time: it goes first
long="tests/storm tests/mutation tests/drill tests/sites"

# Every branch of the core is run by its own quick tests, and not only by a random example. To watch branches
# takes nearly four times as long as the tests: the slow ones of the core run without.
(
    .venv/bin/mypy
    $try $core -m "not slow" --hypothesis-seed=0 --cov --cov-config=tests/core/coverage.ini
    $try $core -m slow "$@"
    $try $long "$@"
) >"$told/core" 2>&1 &
watched=$!
.venv/bin/python -m pytest tests/vcan "$@" >"$told/kernel" 2>&1 &
kernel=$!
bad=0
$try $(printf -- '--ignore=%s ' $core $long tests/vcan) "$@" || bad=1
wait "$watched" || bad=1
cat "$told/core"
wait "$kernel" || bad=1
cat "$told/kernel"
echo "all of it took $(($(date +%s) - began)) s"
exit "$bad"
