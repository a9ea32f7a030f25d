#!/usr/bin/env bash
# Make the virtual environment with the newest Python from 3.11 on.
set -euo pipefail
target=$1
for candidate in python3.13 python3.12 python3.11 python3 python; do
  if command -v "$candidate" >/dev/null 2>&1 && "$candidate" -c 'import sys; sys.exit(not ((3, 11) <= sys.version_info[:2] <= (3, 13)))' 2>/dev/null; then
    python=$candidate; break
  fi
done
if [ -z "${python:-}" ]; then
  echo "headstock needs Python 3.11, 3.12 or 3.13 and found none on PATH. Install one, then run this command again." >&2
  exit 1
fi
[ -x "$target/bin/python" ] && "$target/bin/python" -m pip --version >/dev/null 2>&1 && exit 0
echo "== virtual environment with $($python --version)"
if ! "$python" -m venv "$target"; then
  echo "$python cannot make a virtual environment. On Debian: apt-get install python3-venv; then run this command again." >&2
  rm -rf "$target"
  exit 1
fi
