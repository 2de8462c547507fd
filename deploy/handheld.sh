#!/bin/sh
# A handheld in twenty lines: counts a zone with the tags that come on standard input, one EPC in
# hexadecimal a line, and prints what the count found. A model for a real handheld's program.
#
#   KEY=lk_... deploy/handheld.sh SITE ZONE < tags.txt    # the key needs the scope count
set -eu
base="${LINTEL_SERVER:-http://127.0.0.1:8470}/v1/sites/$1/counts" zone=$2 reader=${READER:-handheld-1}
post() { # post PATH JSON KEY: a request that is sent again with the same KEY counts once
  curl -sS --fail-with-body --retry 3 --retry-connrefused -H "Authorization: Bearer $KEY" \
    -H 'Content-Type: application/json' -H "Idempotency-Key: $3" -d "$2" "$base$1"
}
run=$(date +%s)-$$
opened=$(post "" "{\"zones\":[\"$zone\"]}" "open-$run") || { echo "$opened" >&2; exit 1; }
count=$(printf %s "$opened" | sed -n 's/.*"id":"\([^"]*\)".*/\1/p')
split -l 500 - "/tmp/count-$run-" # in batches; each is kept until the server has it
for batch in "/tmp/count-$run-"*; do
  reads=$(sed "s/.*/{\"epc\":\"&\",\"read_point\":\"$reader\",\"zone\":\"$zone\"}/" "$batch" | paste -sd, -)
  post "/$count/reads?wait=5s" "[$reads]" "$(basename "$batch")" >&2 && rm "$batch"
done
post "/$count/close" '' "close-$run" >&2
curl -sS --fail-with-body -H "Authorization: Bearer $KEY" -H 'Accept: text/csv' "$base/$count/differences"
