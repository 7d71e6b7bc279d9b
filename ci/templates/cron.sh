#!/usr/bin/env bash
# Nightly flights without a CI server. In the crontab of a user without special rights:
#
#   MAILTO=you@example.org
#   15 2 * * *  /path/to/your/repository/ci/cron.sh
#
# It says nothing when everything passed, so mail comes only when something did not. The last nights are kept.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/${ASFLOWN_ROOT:-..}"
here="$PWD/${ASFLOWN_CI:-ci/asflown-ci.sh}"
nights="${ASFLOWN_NIGHTS:-$HOME/asflown-nights}"
keep="${ASFLOWN_KEEP_NIGHTS:-14}"
mkdir -p "$nights"

# A night that is still running is not joined by another one.
exec 8> "$nights/lock"
flock --nonblock 8 || { echo "the last night is still flying"; exit 3; }

night="$nights/$(date -u +%Y%m%dT%H%M%SZ)"
mkdir "$night"
export ASFLOWN_RESULTS="$night"
if commit="$(git rev-parse HEAD 2> /dev/null)"; then export ASFLOWN_COMMIT="$commit"; fi
code=0
"$here" night > "$night/log.txt" 2>&1 || code=$?
if [ "$code" != 0 ]; then
    tail -n 60 "$night/log.txt"
    echo "everything: $night"
fi

# Folders are named by time, so the oldest come first.
find "$nights" -mindepth 1 -maxdepth 1 -type d -name '2*Z' | sort | head -n "-$keep" | xargs -r rm -rf --
exit "$code"
