#!/bin/sh
# Everything a change must pass: format, lint, types, tests. Makes its own virtual environment in .venv.
# The tests run in two streams side by side: the core on its own and what needs a kernel with CAN, and the rest.
set -eu
cd "$(dirname "$0")/.."
began=$(date +%s)
python3 -m venv .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check --editable '.[test]'
.venv/bin/ruff format --check --quiet . || { echo "not formatted: run .venv/bin/ruff format"; exit 1; }
.venv/bin/ruff check --quiet .
# Every branch of the core is run by its own quick tests, and not only by a random example. To watch branches
# takes nearly four times as long as the tests: the slow ones of the core run without.
core=$(find tests/core -name 'test_*.py' ! -name test_invariants.py)
told=$(mktemp)
trap 'rm -f "$told"' EXIT
(
    .venv/bin/mypy
    .venv/bin/python -m pytest $core -m "not slow" --hypothesis-seed=0 --cov --cov-config=tests/core/coverage.ini
    .venv/bin/python -m pytest $core -m slow "$@"
    .venv/bin/python -m pytest tests/vcan "$@"
) >"$told" 2>&1 &
stream=$!
rest=0
.venv/bin/python -m pytest $(printf -- '--ignore=%s ' $core tests/vcan) "$@" || rest=$?
alone=0
wait "$stream" || alone=$?
cat "$told"
echo "all of it took $(($(date +%s) - began)) s"
[ "$rest" -eq 0 ] && [ "$alone" -eq 0 ]
