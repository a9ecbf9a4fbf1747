#!/usr/bin/env bash
# Counts the instructions that each layer of the bench `speed` takes for a millisecond of the press,
# with valgrind, and writes speed_instructions.csv beside itself. Each row has its layer and all
# before it. Then read the difference and bless the table of docs/SCENARIOS.md.
#
# valgrind knows no SHA instructions: the digest of a run counts for more here than on a processor
# that has them.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")"

built=$(cargo bench -p stopwright-tests --bench speed --no-run --message-format json |
    sed -n 's/.*"name":"speed".*"executable":"\([^"]*\)".*/\1/p')
notes=$(mktemp)
trap 'rm -f "$notes"' EXIT
{
    echo layer,instructions_a_ms
    for layer in plant resolver controller whole; do
        made=$(valgrind --tool=callgrind --callgrind-out-file=/dev/null --log-file="$notes" \
            "$built" --layer "$layer")
        count=$(sed -n 's/.*Collected : \([0-9]*\).*/\1/p' "$notes")
        echo "$layer,$((count / ${made% ms}))"
    done
} >speed_instructions.csv.new
mv speed_instructions.csv.new speed_instructions.csv
cat speed_instructions.csv
