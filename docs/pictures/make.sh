#!/usr/bin/env bash
# Makes record.png, the picture in the README, from a record: its verdict and two of its figures.
# Needs Chromium.
#
#   bash docs/pictures/make.sh record/record.html
set -euo pipefail
page=$(realpath "$1")
cd "$(dirname "${BASH_SOURCE[0]}")"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

cat "$page" - >"$work/page.html" <<'STYLE'
<style>
body { max-width: none; width: 1120px; margin: 16px auto; padding: 0; }
nav, main > section:not(#verdict):not(#stops), #stops > :not(h2):not(figure),
#stop-signature-1 figcaption, #stop-signature-2, #stop-curve { display: none; }
#stops { display: grid; grid-template-columns: 1fr 1fr; gap: 0 32px; align-items: start; }
#stops > h2 { grid-column: 1 / 3; }
#stops > figure { margin: 0; min-width: 0; max-width: none; }
</style>
STYLE
chromium --headless=new --no-sandbox --disable-gpu --hide-scrollbars --window-size=1160,1090 \
    --screenshot="$PWD/record.png" "file://$work/page.html" 2>/dev/null
