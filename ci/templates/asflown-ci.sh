#!/usr/bin/env bash
# Flies scenarios for a CI server and leaves reports. The templates beside it call it; copy both.
#
#   asflown-ci.sh push     every push and pull request: the built-in vehicle, in virtual time
#   asflown-ci.sh night    every night: more flights, with seeds from the commit, and a vehicle in a container
#   asflown-ci.sh bench    on demand, on a machine with a rig (propellers off!): one flight at a time
#
# Set by you (defaults in brackets):
#   ASFLOWN_SCENARIOS   what flies: a file or a folder [scenarios]
#   ASFLOWN_INSTALL     what pip installs where no asflown is on the PATH: a wheel, a folder, name==version [asflown]
#   ASFLOWN_CONTAINER   the vehicle file of the night's container; the night does without when it is empty []
#   ASFLOWN_RIG         the vehicle file of the bench rig; it says `unattended: bench` [needed for bench]
#   ASFLOWN_MOST_MB     captures are kept only up to this size [200]
#   ASFLOWN_RESULTS     where everything goes [asflown-results]
#   ASFLOWN_ENVIRONMENT where the installation is; cache this folder [.asflown-environment]
#   ASFLOWN_COMMIT      the commit, in hexadecimal: the night's seeds come from it []
#
# Exit code: 0 passed, 1 something failed, 2 a file or this call is wrong, 3 could not be flown, 4 inconclusive.
# What ended in an error is flown again twice; what failed never is.
set -euo pipefail
when="${1:-}"
case "$when" in
    push | night) ;;
    bench) : "${ASFLOWN_RIG:?names the vehicle file of the rig}" ;;
    *) echo "Say when: $0 push | night | bench" >&2; exit 2 ;;
esac
scenarios="${ASFLOWN_SCENARIOS:-scenarios}"
results="${ASFLOWN_RESULTS:-asflown-results}"
environment="${ASFLOWN_ENVIRONMENT:-.asflown-environment}"
commit="${ASFLOWN_COMMIT:-}"
most_mb="${ASFLOWN_MOST_MB:-200}"

if ! command -v asflown > /dev/null; then
    [ -x "$environment/bin/python" ] || python3 -m venv "$environment"
    "$environment/bin/python" -m pip install --quiet "${ASFLOWN_INSTALL:-asflown}"
    PATH="$PWD/$environment/bin:$PATH"
fi
asflown doctor || exit 3
mkdir -p "$results"
gravest=0

# Whether exit code $1 is graver than $2: 1 outranks 3, and 3 outranks 4.
graver() {
    local order=" 0 4 3 1 2 5 130 143 "
    local one="${order%% "$1" *}" other="${order%% "$2" *}"
    [ "${#one}" -gt "${#other}" ]
}

# Flies everything once; $1 names the reports, the rest are options of `asflown fly`.
fly() {
    local name="$1" code=0
    shift
    asflown fly "$scenarios" --retry-errors 2 --keep "$results/flights" --junit "$results/$name.xml" \
        --json "$results/$name.json" --markdown "$results/$name.md" --site "$results/site-$name" "$@" || code=$?
    if graver "$code" "$gravest"; then gravest="$code"; fi
}

case "$when" in
    push) fly built-in --workers 2 ;;
    night)
        seed=1
        if [[ "$commit" =~ ^[0-9a-f]{8} ]]; then seed=$((16#${commit:0:8})); fi
        fly built-in --workers 2 --flights 10 --seed "$seed"
        if [ -n "${ASFLOWN_CONTAINER:-}" ]; then fly container --vehicle "$ASFLOWN_CONTAINER"; fi
        ;;
    bench)
        # asflown locks the rig itself; this lock also keeps other jobs of this script waiting instead of failing.
        exec 9> "${TMPDIR:-/tmp}/asflown-rig.lock"
        flock --timeout 3600 9 || { echo "the rig was in use for an hour" >&2; exit 3; }
        fly bench --vehicle "$ASFLOWN_RIG"
        ;;
esac

# Captures are for looking at what went wrong; they are not kept where nothing did, nor beyond the cap.
if [ "$gravest" != 0 ] && [ -d "$results/flights" ]; then
    tar -czf "$results/flights.tar.gz" -C "$results" flights
    size_mb=$(($(stat -c %s "$results/flights.tar.gz") / 1000000))
    if [ "$size_mb" -gt "$most_mb" ]; then
        echo "captures take $size_mb MB, more than ASFLOWN_MOST_MB=$most_mb: left out"
        rm "$results/flights.tar.gz"
    fi
fi
rm -rf "$results/flights"
cat "$results"/*.md > "$results/summary.txt" 2> /dev/null || true
case "$gravest" in
    0) echo "everything passed" ;;
    1) echo "something failed: see $results" ;;
    3) echo "a flight could not be carried out: this says nothing about the script" ;;
    4) echo "inconclusive: the evidence does not decide" ;;
    *) echo "asflown ended with $gravest" ;;
esac
exit "$gravest"
