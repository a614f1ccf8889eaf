#!/usr/bin/env bash
# Holds the description of the API to the schema of OpenAPI 3.1, and the server to the description:
# generated requests, each answer with a status, type, headers and schema that it names, and never a
# failure of the server. What is generated is the same each time.
#   tests/peer/openapi.sh ORIGIN VENV WORK
set -euo pipefail
origin=$1 bin=$2/bin work=$3

curl --silent --show-error --fail "$origin/openapi.json" >"$work/openapi.json"

checks=not_a_server_error,status_code_conformance,content_type_conformance
checks=$checks,response_schema_conformance,response_headers_conformance

# Holds the server to the description of some types: what the run does, besides.
run() {
    local types=$1
    shift
    curl --silent --show-error --fail "$origin/openapi.json?_type=$types" >"$work/openapi-$types.json"
    "$bin/schemathesis" run "$work/openapi-$types.json" --url "$origin" \
        --checks "$checks" \
        --generation-deterministic --suppress-health-check all --warnings off --workers 1 \
        --no-color "$@"
}

cd "$work"
# Each parameter and body at and beyond its limits.
run Patient --phases coverage
"$bin/openapi-spec-validator" --schema 3.1 "$work/openapi-Patient.json"
# Random requests, and what was made used further.
run Binary,EpisodeOfCare,Observation --phases fuzzing,stateful --max-examples 5 --max-time 60
