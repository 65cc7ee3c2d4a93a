#!/bin/sh
# Everything a change must pass: format, lint, types, tests. Makes its own virtual environment in .venv.
set -eu
cd "$(dirname "$0")/.."
began=$(date +%s)
python3 -m venv .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check --editable '.[test]'
.venv/bin/ruff format --check --quiet . || { echo "not formatted: run .venv/bin/ruff format"; exit 1; }
.venv/bin/ruff check --quiet .
.venv/bin/mypy
# The core on its own first: every branch of it is run by its own tests, and not only by a random example.
core=$(find tests/core -name 'test_*.py' ! -name test_invariants.py)
.venv/bin/python -m pytest $core --hypothesis-seed=0 --cov --cov-config=tests/core/coverage.ini
.venv/bin/python -m pytest $(printf -- '--ignore=%s ' $core) "$@"
echo "all of it took $(($(date +%s) - began)) s"
