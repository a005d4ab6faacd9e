#!/bin/sh
# Pin requirements/*.txt anew from pyproject.toml, with hashes, for Linux, macOS and Windows alike.
# The locks build on each other, so that all of them can be installed side by side.
set -eu
cd "$(dirname "$0")/.."
tools=$(mktemp -d)
trap 'rm -rf "$tools"' EXIT
"${PYTHON:-python3}" -m venv "$tools"
"$tools/bin/pip" install --quiet uv
compile() {
    target=$1
    shift
    "$tools/bin/uv" pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-annotate \
        "$@" pyproject.toml requirements/build.in -o "requirements/$target.txt"
}
compile run
compile page --extra app --extra heic -c requirements/run.txt
compile test --extra app --extra heic --extra postgres --extra synthetic --extra dev -c requirements/page.txt
compile train --extra train -c requirements/test.txt requirements/train.in
