#!/usr/bin/env bash
# Programs that the tests run against: a browser, and two independent DICOM toolkits. Debian names.
set -euo pipefail
declare -A package=([chromium]=chromium [dcm2pnm]=dcmtk [dcmdump]=dcmtk [dciodvfy]=dicom3tools [pdftoppm]=poppler-utils)
missing=()
for program in "${!package[@]}"; do
  command -v "$program" >/dev/null 2>&1 || missing+=("${package[$program]}")
done
[ ${#missing[@]} -eq 0 ] && exit 0
mapfile -t missing < <(printf '%s\n' "${missing[@]}" | sort -u)
if [ "$(id -u)" -ne 0 ] || ! command -v apt-get >/dev/null 2>&1; then
  echo "The tests need: ${missing[*]} (Debian package names). They are missing and can only be installed as root with apt-get." >&2
  echo "Install them, then run this command again." >&2
  exit 1
fi
echo "== installing for the tests: ${missing[*]}"
export DEBIAN_FRONTEND=noninteractive
apt-get update -qq
apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
