#!/usr/bin/env bash
# Holds the description of the API to the schema of OpenAPI 3.1, and the server to the description:
# generated requests, each answer with a status, type, headers and schema that it names, and never a
# failure of the server. What is generated is the same each time.
#   tests/peer/openapi.sh ORIGIN VENV WORK
set -euo pipefail
origin=$1 bin=$2/bin work=$3

types=Patient,Observation,EpisodeOfCare,Binary
curl --silent --show-error --fail "$origin/openapi.json" >"$work/openapi.json"
curl --silent --show-error --fail "$origin/openapi.json?_type=$types" >"$work/openapi-some.json"
"$bin/openapi-spec-validator" --schema 3.1 "$work/openapi-some.json"

checks=not_a_server_error,status_code_conformance,content_type_conformance
checks=$checks,response_schema_conformance,response_headers_conformance
cd "$work"
"$bin/schemathesis" run "$work/openapi-some.json" --url "$origin" --checks "$checks" \
    --phases examples,coverage,fuzzing,stateful --max-examples 10 --generation-deterministic \
    --suppress-health-check all --warnings off --workers 1 --no-color
